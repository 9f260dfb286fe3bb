"""One specimen through time: from its photo readings to flags, score and advice."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from math import sqrt

from polypward.course.advice import gather_facts, left
from polypward.course.changes import care_notes, part_trends, smallest_changes, view_trends
from polypward.course.charts import ViewCharts, chart_view, repeat_sd
from polypward.course.colour import ViewColour, colour_view
from polypward.course.condition import State, recovery
from polypward.course.day import stand_on
from polypward.course.flags import chart_flags, could_raise, stalled_flag
from polypward.course.looks import look_flags
from polypward.course.reference import find_white
from polypward.course.repeatability import PooledSd
from polypward.course.results import (
    Course,
    Flag,
    Grounds,
    Reference,
    Score,
    Trend,
    View,
    Visit,
)
from polypward.course.settings import CourseSettings
from polypward.course.visits import form_visits, view_of
from polypward.records import CareEvent, Reading, Specimen

__all__ = ["score_specimen"]

_DECLINES = frozenset({"paling", "recession", "overgrowth", "sharp-loss"})


def score_specimen(
    readings: Sequence[Reading],
    *,
    specimen: Specimen,
    care: Sequence[CareEvent] = (),
    pooled: PooledSd | None,
    settings: CourseSettings,
    today: date,
) -> Course:
    """Score one specimen from all its photo readings.

    Parameters
    ----------
    readings : sequence of Reading
        Of this specimen, accepted and rejected, in any order.
    specimen : Specimen
        Its register entry.
    care : sequence of CareEvent
        What was done to it; events of other specimens are left out.
    pooled : PooledSd or None
        Repeatability of the ward, from `pool_sd`.
    settings : CourseSettings
        Time zone, limits, rules.
    today : date
        The day of asking, in the ward's time zone.

    Returns
    -------
    Course
        Complete also without any accepted reading.
    """
    own_care = sorted(
        (event for event in care if event.specimen == specimen.specimen),
        key=lambda event: (event.at, event.what, sorted(event.detail.items())),
    )
    accepted = sorted(
        (r for r in readings if r.status == "accepted" and r.taken_at is not None),
        key=lambda r: (r.taken_at.timestamp() if r.taken_at else 0.0, r.photo, r.sha256),
    )
    visits = form_visits(accepted, care=own_care, settings=settings)
    white, white_basis = find_white(accepted, settings)
    repeat_lab = repeat_sd("paling", pooled, settings)
    repeat_cover = repeat_sd("cover", pooled, settings)
    colours: dict[View, ViewColour] = {}
    charts: dict[View, ViewCharts] = {}
    views: tuple[View, View] = ("top", "side")
    for view in views:
        mine = [visit for visit in visits if visit.view == view]
        if not mine and not (view == "top" and not visits):
            continue
        colour = colour_view(
            mine,
            [reading for reading in accepted if view_of(reading) == view],
            white=white,
            white_basis=white_basis,
            repeat_lab=repeat_lab,
            repeat_cover=repeat_cover,
            settings=settings,
            kind=specimen.kind,
        )
        colours[view] = colour
        charts[view] = chart_view(
            view,
            colour.visits,
            colour.axes,
            index=colour.reference.available,
            care=own_care,
            pooled=pooled,
            settings=settings,
        )
    main: View = "top" if "top" in colours else "side"
    series = colours[main].visits
    trends = view_trends({view: colour.visits for view, colour in colours.items()}, main)
    flags = [
        flag
        for view_charts in charts.values()
        for flag in chart_flags(view_charts, care=own_care, pooled=pooled, settings=settings)
    ]
    flags += look_flags(visits, own_care, settings=settings)
    last_on = visits[-1].day if visits else None
    gone, gone_on = left(specimen, own_care, settings)
    if not gone and not any(flag.standing and flag.name in _DECLINES for flag in flags):
        stalled = stalled_flag(series, settings=settings)
        flags += [stalled] if stalled and not _answered(stalled, own_care, settings) else []
    score = _score(specimen, visits, series, trends, pooled, settings)
    facts = gather_facts(specimen, series, flags, own_care, condition=score.condition)
    if gone:
        flags = [_ended(flag, gone_on or last_on) for flag in flags]
    grounds = Grounds(
        score=score,
        flags=tuple(flags),
        facts=facts,
        here_since=specimen.arrived_on or (series[0].day if series else None),
        arrived_on=specimen.arrived_on,
        last_on=last_on,
        gone=gone,
        gone_on=gone_on,
    )
    stand = stand_on(today, grounds, settings=settings)
    filled = {key: new for colour in colours.values() for key, new in colour.readings.items()}
    return Course(
        specimen=specimen.specimen,
        view=main,
        visits=tuple(
            sorted(
                (visit for colour in colours.values() for visit in colour.visits),
                key=lambda visit: (visit.day, visit.view != "top"),
            )
        ),
        readings=tuple(
            filled.get((reading.photo, reading.sha256), reading) for reading in readings
        ),
        reference=colours[main].reference,
        chart={
            measure if view == main else f"{measure} {view}": chart
            for view, view_charts in charts.items()
            for measure, chart in view_charts.charts.items()
        },
        flags=stand.flags,
        score=stand.score,
        advice=stand.advice,
        grounds=grounds,
        trends=trends,
        trend_parts=part_trends(series, own_care, settings),
        smallest_changes=smallest_changes(series, colours[main].reference, pooled, settings),
        could_raise=could_raise(list(charts.values())),
        facts=stand.facts,
        notes=_notes(main, visits, colours[main].reference, colours[main].notes)
        + tuple(care_notes(own_care, settings)),
    )


def _score(
    specimen: Specimen,
    visits: Sequence[Visit],
    series: Sequence[Visit],
    trends: dict[str, Trend],
    pooled: PooledSd | None,
    settings: CourseSettings,
) -> Score:
    days = sorted({visit.day for visit in visits})
    if not days:
        return Score(specimen=specimen.specimen)
    known = [visit for visit in series if visit.condition is not None]
    areas = [visit.live_mm2 for visit in series if visit.live_mm2 is not None]
    cover_sd = repeat_sd("cover", pooled, settings)
    recovered = None
    if len(known) > 1:
        recovered = recovery(
            _state(known[0], cover_sd),
            _state(known[-1], cover_sd),
            min_room_points=settings.min_room_points,
        )
    value, low, high = recovered or (None, None, None)
    return Score(
        specimen=specimen.specimen,
        first_seen=days[0],
        last_seen=days[-1],
        visits=len(days),
        condition=known[-1].condition if known else None,
        condition_sd=known[-1].condition_sd if known else None,
        condition_intake=known[0].condition if known else None,
        recovery=value,
        recovery_low=low,
        recovery_high=high,
        live_mm2=areas[-1] if areas else None,
        live_change_pct=100 * (areas[-1] / areas[0] - 1) if len(areas) > 1 and areas[0] else None,
        cover_change_per_week=trends["cover"].per_week if "cover" in trends else None,
        paling_change_per_week=trends["paling"].per_week if "paling" in trends else None,
    )


def _state(visit: Visit, cover_sd: float) -> State:
    own = visit.live_cover_sd or 0.0
    return State(
        cover=visit.live_cover or 0.0,
        paling=visit.paling,
        cover_sd=cover_sd,
        doubt_sd=sqrt(max(0.0, own**2 - cover_sd**2)),
        paling_sd=visit.paling_sd or 0.0,
    )


def _answered(flag: Flag, care: Sequence[CareEvent], settings: CourseSettings) -> bool:
    """Whether a person acknowledged this flag on or after its last visit."""
    return any(
        event.what == "acknowledge"
        and event.detail.get("flag", "") in ("", flag.name)
        and event.at.astimezone(settings.zone).date() >= flag.raised_on
        for event in care
    )


def _ended(flag: Flag, on: date | None) -> Flag:
    """Close a standing flag of a specimen that has left."""
    if not flag.standing:
        return flag
    return replace(flag, standing=False, urgent=False, cleared_on=on, cleared_by="person")


def _notes(
    main: View, visits: Sequence[Visit], reference: Reference, more: Sequence[str]
) -> tuple[str, ...]:
    if not visits:
        return ("No accepted photo yet.",)
    notes = [
        "Cover is seen from above; loss at the lower rim shows in a side view only."
        if main == "top"
        else "All figures are seen from the side."
    ]
    if reference.lab is None:
        notes.append("Paling is not available: no usable colour yet.")
    elif not reference.available:
        notes.append(
            f"Paling is not available: its rich colour is only {reference.axis_lab:.0f} Lab from "
            "bare-skeleton white."
        )
    else:
        notes.append(f"Colour reference: {reference.basis}; white end: {reference.white_basis}.")
        if reference.provisional:
            notes.append("The colour reference is provisional until three visits have colour.")
    return (*notes, *more)
