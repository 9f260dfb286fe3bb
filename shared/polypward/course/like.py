"""Which visits are alike: the polyps equally open, the same hour of the day.

A fleshy coral looks paler and smaller when it is closed (Brown, Le Tissier & Dunne 1994, Mar. Ecol.
Prog. Ser. 105:209-218), and it opens and closes with the hours after lights-on, so colour is only
charted among visits that are alike. A state that lasts becomes the usual one.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import time
from statistics import median

from polypward.course.results import Visit
from polypward.course.settings import CourseSettings

__all__ = ["LikeVisit", "like_periods"]


@dataclass(frozen=True, slots=True)
class LikeVisit:
    """Period of like visits that a visit belongs to, or None and what is unlike about it."""

    period: int | None
    unlike: str = ""


@dataclass(slots=True)
class _State:
    """How open the polyps are ("" = not told), and the hours of the visits so far."""

    open: str = ""
    hours: list[float] = field(default_factory=list)

    def gap(self, visit: Visit, settings: CourseSettings, allowed: float) -> str:
        """Say in words what is unlike, or nothing; a state that is not told fits any."""
        if self.open and visit.open and visit.open != self.open:
            return f"polyps {visit.open}, usually {self.open}"
        hour = _hour(visit, settings)
        if hour is None or not self.hours:
            return ""
        later = (hour - median(self.hours) + 12) % 24 - 12
        if abs(later) <= allowed:
            return ""
        return f"photographed {abs(later):.0f} h {'later' if later > 0 else 'earlier'} than usual"

    def take(self, visit: Visit, settings: CourseSettings) -> None:
        """Count a visit in."""
        self.open = self.open or visit.open
        hour = _hour(visit, settings)
        if hour is not None:
            self.hours.append(hour)


def _hour(visit: Visit, settings: CourseSettings) -> float | None:
    """Hour of the ward's clock; None at noon to the second, which is how a day alone is kept."""
    at = visit.at.astimezone(settings.zone)
    if at.time() == time(12):
        return None
    return at.hour + at.minute / 60


def like_periods(visits: Sequence[Visit], settings: CourseSettings) -> list[LikeVisit]:
    """Sort visits into periods within which they are alike.

    Parameters
    ----------
    visits : sequence of Visit
        Of one view, in the order of days.
    settings : CourseSettings
        Hours within which visits are alike, visits in a row that make a new state the usual one.

    Returns
    -------
    list of LikeVisit
        One a visit. Hours are those of the ward's clock, since lamps are on a timer: a timer that
        is moved counts as a new state.
    """
    result: list[LikeVisit] = []
    period = 0
    usual = _State()
    new = _State()
    waiting: list[int] = []
    for index, visit in enumerate(visits):
        gap = usual.gap(visit, settings, settings.like_hours)
        if not gap:
            usual.take(visit, settings)
            result.append(LikeVisit(period))
            waiting = []
            continue
        if not waiting or new.gap(visit, settings, settings.like_hours):
            waiting, new = [], _State()
        new.take(visit, settings)
        waiting.append(index)
        result.append(LikeVisit(None, gap))
        if len(waiting) >= settings.lamp_visits:
            period, usual = period + 1, new
            for late in waiting:
                result[late] = LikeVisit(period)
            waiting = []
    return result
