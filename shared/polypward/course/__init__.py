"""A specimen through time: visits, paling, condition, control charts, flags and advice."""

from polypward.course.day import Stand, stand_on
from polypward.course.looks import ODD
from polypward.course.prospect import LEAST_CASES, Case, Prospect, prospect_of
from polypward.course.repeatability import (
    PooledSd,
    Repeats,
    pool_repeats,
    pool_sd,
    repeats_of,
    smallest_change,
)
from polypward.course.results import (
    Advice,
    Chart,
    Course,
    Flag,
    FlagName,
    Grounds,
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
    "Grounds",
    "PooledSd",
    "Prospect",
    "Reference",
    "Repeats",
    "Score",
    "Stand",
    "Trend",
    "TrendPart",
    "Visit",
    "pool_repeats",
    "pool_sd",
    "prospect_of",
    "repeats_of",
    "score_specimen",
    "smallest_change",
    "stand_on",
]
