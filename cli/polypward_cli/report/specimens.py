"""From a specimen and its course to what the report shows of it."""

import math
from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING

from polypward.records import CareEvent, Specimen
from polypward_cli.report import words
from polypward_cli.report.details import (
    SURE_SDS,
    event_view,
    facts_of,
    reading_rows,
    visit_rows,
)
from polypward_cli.report.strips import CUTOUTS, Desk, by_time, strips_of
from polypward_cli.report.views import (
    ChartView,
    Direction,
    FlagView,
    Group,
    SpecimenView,
)

if TYPE_CHECKING:
    from polypward.course import Course, Flag, Visit

__all__ = ["CUTOUTS", "Desk", "specimen_view"]

# The trend is that of at most so many visits, the last ones.
VISITS_OF_TREND = 6
# Cover up to which the advice rules take photos to show no live tissue: it asks for a second look.
NO_TISSUE_COVER = 0.02


def specimen_view(
    specimen: Specimen,
    course: "Course",
    *,
    care: Sequence[CareEvent],
    charts: tuple[ChartView, ...],
    desk: Desk,
) -> SpecimenView:
    """Return all that the report shows of a specimen.

    Parameters
    ----------
    specimen : Specimen
    course : Course
        Its course; it may hold no visit.
    care : sequence of CareEvent
        What was done to it or seen on it, looks and doses of its water among them, by time.
    charts : tuple of ChartView
        Drawn from both.
    desk : Desk
        Today, the time zone, the pages' names, the cut-outs by tile.
    """
    score, advice = course.score, course.advice
    standing = [flag for flag in course.flags if flag.standing]
    direction = _direction(course)
    group = _group(specimen, course, direction)
    cover = _last_cover(course.visits, course.view)
    strips, latest = strips_of(course, specimen.specimen, desk)
    rows, shared_notes = reading_rows(by_time(course.readings), desk.zone)
    flags = tuple(_flag_view(flag) for flag in sorted(course.flags, key=_flag_order))
    return SpecimenView(
        name=specimen.specimen,
        href=f"specimens/{desk.pages[specimen.specimen]}",
        group=group,
        recovered=_recovered(course),
        line=_line(specimen),
        short_line=" · ".join(part for part in (specimen.kind, specimen.place) if part),
        place=specimen.place,
        batch=specimen.batch,
        state=words.STATES.get(specimen.state, specimen.state),
        left_on=words.day(specimen.left_on) if specimen.left_on else "",
        state_line="" if specimen.state == "held" else _state_line(specimen),
        condition=None if score.condition is None else round(score.condition),
        cover=None if cover is None else round(100 * cover),
        direction=direction,
        from_above=all(visit.view == "top" for visit in course.visits),
        cover_note=_cover_note(course),
        flags=flags,
        standing=", ".join(flag.words for flag in flags if flag.standing),
        urgent=any(flag.urgent for flag in standing),
        advice=advice.what,
        advice_words=words.ADVICE.get(advice.what, advice.what) or "none, it has left",
        advice_reason=f"{advice.reason} {_what_changes(advice.changes)}".strip(),
        next_photo="" if group == "left" else _next_photo(advice.next_photo_on, desk.today),
        due=group != "left"
        and advice.next_photo_on is not None
        and advice.next_photo_on <= desk.today,
        overdue=any(flag.name == "overdue" for flag in standing),
        last_seen=words.day(score.last_seen) if score.last_seen else "",
        why=_why(group, standing, course),
        todo=_todo(group, standing, course),
        latest=latest,
        strips=strips,
        charts=charts,
        facts=facts_of(specimen, course, edges=desk.edges.get(specimen.specimen, ())),
        visits=visit_rows(course),
        remarks=tuple(course.notes),
        events=tuple(event_view(event, desk.zone) for event in care),
        readings=rows,
        shared_notes=shared_notes,
    )


def _last_cover(visits: "Sequence[Visit]", view: str) -> float | None:
    covers = [v.live_cover for v in visits if v.view == view and v.live_cover is not None]
    return covers[-1] if covers else None


def _cover_note(course: "Course") -> str:
    """Return from where the cover was seen, with the cover from the other side if known."""
    top, side = _last_cover(course.visits, "top"), _last_cover(course.visits, "side")
    if course.view == "side":
        return "from the side" if top is None else f"from the side; above {100 * top:.0f} %"
    if top is None:
        return ""
    return "seen from above" if side is None else f"from above; side {100 * side:.0f} %"


def _group(specimen: Specimen, course: "Course", direction: Direction) -> Group:
    """Return the one list of the first page that the specimen stands in."""
    advice = course.advice
    if specimen.state != "held" or not advice.what:
        return "left"
    alarming = any(flag.standing and flag.name != "overdue" for flag in course.flags)
    cover = _last_cover(course.visits, course.view)
    no_tissue = cover is not None and cover <= NO_TISSUE_COVER
    if alarming or no_tissue or advice.what in ("treat", "discard"):
        return "needs"
    if advice.what == "release":
        return "sale"
    if _recovered(course) and direction != "falling":
        return "back"
    return "steady"


def _recovered(course: "Course") -> bool:
    low = course.score.recovery_low
    return low is not None and low > 0


def _direction(course: "Course") -> Direction:
    """Return falling if any view falls, else what the view says that the score stands on."""
    by_view = {
        view: _slope([visit for visit in course.visits if visit.view == view])
        for view in ("top", "side")
    }
    return "falling" if "falling" in by_view.values() else by_view[course.view]


def _slope(visits: "Sequence[Visit]") -> Direction:
    """Whether the slope of the last visits' condition is surely not zero, by their SDs."""
    known = [
        (visit.day.toordinal(), visit.condition, visit.condition_sd)
        for visit in visits
        if visit.condition is not None and visit.condition_sd is not None
    ][-VISITS_OF_TREND:]
    if len(known) < 2:
        return "unknown"
    middle = sum(day for day, _, _ in known) / len(known)
    # The slope of least squares is sum(w y) / sum(w^2) with w = day - middle.
    slope = sum((day - middle) * value for day, value, _ in known)
    sd = math.sqrt(sum(((day - middle) * sd) ** 2 for day, _, sd in known))
    if abs(slope) <= SURE_SDS * sd:
        return "steady"
    return "rising" if slope > 0 else "falling"


def _why(group: Group, standing: "Sequence[Flag]", course: "Course") -> str:
    score = course.score
    recovery = ""
    if score.recovery is not None:
        low, high = words.signed(score.recovery_low), words.signed(score.recovery_high)
        recovery = f"Recovery {words.signed(score.recovery)} since intake (90 %: {low} to {high})."
    if group == "back":
        return recovery
    if group == "sale":
        return f"{course.advice.reason} {recovery}".strip()
    alarming = [flag for flag in sorted(standing, key=_flag_order) if flag.name != "overdue"]
    if group == "needs" and alarming:
        return words.sentence(alarming[0].evidence)
    return course.advice.reason


def _todo(group: Group, standing: "Sequence[Flag]", course: "Course") -> str:
    """Return what to do, where the evidence above it does not already say so."""
    told = not standing or any(flag.urgent for flag in standing)
    return course.advice.reason if group == "needs" and not told else ""


def _flag_order(flag: "Flag") -> tuple[bool, bool, bool, int]:
    """Standing before cleared, urgent first, overdue last, then the newest."""
    late = flag.name == "overdue"
    return (not flag.standing, not flag.urgent, late, -flag.raised_on.toordinal())


def _flag_view(flag: "Flag") -> FlagView:
    when = f"since {words.day(flag.raised_on)}"
    if not flag.standing:
        when = f"raised {words.day(flag.raised_on)}"
        if flag.cleared_on is not None:
            by = ", acknowledged by a person" if flag.cleared_by == "person" else ""
            when += f", cleared {words.day(flag.cleared_on)}{by}"
    return FlagView(
        words=words.FLAGS.get(flag.name, flag.name)
        + (", side photos" if flag.view == "side" else ""),
        when=when,
        evidence=words.sentence(flag.evidence),
        urgent=flag.urgent and flag.standing,
        standing=flag.standing,
    )


def _next_photo(on: date | None, today: date) -> str:
    if on is None:
        return ""
    if on < today:
        return f"Photo was due on {words.day(on)}."
    return "Photo due today." if on == today else f"Next photo {words.day(on)}."


def _what_changes(changes: str) -> str:
    return f"What would change this: {changes[:1].lower()}{changes[1:]}" if changes else ""


def _line(specimen: Specimen) -> str:
    parts = [specimen.kind, specimen.place, specimen.batch and f"batch {specimen.batch}"]
    parts += [specimen.supplier and f"from {specimen.supplier}"]
    if specimen.arrived_on:
        parts.append(f"arrived {words.day(specimen.arrived_on)}")
    if specimen.parent:
        parts.append(f"cut from {specimen.parent}")
    return " · ".join(part for part in parts if part)


def _state_line(specimen: Specimen) -> str:
    state = words.STATES.get(specimen.state, specimen.state)
    on = f" on {words.day(specimen.left_on)}" if specimen.left_on else ""
    return f"No longer on the tables: {state}{on}."
