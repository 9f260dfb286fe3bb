"""The details of a specimen's page: figures behind it, care, the table of photo readings."""

from collections.abc import Mapping, Sequence, Set
from datetime import date, tzinfo
from typing import TYPE_CHECKING

from polypward.care import history_words
from polypward.reasons import REASONS
from polypward.records import CareEvent, Reading, Specimen
from polypward_cli.course_words import told_recovery
from polypward_cli.report import words
from polypward_cli.report.views import EventView, FactsView, ReadingView

if TYPE_CHECKING:
    from polypward.course import Chart, Course, Score, Trend
    from polypward.course.settings import Lab
    from polypward_cli.edges import EdgeStep

__all__ = [
    "SURE_SDS",
    "event_view",
    "facts_of",
    "lab_words",
    "opening",
    "reading_rows",
    "visit_rows",
]

# Two-sided 90 % of a normal distribution: the same certainty as the interval of the recovery.
SURE_SDS = 1.645
# Of more steps of the edge the newest are shown.
MOST_EDGES = 8


def facts_of(
    specimen: Specimen, course: "Course", *, edges: "Sequence[EdgeStep]" = ()
) -> tuple[FactsView, ...]:
    """Return the figures behind the two numbers, in groups, each with its label."""
    groups = [_condition(course), *_covers(course), _colour(course)]
    groups += [_edge(edges), _parts(course), _smallest(course)]
    return (*(group for group in groups if group.facts or group.remarks), _stand(specimen, course))


def _condition(course: "Course") -> FactsView:
    score: Score = course.score
    facts = [
        ("Photo condition, one SD", words.figure(score.condition, sd=score.condition_sd)),
        ("Photo condition, 90 % interval", _ninety(score.condition, score.condition_sd)),
        ("At intake, as now known", words.figure(score.condition_intake)),
        ("Recovery since intake", words.sentence(told_recovery(course))),
        ("Slope", _slope(course.trends.get("condition"), 1.0, " points")),
    ]
    worth = (words.sentence(course.advice.worth),) if course.advice.worth else ()
    return FactsView(title="Condition and recovery", facts=tuple(facts), remarks=worth)


def _covers(course: "Course") -> list[FactsView]:
    """Return the figures of cover and area, for each view that has visits."""
    found = []
    for view in ("top", "side"):
        seen = [v for v in course.visits if v.view == view and v.live_cover is not None]
        if not seen:
            continue
        last, main = seen[-1], view == course.view
        chart = course.chart.get("cover" if main else f"cover {view}")
        facts = [
            ("Live cover, one SD", _share(last.live_cover, last.live_cover_sd)),
            ("Expected from", _limit(chart, "lower", 100, " %")),
            ("Baseline", _limit(chart, "baseline", 100, " %")),
            ("Bare skeleton", _share(last.bare_share)),
            ("Overgrown", _share(last.overgrown_share)),
            ("Live area", words.figure(last.live_mm2, sd=last.live_mm2_sd, unit=" mm²")),
        ]
        if main:
            change = words.signed(course.score.live_change_pct, unit=" %")
            facts.append(("Live area since the first visit", change))
        trend = course.trends.get("cover" if main else f"cover {view}")
        facts.append(("Slope of cover", _slope(trend, 100, " points")))
        title = "Cover, from the top" if view == "top" else "Cover, from the side"
        found.append(FactsView(title=title, facts=tuple(facts)))
    return found


def _colour(course: "Course") -> FactsView:
    seen = [v for v in course.visits if v.view == course.view and v.lab is not None]
    if not seen:
        return FactsView(title="Colour", facts=())
    last, reference, chart = seen[-1], course.reference, course.chart.get("paling")
    places, unit = (2, "") if chart is None or chart.unit == "index" else (1, " Lab")
    facts = [
        ("Lab of the live tissue (D50)", lab_words(last.lab, last.lab_sd)),
        ("Paling, one SD", words.figure(last.paling, 2, sd=last.paling_sd)),
        ("Expected up to", _limit(chart, "upper", 1, unit, places)),
        ("Shift beside the axis", words.figure(last.off_axis_lab, 1, unit=" Lab")),
        ("Colour reference", lab_words(reference.lab)),
        ("White end", lab_words(reference.white_lab)),
        ("Slope of paling", _slope(course.trends.get("paling"), 1.0, "", 3)),
    ]
    return FactsView(title="Colour", facts=tuple(facts))


def _edge(edges: "Sequence[EdgeStep]") -> FactsView:
    """Return how far the live edge moved between the last visits, as far as worked out."""
    facts = []
    for step in edges[-MOST_EDGES:]:
        span = f"{words.day(step.before)} to {words.day(step.after)}, {step.view}"
        rate = step.found.per_week(step.days)
        if rate is None:
            facts.append((span, f"n/a: {step.found.missing}"))
            continue
        way = "drew back" if rate[0] > 0 else "advanced"
        told = f"{way} {abs(rate[0]):.1f} ± {rate[1]:.1f} mm a week"
        facts.append((span, told if step.found.confirmed else f"{told}, not yet confirmed"))
    return FactsView(title="Live edge, on the skeleton", facts=tuple(facts))


def _parts(course: "Course") -> FactsView:
    """Return the trends before and after each change of care or light."""
    facts = []
    for part in course.trend_parts:
        began = f"after {part.began}" if part.began else "before"
        span = f"{words.day(part.since)} to {words.day(part.until)}"
        scale, unit, places = (100.0, " points", 1) if part.measure == "cover" else (1.0, "", 3)
        label = f"{part.measure.capitalize()}, {began} ({span})"
        facts.append((label, _slope(part.trend, scale, unit, places)))
    return FactsView(title="Before and after a change", facts=tuple(facts))


def _smallest(course: "Course") -> FactsView:
    """Return the smallest changes between two visits that are not noise, as far as known."""
    told = (
        ("cover", "Live cover", 100.0, 1, " points"),
        ("overgrown", "Overgrown", 100.0, 1, " points"),
        ("area", "Live area", 100.0, 0, " % of itself"),
        ("paling", "Paling", 1.0, 2, ""),
        ("colour", "Colour", 1.0, 1, " Lab"),
    )
    facts = tuple(
        (name, words.figure(scale * course.smallest_changes[key], places, unit=unit))
        for key, name, scale, places, unit in told
        if key in course.smallest_changes
    )
    wait = "Not known yet: the ward has too few repeat photos and runs of visits."
    return FactsView(
        title="Smallest change between two visits that is not noise",
        facts=facts,
        remarks=() if facts else (wait,),
    )


def _stand(specimen: Specimen, course: "Course") -> FactsView:
    facts = [
        ("Days with counted photos", str(course.score.visits)),
        ("First and last", _first_last(course.score)),
        ("Figures stand on", "photos from the top" if course.view == "top" else "side photos"),
    ]
    if specimen.water_system:
        facts.append(("Water system", specimen.water_system))
    return FactsView(title="What they stand on", facts=tuple(facts), remarks=tuple(course.notes))


def _ninety(value: float | None, sd: float | None) -> str:
    if value is None or sd is None:
        return "n/a"
    low, high = max(0.0, value - SURE_SDS * sd), min(100.0, value + SURE_SDS * sd)
    return f"{low:.0f} to {high:.0f}"


def _share(value: float | None, sd: float | None = None) -> str:
    return words.figure(
        None if value is None else 100 * value, 1, sd=None if sd is None else 100 * sd, unit=" %"
    )


def _slope(trend: "Trend | None", scale: float, unit: str, places: int = 1) -> str:
    if trend is None:
        return "n/a: fewer than three visits"
    rate, low, high = (
        words.signed(None if value is None else scale * value, places)
        for value in (trend.per_week, trend.low, trend.high)
    )
    return (
        f"{rate}{unit} a week (90\N{NO-BREAK SPACE}%: {low} to {high}; {trend.n} visits in "
        f"{trend.days} days, p\N{NO-BREAK SPACE}{trend.p:.2g})"
    )


def _limit(chart: "Chart | None", side: str, scale: float, unit: str, places: int = 1) -> str:
    """Return the newest limit or baseline of a chart, n/a before there is one."""
    values = () if chart is None else getattr(chart, side)
    known = [value for value in values if value is not None]
    return words.figure(scale * known[-1] if known else None, places, unit=unit)


def lab_words(lab: "Lab | None", sd: float | None = None) -> str:
    """Return a colour as text: "L* 45.0, a* 10.0, b* 20.0"; n/a if there is none."""
    if lab is None:
        return "n/a"
    told = ", ".join(
        f"{name}* {value:z.1f}".replace("-", "\N{MINUS SIGN}")
        for name, value in zip("Lab", lab, strict=True)
    )
    return told if sd is None else f"{told} (± {sd:.1f})"


def visit_rows(course: "Course") -> tuple[tuple[str, ...], ...]:
    """Return the cells of the table of visits: figures with their SDs and limits, colour, light."""
    limits = {view: _limits(course, view) for view in ("top", "side")}
    rows = []
    for visit in course.visits:
        least_cover, most_paling, places = limits[visit.view]
        remarks = (
            visit.lamp,
            "changed light" if visit.light_changed else "",
            "soon after handling" if visit.handled else "",
            visit.unlike,
            opening(visit.open),
        )
        rows.append(
            (
                words.day(visit.day),
                visit.view,
                words.figure(visit.condition, sd=visit.condition_sd),
                _share(visit.live_cover, visit.live_cover_sd),
                _share(least_cover.get(visit.day)),
                _share(visit.bare_share),
                _share(visit.overgrown_share),
                words.figure(visit.paling, 2, sd=visit.paling_sd),
                words.figure(most_paling.get(visit.day), places),
                lab_words(visit.lab, visit.lab_sd),
                ", ".join(filter(None, remarks)),
            )
        )
    return tuple(rows)


_ByDay = Mapping[date, float | None]


def _limits(course: "Course", view: str) -> tuple[_ByDay, _ByDay, int]:
    """Return the limits of cover and of paling in a view by day, and the decimals of the latter."""
    beside = "" if view == course.view else f" {view}"
    cover, paling = (course.chart.get(f"{name}{beside}") for name in ("cover", "paling"))
    return (
        {} if cover is None else dict(zip(cover.dates, cover.lower, strict=True)),
        {} if paling is None else dict(zip(paling.dates, paling.upper, strict=True)),
        2 if paling is None or paling.unit == "index" else 1,
    )


def _first_last(score: "Score") -> str:
    if score.first_seen is None or score.last_seen is None:
        return "n/a"
    return f"{words.day(score.first_seen)} to {words.day(score.last_seen)}"


def opening(state: str) -> str:
    """Return how far the polyps are out, in words; "" where nobody said."""
    return {"out": "polyps out", "half": "polyps half out", "in": "polyps in"}.get(state, "")


def event_view(event: CareEvent, zone: tzinfo) -> EventView:
    """Return a care event as a line, its time in `zone`."""
    said = history_words(event) + (f" ({event.by})" if event.by else "")
    return EventView(day=words.taken(event.at.astimezone(zone)), words=said)


def reading_rows(
    readings: Sequence[Reading], zone: tzinfo
) -> tuple[tuple[ReadingView, ...], tuple[str, ...]]:
    """Return readings as rows of the table, and the notes that all counted ones carry."""
    counted = [set(reading.reasons) for reading in readings if reading.status == "accepted"]
    shared = set.intersection(*counted) if len(counted) > 1 else set()
    rows = tuple(_reading_row(reading, zone, shared) for reading in readings)
    return rows, tuple(_means(code) for code in sorted(shared))


def _means(code: str) -> str:
    return REASONS[code].means if code in REASONS else code


def _reading_row(reading: Reading, zone: tzinfo, shared: Set[str]) -> ReadingView:
    accepted = reading.status == "accepted"
    notes = [_means(code) for code in reading.reasons if not accepted or code not in shared]
    if reading.detail and not accepted:
        notes.append(reading.detail)
    cover = None if reading.live_cover is None else 100 * reading.live_cover
    cover_sd = None if reading.live_cover_sd is None else 100 * reading.live_cover_sd
    return ReadingView(
        accepted=accepted,
        cells=(
            words.taken(reading.taken_at.astimezone(zone)) if reading.taken_at else "unknown",
            " ".join(part for part in (reading.view, reading.open) if part),
            "counted" if accepted else "not counted",
            words.figure(cover, 1, sd=cover_sd, unit=" %") if accepted else "",
            words.figure(reading.live_mm2, sd=reading.live_mm2_sd) if accepted else "",
            words.figure(reading.bare_mm2) if accepted else "",
            words.figure(reading.overgrown_mm2) if accepted else "",
            words.figure(reading.paling, 2, sd=reading.paling_sd) if accepted else "",
            "no card" if "no-card-scale" in reading.reasons else reading.colour_grade or "",
            " ".join(notes),
            reading.photo,
        ),
    )
