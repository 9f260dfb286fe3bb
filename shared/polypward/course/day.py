"""How a specimen stands on a day: the little of a course that moves with the day of asking.

Days here, quarantine by days, an overdue photo and, by these, the advice; all else follows from
what was photographed and noted, and stays until something is added.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

from polypward.course.advice import advise, facts_on
from polypward.course.flags import overdue_flag
from polypward.course.results import Advice, Flag, Grounds, Score
from polypward.course.rules import Fact
from polypward.course.settings import CourseSettings

__all__ = ["Stand", "stand_on"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """Flags (with `overdue`), score, advice and the facts that the advice stands on, on a day."""

    flags: tuple[Flag, ...]
    score: Score
    advice: Advice
    facts: Mapping[str, Fact]


def stand_on(today: date, grounds: Grounds, *, settings: CourseSettings) -> Stand:
    """Return how a specimen stands on the day of asking, in the ward's time zone."""
    facts = facts_on(today, grounds.facts, here_since=grounds.here_since, settings=settings)
    advice = advise(facts, last_on=grounds.last_on, settings=settings, today=today)
    overdue = _overdue(today, grounds, advice, settings)
    if overdue is not None:
        facts |= {"any_flag": "yes", "flag.overdue": "yes"}
        advice = advise(facts, last_on=grounds.last_on, settings=settings, today=today)
    flags = grounds.flags
    if grounds.gone:
        on = "" if grounds.gone_on is None else f" on {grounds.gone_on}"
        gone = grounds.gone.replace("-", " ")
        advice = Advice(what="", reason=f"It has left the ward: {gone}{on}.")
    elif overdue is not None:
        flags = (*flags, overdue)
    flags = tuple(
        sorted(flags, key=lambda one: (not one.standing, not one.urgent, one.raised_on, one.name))
    )
    names = dict.fromkeys(flag.name for flag in flags if flag.standing)
    score = replace(grounds.score, flags=tuple(names), advice=advice.what)
    return Stand(flags=flags, score=score, advice=advice, facts=facts)


def _overdue(
    today: date, grounds: Grounds, advice: Advice, settings: CourseSettings
) -> Flag | None:
    """Say whether the photo that the advice plans is overdue; the first one from arrival on."""
    last_on = grounds.last_on
    if last_on is not None:
        due_on = advice.next_photo_on or last_on + timedelta(days=settings.interval_days)
    elif grounds.arrived_on is not None:
        due_on = grounds.arrived_on
    else:
        return None
    days = 0 if last_on is None else (due_on - last_on).days
    return overdue_flag(last_on, due_on, interval_days=days, today=today)
