"""The trends of a course, before and after changes of care too, and the smallest change told."""

from collections.abc import Mapping, Sequence
from datetime import date
from itertools import pairwise

from polypward.care.marks import mark_of
from polypward.course.charts import repeat_sd
from polypward.course.repeatability import PooledSd, smallest_change
from polypward.course.results import Reference, Trend, TrendPart, View, Visit
from polypward.course.settings import CourseSettings
from polypward.course.trend import find_trend, trend_parts
from polypward.records import CareEvent

__all__ = ["care_notes", "comparable", "part_trends", "smallest_changes", "view_trends"]

# Care that may change the course of a specimen: its trend is told before and after.
_CHANGES = frozenset(
    {"move", "light", "lights", "lamp", "treatment", "care-plan", "plan", "quarantine"}
)


def view_trends(series: Mapping[View, Sequence[Visit]], main: View) -> dict[str, Trend]:
    """Trends of cover, overgrown share, paling and condition.

    Parameters
    ----------
    series : mapping of view to visits
        Each view's visits in the order of days.
    main : {"top", "side"}
        The view the score stands on.

    Returns
    -------
    dict
        Keyed by measure for the main view, by measure and view ("cover side") for another. Paling
        and condition over the visits of `comparable`. What has fewer than three visits, and an
        overgrown share that is always 0, is left out.
    """
    found = {}
    for view in sorted(series, key=lambda view: view != main):
        visits = series[view]
        alike = comparable(visits)
        grown = [visit.overgrown_share for visit in visits]
        measures = {
            "cover": (visits, [visit.live_cover for visit in visits]),
            "overgrown": (visits, grown if any(grown) else [None] * len(visits)),
            "paling": (alike, [visit.paling_raw for visit in alike]),
            "condition": (alike, [visit.condition for visit in alike]),
        }
        for name, (told, values) in measures.items():
            trend = find_trend([visit.day for visit in told], values)
            if trend is not None:
                found[name if view == main else f"{name} {view}"] = trend
    return found


def comparable(visits: Sequence[Visit]) -> Sequence[Visit]:
    """Visits whose colour may be compared: not handled shortly before, and like most others.

    All of them where fewer than three are.
    """
    alike = [visit for visit in visits if not visit.handled and visit.like is not None]
    return alike if len(alike) >= 3 else visits


def part_trends(
    series: Sequence[Visit], care: Sequence[CareEvent], settings: CourseSettings
) -> tuple[TrendPart, ...]:
    """Trends of cover and paling before and after each logged change of care or of light.

    Parameters
    ----------
    series : sequence of Visit
        Of the view the score stands on, in the order of days.
    care : sequence of CareEvent
        Of this specimen.
    settings : CourseSettings
        For the calendar day.

    Returns
    -------
    tuple of TrendPart
        Empty where nothing was changed between two visits.
    """
    changes: dict[date, list[str]] = {}
    for event in care:
        if event.what in _CHANGES:
            day = event.at.astimezone(settings.zone).date()
            changes.setdefault(day, []).append(mark_of(event) or event.what)
    lit = [visit for visit in series if visit.light is not None]
    for before, after in pairwise(lit):
        if before.light != after.light:
            changes.setdefault(after.day, []).append(f"light {after.lamp}".strip())
    if not changes:
        return ()
    days, alike = [visit.day for visit in series], comparable(series)
    told = [(day, ", ".join(dict.fromkeys(words))) for day, words in sorted(changes.items())]
    return (
        *trend_parts("cover", days, [visit.live_cover for visit in series], told),
        *trend_parts(
            "paling", [visit.day for visit in alike], [visit.paling_raw for visit in alike], told
        ),
    )


def care_notes(care: Sequence[CareEvent], settings: CourseSettings) -> list[str]:
    """Say which words of a person the charts start anew from.

    Parameters
    ----------
    care : sequence of CareEvent
        Of this specimen, in the order of time.
    settings : CourseSettings
        For the calendar day.

    Returns
    -------
    list of str
        A sentence for each new baseline and each flag that was acknowledged, with its reason.
    """
    notes = []
    for event in care:
        day = event.at.astimezone(settings.zone).date()
        reason = event.detail.get("reason", "")
        why = f": {reason}" if reason else ""
        by = f" by {event.by}" if event.by else ""
        if event.what == "baseline":
            notes.append(f"A new baseline was started on {day}{by}{why}.")
        elif event.what in ("cut", "split", "join"):
            notes.append(f"A new baseline began with the {event.what} on {day}.")
        elif event.what == "acknowledge":
            what = event.detail.get("flag", "") or "every flag"
            notes.append(f"On {day} {what} was acknowledged{by}{why}.")
    return notes


def smallest_changes(
    series: Sequence[Visit],
    reference: Reference,
    pooled: PooledSd | None,
    settings: CourseSettings,
) -> dict[str, float]:
    """Smallest change between two visits of a specimen that can be told from noise, by measure.

    Parameters
    ----------
    series : sequence of Visit
        Of the view the score stands on.
    reference : Reference
        For the length of the paling axis.
    pooled : PooledSd or None
        Repeatability of the ward. It counts as no better than the floors, as in the charts.
    settings : CourseSettings
        The floors.

    Returns
    -------
    dict
        ``cover`` and ``overgrown`` as shares, ``area`` of itself, ``colour`` in Lab units,
        ``paling`` as index. What the ward has too few repeats of is left out.

    References
    ----------
    Bland JM, Altman DG (1996). Measurement error. BMJ 313:744.
    """
    if pooled is None:
        return {}
    covers = [visit.live_cover for visit in series if visit.live_cover is not None]
    level = covers[-1] if covers else None
    found: dict[str, float] = {}
    if pooled.cover is not None:
        found["cover"] = repeat_sd("cover", pooled, settings, level=level)
    if pooled.overgrown is not None:
        found["overgrown"] = repeat_sd("overgrown", pooled, settings)
    if pooled.area is not None:
        found["area"] = pooled.area
    if pooled.lab is not None:
        found["colour"] = repeat_sd("paling", pooled, settings)
        if reference.available and reference.axis_lab:
            found["paling"] = found["colour"] / reference.axis_lab
    return {name: smallest_change(sd) for name, sd in found.items()}
