"""Photos of a day become a visit."""

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from datetime import date, timedelta, tzinfo
from statistics import median
from typing import Final

import numpy as np

from polypward.course.results import View, Visit
from polypward.course.settings import CourseSettings, Lab
from polypward.records import CareEvent, Reading

__all__ = ["by_day", "form_visits", "has_colour", "larger", "shares_of", "view_of"]

# Care after which colour is not itself for a while.
_HANDLING: Final = frozenset({"dip", "cut", "move", "split"})
_HISTORY: Final = 11  # visits whose median area counts as the usual one


def larger(*values: float | None) -> float | None:
    """Return the largest of the values that are known; None when none is."""
    known = [value for value in values if value is not None]
    return max(known) if known else None


def view_of(reading: Reading) -> View:
    """View of a photo; one that is not named counts as from the top."""
    return "side" if reading.view == "side" else "top"


def has_colour(reading: Reading) -> bool:
    """Whether the reading's colour may be used: not refused, and L, a and b are there."""
    return reading.colour_grade != "refused" and None not in (reading.L, reading.a, reading.b)


def shares_of(reading: Reading) -> tuple[float | None, float | None, float | None]:
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
    if len(known) == 1:
        return float(known[0])
    return float(median(known)) if known else None


def _own_sd(values: Sequence[float | None], sds: Iterable[float | None]) -> float | None:
    """SD of a visit's figure: what the photos say of themselves, or their scatter if larger."""
    if len(values) == 1:
        return _mean(sds)
    known = [value for value in values if value is not None]
    scatter = float(np.std(known, ddof=1)) / math.sqrt(len(known)) if len(known) > 1 else None
    return larger(scatter, _mean(sds))


def _most(words: Iterable[str]) -> str:
    known = [word for word in words if word]
    if len(known) < 2:
        return known[0] if known else ""
    counts = Counter(known)
    return min(counts, key=lambda word: (-counts[word], word))


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
    sizes: tuple[float | None, float | None],
    care: Sequence[CareEvent],
    settings: CourseSettings,
) -> Visit:
    """Draw the photos of a day together; `sizes` are expansion and footprint."""
    shares = [shares_of(reading) for reading in photos]
    covers = [share[0] for share in shares]
    coloured = [reading for reading in photos if has_colour(reading)]
    usual = [reading for reading in coloured if "light-changed" not in reading.reasons]
    used = usual or coloured
    lab: Lab | None = None
    lab_sd = None
    if used:
        points = [(r.L or 0.0, r.a or 0.0, r.b or 0.0) for r in used]
        if len(points) == 1:
            lab = points[0]
        else:
            light, red, yellow = (float(median(channel)) for channel in zip(*points, strict=True))
            lab = (light, red, yellow)
        scatter = (
            float(np.sqrt(np.var(points, axis=0, ddof=1).mean() / len(used)))
            if len(used) > 1
            else None
        )
        lab_sd = larger(scatter, _mean(reading.lab_sd for reading in used))
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
        unsure=_middle(reading.unsure for reading in photos),
        handled=any(_handled(reading, care, settings) for reading in photos),
        open=_most(reading.open for reading in photos),
        expansion=sizes[0],
        footprint=sizes[1],
    )


def by_day(
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


def _sizes(days: Sequence[Sequence[Reading]]) -> list[tuple[float | None, float | None]]:
    """Expansion (live area over the specimen's median live area in that view) and footprint.

    The footprint is the whole area, live or not, over its median so far: it shrinks when polyps
    contract but not when tissue is lost.
    """
    areas = [_middle(reading.live_mm2 for reading in photos) for photos in days]
    known = [area for area in areas if area]
    typical = float(median(known)) if known else None
    history: list[float] = []
    result = []
    for photos, area in zip(days, areas, strict=True):
        cover = _middle(shares_of(reading)[0] for reading in photos)
        whole = area / cover if area is not None and cover else None
        if whole:
            history.append(whole)
        result.append(
            (
                area / typical if typical and area is not None else None,
                whole / _usual(history) if whole else None,
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
    by_view: dict[View, dict[date, list[Reading]]] = {"top": {}, "side": {}}
    for (_, view, day), photos in by_day(readings, settings.zone).items():
        by_view[view][day] = photos
    done = [
        _one_visit(day, view, photos, sizes, care, settings)
        for view, days in by_view.items()
        for (day, photos), sizes in zip(days.items(), _sizes(list(days.values())), strict=True)
    ]
    return tuple(sorted(done, key=lambda visit: (visit.day, visit.view != "top")))
