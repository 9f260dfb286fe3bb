"""Photos of a day become a visit; repeat photos give the repeatability."""

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta, tzinfo
from statistics import median
from typing import Final

import numpy as np

from polypward.course.results import View, Visit
from polypward.course.settings import CourseSettings, Lab
from polypward.records import CareEvent, Reading

__all__ = ["MIN_DF", "PooledSd", "form_visits", "has_colour", "pool_sd", "view_of", "within_sd"]

# Fewer degrees of freedom do not fix an SD: the 95 % interval of an SD with 19 degrees of freedom
# still runs from 0.76 to 1.46 of it (chi-square).
MIN_DF: Final = 20
# Care after which colour is not itself for a while.
_HANDLING: Final = frozenset({"dip", "cut", "move", "split"})
_HISTORY: Final = 11  # visits whose median area counts as the usual one


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledSd:
    """Standard deviations pooled over the specimens of a ward; None below `MIN_DF`.

    `*_within` are between repeat photos of one visit, `*_between` between visits with the trend
    taken out. Shares are fractions, `lab_*` Lab units along one direction. `*_df` are degrees of
    freedom.
    """

    cover_within: float | None = None
    cover_between: float | None = None
    cover_df: int = 0
    overgrown_within: float | None = None
    overgrown_between: float | None = None
    lab_within: float | None = None
    lab_between: float | None = None
    lab_df: int = 0
    between_df: int = 0

    @property
    def cover(self) -> float | None:
        """The larger of the two SDs of live cover; None when neither is known."""
        return _larger(self.cover_within, self.cover_between)

    @property
    def overgrown(self) -> float | None:
        """The larger of the two SDs of the overgrown share."""
        return _larger(self.overgrown_within, self.overgrown_between)

    @property
    def lab(self) -> float | None:
        """The larger of the two SDs of colour, Lab units along one direction."""
        return _larger(self.lab_within, self.lab_between)


def _larger(*values: float | None) -> float | None:
    known = [value for value in values if value is not None]
    return max(known) if known else None


def view_of(reading: Reading) -> View:
    """View of a photo; one that is not named counts as from the top."""
    return "side" if reading.view == "side" else "top"


def has_colour(reading: Reading) -> bool:
    """Whether the reading's colour may be used: not refused, and L, a and b are there."""
    return reading.colour_grade != "refused" and None not in (reading.L, reading.a, reading.b)


def within_sd(groups: Iterable[Sequence[float]]) -> tuple[float | None, int]:
    """Within-subject standard deviation: the root of the pooled variance of repeat readings.

    Parameters
    ----------
    groups : iterable of sequences of float
        Repeat readings, a group a subject; groups of one say nothing.

    Returns
    -------
    sd : float or None
        In the readings' unit; None without any repeat.
    df : int
        Degrees of freedom.

    References
    ----------
    Bland JM, Altman DG (1996). Measurement error. BMJ 313:744.

    Examples
    --------
    >>> within_sd([(1.0, 3.0), (5.0, 5.0)])
    (1.0, 2)
    """
    squares, df = 0.0, 0
    for group in groups:
        if len(group) > 1:
            values = np.asarray(group, float)
            squares += float(((values - values.mean()) ** 2).sum())
            df += len(group) - 1
    return (math.sqrt(squares / df), df) if df else (None, 0)


def _shares(reading: Reading) -> tuple[float | None, float | None, float | None]:
    """Live cover, bare share, overgrown share."""
    parts = (reading.live_mm2, reading.bare_mm2, reading.overgrown_mm2)
    cover = reading.live_cover
    if parts[0] is None or parts[1] is None or parts[2] is None:
        return cover, None, None
    total = parts[0] + parts[1] + parts[2]
    if total <= 0:
        return cover, None, None
    return (parts[0] / total if cover is None else cover), parts[1] / total, parts[2] / total


def _mean(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return math.fsum(known) / len(known) if known else None


def _middle(values: Iterable[float | None]) -> float | None:
    """Median of three or more, mean of two."""
    known = [value for value in values if value is not None]
    return float(median(known)) if known else None


def _own_sd(values: Sequence[float | None], sds: Iterable[float | None]) -> float | None:
    """SD of a visit's figure: what the photos say of themselves, or their scatter if larger."""
    known = [value for value in values if value is not None]
    scatter = float(np.std(known, ddof=1)) / math.sqrt(len(known)) if len(known) > 1 else None
    return _larger(scatter, _mean(sds))


def _most(words: Iterable[str]) -> str:
    counts = Counter(word for word in words if word)
    return min(counts, key=lambda word: (-counts[word], word)) if counts else ""


def _handled(reading: Reading, care: Sequence[CareEvent], settings: CourseSettings) -> bool:
    if reading.taken_at is None:
        return False
    for event in care:
        heavy = event.what == "feeding" and event.detail.get("amount") == "heavy"
        hours = (
            settings.feeding_hours
            if heavy
            else settings.handling_hours
            if event.what in _HANDLING
            else 0.0
        )
        if hours and timedelta(0) <= reading.taken_at - event.at <= timedelta(hours=hours):
            return True
    return False


def _one_visit(
    day: date,
    view: View,
    photos: Sequence[Reading],
    care: Sequence[CareEvent],
    settings: CourseSettings,
) -> Visit:
    shares = [_shares(reading) for reading in photos]
    covers = [share[0] for share in shares]
    coloured = [reading for reading in photos if has_colour(reading)]
    usual = [reading for reading in coloured if "light-changed" not in reading.reasons]
    used = usual or coloured
    lab: Lab | None = None
    lab_sd = None
    if used:
        points = [(r.L or 0.0, r.a or 0.0, r.b or 0.0) for r in used]
        light, red, yellow = (float(median(channel)) for channel in zip(*points, strict=True))
        lab = (light, red, yellow)
        scatter = (
            float(np.sqrt(np.var(points, axis=0, ddof=1).mean() / len(used)))
            if len(used) > 1
            else None
        )
        lab_sd = _larger(scatter, _mean(reading.lab_sd for reading in used))
    return Visit(
        day=day,
        view=view,
        at=max(reading.taken_at for reading in photos if reading.taken_at is not None),
        photos=tuple(reading.photo for reading in photos),
        keys=tuple((reading.photo, reading.sha256) for reading in photos),
        live_mm2=_middle(reading.live_mm2 for reading in photos),
        live_mm2_sd=_own_sd(
            [reading.live_mm2 for reading in photos], (reading.live_mm2_sd for reading in photos)
        ),
        bare_mm2=_middle(reading.bare_mm2 for reading in photos),
        overgrown_mm2=_middle(reading.overgrown_mm2 for reading in photos),
        live_cover=_middle(covers),
        live_cover_sd=_own_sd(covers, (reading.live_cover_sd for reading in photos)),
        bare_share=_middle(share[1] for share in shares),
        overgrown_share=_middle(share[2] for share in shares),
        lab=lab,
        lab_sd=lab_sd,
        lamp=_most(reading.lamp for reading in used),
        card=_most(reading.card_serial for reading in used if reading.colour_grade == "relative"),
        light_changed=bool(coloured) and not usual,
        handled=any(_handled(reading, care, settings) for reading in photos),
        open=_most(reading.open for reading in photos),
    )


def _by_day(
    readings: Iterable[Reading], zone: tzinfo
) -> dict[tuple[str, View, date], list[Reading]]:
    """Group accepted, dated readings by specimen, view and calendar day, in time order."""
    groups: dict[tuple[str, View, date], list[Reading]] = defaultdict(list)
    for reading in readings:
        if reading.status == "accepted" and reading.taken_at is not None:
            day = reading.taken_at.astimezone(zone).date()
            groups[reading.specimen, view_of(reading), day].append(reading)
    for photos in groups.values():
        photos.sort(
            key=lambda r: (r.taken_at.timestamp() if r.taken_at else 0.0, r.photo, r.sha256)
        )
    return dict(sorted(groups.items()))


def _usual(history: Sequence[float]) -> float:
    return float(median(history[-_HISTORY:]))


def _with_expansion(visits: Sequence[Visit]) -> list[Visit]:
    """Add `expansion` (live area over the specimen's median live area in that view) and footprint.

    The footprint is the whole area, live or not, over its median so far: it shrinks when polyps
    contract but not when tissue is lost.
    """
    known = [visit.live_mm2 for visit in visits if visit.live_mm2]
    typical = float(median(known)) if known else None
    history: list[float] = []
    result = []
    for visit in visits:
        whole = None
        if visit.live_mm2 is not None and visit.live_cover:
            whole = visit.live_mm2 / visit.live_cover
        if whole:
            history.append(whole)
        result.append(
            replace(
                visit,
                expansion=visit.live_mm2 / typical
                if typical and visit.live_mm2 is not None
                else None,
                footprint=whole / _usual(history) if whole else None,
            )
        )
    return result


def form_visits(
    readings: Iterable[Reading], *, care: Sequence[CareEvent] = (), settings: CourseSettings
) -> tuple[Visit, ...]:
    """Group the accepted readings of one specimen into visits.

    Parameters
    ----------
    readings : iterable of Reading
        Of one specimen, in any order; rejected and undated ones are left out.
    care : sequence of CareEvent
        What was done to it; decides which visits count as handled.
    settings : CourseSettings
        For the time zone and the hours after handling.

    Returns
    -------
    tuple of Visit
        In the order of days, top before side. The median of repeat photos is taken, with the
        larger of their own SD and their scatter.
    """
    by_view: dict[View, list[Visit]] = {"top": [], "side": []}
    for (_, view, day), photos in _by_day(readings, settings.zone).items():
        by_view[view].append(_one_visit(day, view, photos, care, settings))
    views: tuple[View, View] = ("top", "side")
    done = [visit for view in views for visit in _with_expansion(by_view[view])]
    return tuple(sorted(done, key=lambda visit: (visit.day, visit.view != "top")))


def _between(series: Iterable[Sequence[tuple[float, ...]]]) -> tuple[float | None, int]:
    """Robust SD between visits with any straight trend taken out.

    Second differences of three visits in a row have 6 times the variance of one visit; their
    median absolute value over 0.6745 is a robust SD of normal scatter.
    """
    kinks: list[float] = []
    count = 0
    for visits in series:
        for before, here, after in zip(visits, visits[1:], visits[2:], strict=False):
            kinks += [abs(x - 2 * y + z) for x, y, z in zip(before, here, after, strict=True)]
            count += 1
    if count < MIN_DF:
        return None, count
    return float(np.median(kinks)) / 0.6745 / math.sqrt(6), count


def pool_sd(readings: Iterable[Reading], *, zone: tzinfo | None = None) -> PooledSd:
    """Pool the repeatability of photo readings over all specimens of a ward.

    Parameters
    ----------
    readings : iterable of Reading
        Of all specimens.
    zone : tzinfo, optional
        Time zone of the ward; UTC if not given.

    Returns
    -------
    PooledSd
        Each SD is None below `MIN_DF` degrees of freedom.

    References
    ----------
    Bland JM, Altman DG (1996). Measurement error. BMJ 313:744.
    """
    groups = _by_day(readings, zone or CourseSettings().zone)
    covers, overgrown, colours = [], [], []
    cover_series: dict[tuple[str, View], list[tuple[float, ...]]] = defaultdict(list)
    overgrown_series: dict[tuple[str, View], list[tuple[float, ...]]] = defaultdict(list)
    lab_series: dict[tuple[str, View, str], list[tuple[float, ...]]] = defaultdict(list)
    for (specimen, view, _), photos in groups.items():
        shares = [_shares(reading) for reading in photos]
        cover = [share[0] for share in shares if share[0] is not None]
        grown = [share[2] for share in shares if share[2] is not None]
        covers.append(cover)
        overgrown.append(grown)
        if cover:
            cover_series[specimen, view].append((float(median(cover)),))
        if grown:
            overgrown_series[specimen, view].append((float(median(grown)),))
        lit = [r for r in photos if has_colour(r) and "light-changed" not in r.reasons]
        if lit:
            channels = list(zip(*[(r.L or 0.0, r.a or 0.0, r.b or 0.0) for r in lit], strict=True))
            colours += [list(channel) for channel in channels]
            lab_series[specimen, view, lit[0].lamp].append(
                tuple(float(median(channel)) for channel in channels)
            )
    cover_within, cover_df = within_sd(covers)
    overgrown_within, overgrown_df = within_sd(overgrown)
    lab_within, lab_df = within_sd(colours)
    cover_between, between_df = _between(cover_series.values())
    return PooledSd(
        cover_within=cover_within if cover_df >= MIN_DF else None,
        cover_between=cover_between,
        cover_df=cover_df,
        overgrown_within=overgrown_within if overgrown_df >= MIN_DF else None,
        overgrown_between=_between(overgrown_series.values())[0],
        lab_within=lab_within if lab_df // 3 >= MIN_DF else None,
        lab_between=_between(lab_series.values())[0],
        lab_df=lab_df // 3,
        between_df=between_df,
    )
