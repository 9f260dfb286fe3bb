"""A specimen through time: visits, paling, condition, control charts, flags and advice."""

from polypward.course.looks import ODD
from polypward.course.prospect import LEAST_CASES, Case, Prospect, prospect_of
from polypward.course.repeatability import PooledSd, pool_sd, smallest_change
from polypward.course.results import (
    Advice,
    Chart,
    Course,
    Flag,
    FlagName,
    Reference,
    Score,
    Trend,
    TrendPart,
    Visit,
)
from polypward.course.rules import DEFAULT_RULES, FACTS, AdviceRule
from polypward.course.scoring import score_specimen
from polypward.course.settings import DEFAULT_WHITE_LAB, CourseSettings

__all__ = [
    "DEFAULT_RULES",
    "DEFAULT_WHITE_LAB",
    "FACTS",
    "LEAST_CASES",
    "ODD",
    "Advice",
    "AdviceRule",
    "Case",
    "Chart",
    "Course",
    "CourseSettings",
    "Flag",
    "FlagName",
    "PooledSd",
    "Prospect",
    "Reference",
    "Score",
    "Trend",
    "TrendPart",
    "Visit",
    "pool_sd",
    "prospect_of",
    "score_specimen",
    "smallest_change",
]
