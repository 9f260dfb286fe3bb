"""What every side of polypward agrees on: records, units, cards and the course of a specimen.

What is named in `__all__` here, in `polypward_vision` and in `polypward_cli` is for your own
scripts; `docs/python.md` shows it at work.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from polypward.course import Course, CourseSettings, Score, Visit, pool_sd, score_specimen
    from polypward.errors import BadInputError, PhotoRejectedError, PolypwardError
    from polypward.reasons import REASONS
    from polypward.records import Card, CareEvent, PhotoSettings, Reading, Specimen
    from polypward.tidy import as_rows

__version__ = "0.1.0"

__all__ = [
    "REASONS",
    "BadInputError",
    "Card",
    "CareEvent",
    "Course",
    "CourseSettings",
    "PhotoRejectedError",
    "PhotoSettings",
    "PolypwardError",
    "Reading",
    "Score",
    "Specimen",
    "Visit",
    "__version__",
    "as_rows",
    "pool_sd",
    "score_specimen",
]

_HOMES = {
    **dict.fromkeys(
        ("Course", "CourseSettings", "Score", "Visit", "pool_sd", "score_specimen"),
        "polypward.course",
    ),
    **dict.fromkeys(("BadInputError", "PhotoRejectedError", "PolypwardError"), "polypward.errors"),
    **dict.fromkeys(
        ("Card", "CareEvent", "PhotoSettings", "Reading", "Specimen"), "polypward.records"
    ),
    "REASONS": "polypward.reasons",
    "as_rows": "polypward.tidy",
}


def __getattr__(name: str) -> Any:
    """Import what is asked for only then: scipy takes a second that most commands do not need."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)
