"""A plan: portions by day, with formula, sources and cautions; split so that water never jumps."""

import math
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from polypward.errors import BadInputError
from polypward.water.parameters import shown

__all__ = ["RETEST", "Plan", "Portion", "down", "steps_of"]

RETEST: Final = "Test before each portion; if the test is not where the plan says, plan anew."
# More days than this is no correction but a water change, or a slip of a digit.
MAX_DAYS: Final = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Portion:
    """One day's part: from where to where (canonical unit), and how much of what."""

    on: date
    start: float
    end: float
    amount: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A correction or dose: portions by day, the formula with its numbers, sources, cautions.

    `log_as` is the name under which a portion is noted once it is in.
    """

    what: str
    portions: tuple[Portion, ...]
    formula: tuple[str, ...]
    sources: tuple[str, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...] = ()
    log_as: str = ""


def down(amount: float) -> float:
    """Return an amount rounded down to three significant digits: never more than was computed."""
    if not amount > 0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(amount)) - 2)
    # The hair keeps 29.96 from becoming 29.9 by the arithmetic of binary numbers.
    return round(math.floor(amount / step + 1e-6) * step, 9)


def steps_of(
    now: float, to: float, a_day: float, key: str, on: date
) -> list[tuple[date, float, float]]:
    """Return day, start and end of equal steps, none over the largest change a day."""
    if not a_day > 0:
        raise BadInputError(f"largest change a day {a_day:g}: it must be over 0")
    days = max(1, math.ceil(abs(to - now) / a_day - 1e-9))
    if days > MAX_DAYS:
        raise BadInputError(
            f"{shown(key, now)} to {shown(key, to)} at {shown(key, a_day)} a day takes {days} days;"
            f" plans go up to {MAX_DAYS}. Test again; if it is so, set a nearer --to"
        )
    step = (to - now) / days
    return [
        (on + timedelta(days=day), now + day * step, now + (day + 1) * step) for day in range(days)
    ]
