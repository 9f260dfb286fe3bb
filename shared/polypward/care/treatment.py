"""Treatments: what a record of a bath must hold, and when the last one was.

There is no dose in here for any medicine or dip, on purpose: the concentration is what the
product's label or a veterinarian says, and polypward only writes it down.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from polypward.records import CareEvent

__all__ = ["BathLimits", "ago", "bath_faults", "nearest_bath"]

_BATHS: Final = frozenset({"dip", "treatment"})


@dataclass(frozen=True, slots=True, kw_only=True)
class BathLimits:
    """Between what a record of a bath is believed; beyond it is a slip of the pen.

    No limits of what an animal stands: those are on the label. Own choices.
    """

    litres: tuple[float, float] = (0.05, 5000.0)
    minutes: tuple[float, float] = (0.1, 1440.0)
    temperature_c: tuple[float, float] = (4.0, 40.0)


def bath_faults(
    *,
    litres: float | None = None,
    minutes: float | None = None,
    temperature_c: float | None = None,
    limits: BathLimits | None = None,
) -> list[str]:
    """Return what is impossible about a bath, a sentence each; None = not noted, no fault.

    Parameters
    ----------
    litres, minutes, temperature_c : float, optional
        Volume of the bath in litres, time in it in minutes, temperature in degrees Celsius.
    limits : BathLimits, optional
        What is believed.
    """
    within = limits or BathLimits()
    given = {
        "bath volume": (litres, within.litres, "L"),
        "time in the bath": (minutes, within.minutes, "minutes"),
        "temperature": (temperature_c, within.temperature_c, "degC"),
    }
    return [
        f"{name} must be from {low:g} to {high:g} {unit}, got {value:g}"
        for name, (value, (low, high), unit) in given.items()
        if value is not None and not low <= value <= high
    ]


def nearest_bath(events: Iterable[CareEvent], *, at: datetime, hours: float) -> CareEvent | None:
    """Return the dip or treatment nearest to `at` within `hours` of it, before or after.

    A treatment that is only being closed (``status=done``) is no new one.
    """
    near = [
        event
        for event in events
        if event.what in _BATHS
        and event.detail.get("status") != "done"
        and abs(event.at - at) <= timedelta(hours=hours)
    ]
    return min(near, key=lambda event: abs(event.at - at), default=None)


def ago(span: timedelta) -> str:
    """Return how long ago in words: "just now", "40 min ago", "20 h ago", "3 days ago"; or ahead.

    Examples
    --------
    >>> ago(timedelta(hours=20, minutes=10)), ago(timedelta(minutes=-5))
    ('20 h ago', '5 min later')
    """
    minutes = round(abs(span).total_seconds() / 60)
    if minutes < 1:
        return "just now"
    if minutes < 100:
        told = f"{minutes} min"
    elif minutes < 60 * 48:
        told = f"{round(minutes / 60)} h"
    else:
        told = f"{round(minutes / 1440)} days"
    return f"{told} {'ago' if span > timedelta(0) else 'later'}"
