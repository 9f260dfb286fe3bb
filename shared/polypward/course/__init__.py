"""A specimen through time: visits, paling, condition, control charts, flags and advice."""

from polypward.course.repeatability import PooledSd, pool_sd
from polypward.course.results import (
    Advice,
    Chart,
    Course,
    Flag,
    FlagName,
    Reference,
    Score,
    Trend,
    Visit,
)
from polypward.course.rules import DEFAULT_RULES, FACTS, AdviceRule
from polypward.course.scoring import score_specimen
from polypward.course.settings import DEFAULT_WHITE_LAB, CourseSettings

__all__ = [
    "DEFAULT_RULES",
    "DEFAULT_WHITE_LAB",
    "FACTS",
    "Advice",
    "AdviceRule",
    "Chart",
    "Course",
    "CourseSettings",
    "Flag",
    "FlagName",
    "PooledSd",
    "Reference",
    "Score",
    "Trend",
    "Visit",
    "pool_sd",
    "score_specimen",
]
