"""From a course to the charts of a specimen's page: cover, colour, photo condition, care, food."""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta, tzinfo
from typing import TYPE_CHECKING

from polypward.care import mark_of
from polypward.records import CareEvent
from polypward_cli.report import words
from polypward_cli.report.care_chart import care_chart
from polypward_cli.report.charts import Chart, Mark, Point, drawing_of
from polypward_cli.report.drawing import Drawing
from polypward_cli.report.food_chart import food_chart

if TYPE_CHECKING:
    from polypward.course import Chart as Course_Chart
    from polypward.course import Course

__all__ = ["care_of", "charts_of"]

# An axis has so many steps in all and shows at least so many: noise must not look like news.
STEPS = 20
# Care of so many days before the first and after the last visit still stands on the axis.
NEAR_DAYS = 14
LEAST_STEPS = 6
COVER_FLAGS = ("recession", "sharp-loss")


def care_of(
    name: str, care: Sequence[CareEvent], doses: Mapping[str, Sequence[CareEvent]]
) -> list[CareEvent]:
    """Return a specimen's care with the doses of its water, in the order of time."""
    return sorted([*care, *doses.get(name, ())], key=lambda event: event.at)


def charts_of(course: "Course", *, care: Sequence[CareEvent], zone: tzinfo) -> tuple[Drawing, ...]:
    """Return the charts that a course has figures for, on one common date axis."""
    days = [visit.day for visit in course.visits]
    near = timedelta(days=NEAR_DAYS)
    done_on = [event.at.astimezone(zone).date() for event in care]
    if days:
        done_on = [day for day in done_on if min(days) - near <= day <= max(days) + near]
    if not days and not done_on:
        return ()
    first, last = min(days + done_on), max(days + done_on)
    lanes = [care_chart(care, zone, first=first, last=last)]
    lanes.append(food_chart(care, zone, first=first, last=last))
    done = tuple(_care_marks(care, zone, first, last))
    drawn = [_cover(course, done), *_sides(course, done), _overgrown(course, done)]
    drawn += [_colour(course, done), _condition(course, done)]
    values = [drawing_of(one, first=first, last=last) for one in drawn if one is not None]
    return (*values, *(lane for lane in lanes if lane is not None))


def _cover(course: "Course", done: tuple[Mark, ...]) -> Chart | None:
    return _share(course, "cover", "Live cover", done, flags=COVER_FLAGS)


def _sides(course: "Course", done: tuple[Mark, ...]) -> list[Chart]:
    """Return the cover from the other view, where there is one."""
    other = "side" if course.view == "top" else "top"
    title = "Live cover, side photos" if other == "side" else "Live cover, from the top"
    chart = _share(course, f"cover {other}", title, done, flags=COVER_FLAGS)
    return [] if chart is None else [chart]


def _overgrown(course: "Course", done: tuple[Mark, ...]) -> Chart | None:
    """Return the overgrown share, once there is any worth a chart."""
    chart = course.chart.get("overgrown")
    if chart is None or not any(value is not None and value >= 0.01 for value in chart.value):
        return None
    return _share(course, "overgrown", "Overgrown share", done, flags=("overgrowth",))


def _share(
    course: "Course", key: str, title: str, done: tuple[Mark, ...], *, flags: Sequence[str]
) -> Chart | None:
    chart = course.chart.get(key)
    if chart is None or all(value is None for value in chart.value):
        return None
    marks = done + tuple(_flag_marks(course, flags, chart.view))
    return _drawn(key.replace(" ", "-"), title, chart, marks, times=100, unit=" %", full=100)


def _colour(course: "Course", done: tuple[Mark, ...]) -> Chart | None:
    chart = course.chart.get("paling")
    if chart is None or all(value is None for value in chart.value):
        return None
    marks = done + tuple(_flag_marks(course, ("paling",), chart.view))
    if chart.unit == "index":
        title = "Colour: paling, 0 to 1 (skeleton white)"
        return _drawn("paling", title, chart, marks, times=1, unit="", full=1, decimals=2)
    title = "Colour: shift in Lab units (no paling index)"
    return _drawn("paling", title, chart, marks, times=1, unit="", full=None, decimals=1)


def _condition(course: "Course", done: tuple[Mark, ...]) -> Chart | None:
    visits = [v for v in course.visits if v.view == course.view and v.condition is not None]
    if not visits:
        return None
    points = tuple(Point(day=v.day, value=v.condition, sd=v.condition_sd) for v in visits)
    bottom, top = _range([v.condition for v in visits], full=100)
    return Chart(
        key="condition",
        title="Photo condition, with one SD",
        summary=_summary(points, "", 0),
        unit="",
        points=points,
        marks=done + tuple(_flag_marks(course, ("stalled",), course.view)),
        bottom=bottom,
        top=top,
    )


def _drawn(
    key: str,
    title: str,
    chart: "Course_Chart",
    marks: tuple[Mark, ...],
    *,
    times: float,
    unit: str,
    full: float | None,
    decimals: int = 0,
) -> Chart:
    def scaled(value: float | None) -> float | None:
        return None if value is None else times * value

    # Of the two limits only the one that raises the flag says anything to a keeper.
    points = tuple(
        Point(
            day=day,
            value=scaled(chart.value[n]),
            smooth=scaled(chart.ewma[n]),
            low=scaled(chart.lower[n]),
            high=scaled(chart.upper[n]),
            base=scaled(chart.baseline[n]),
            out=chart.out[n],
        )
        for n, day in enumerate(chart.dates)
    )
    shown = [value for p in points for value in (p.value, p.smooth, p.base)]
    shown += [p.low if chart.bad == "low" else p.high for p in points]
    bottom, top = _range(shown, full=full)
    return Chart(
        key=key,
        title=title,
        summary=_summary(points, unit, decimals),
        unit=unit,
        decimals=decimals,
        points=points,
        marks=marks,
        bottom=bottom,
        top=top,
        limits=(chart.bad,),
    )


def _range(values: Iterable[float | None], *, full: float | None) -> tuple[float, float]:
    """Round ends that hold all values and have a round middle; 0 to `full` where given."""
    known = [value for value in values if value is not None]
    low, high = min(known, default=0.0), max(known, default=1.0)
    step = (full if full is not None else max(10.0, high - low)) / STEPS
    below, above = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    wanted = max(LEAST_STEPS, above - below)
    wanted += wanted % 2
    lacking = wanted - (above - below)
    below, above = below - lacking // 2, above + lacking - lacking // 2
    if full is not None:
        shift = max(0, -below) - max(0, above - STEPS)
        below, above = max(0, below + shift), min(STEPS, above + shift)
    return round(below * step, 6), round(above * step, 6)


def _summary(points: Sequence[Point], unit: str, decimals: int) -> str:
    known = [(p.day, p.value) for p in points if p.value is not None]
    if not known:
        return "No value yet."
    (first, start), (last, end) = known[0], known[-1]
    if len(known) == 1:
        return f"{start:.{decimals}f}{unit} on {words.day(first)}."
    return (
        f"From {start:.{decimals}f}{unit} on {words.day(first)} "
        f"to {end:.{decimals}f}{unit} on {words.day(last)}, {len(known)} visits."
    )


def _flag_marks(course: "Course", names: Sequence[str], view: str) -> list[Mark]:
    return [
        Mark(day=flag.raised_on, text=words.FLAGS.get(flag.name, flag.name), flag=True)
        for flag in course.flags
        if flag.name in names and flag.view == view
    ]


def _care_marks(care: Sequence[CareEvent], zone: tzinfo, first: date, last: date) -> Iterable[Mark]:
    by_day: dict[date, list[str]] = defaultdict(list)
    for event in care:
        day = event.at.astimezone(zone).date()
        words_of_mark = mark_of(event)
        if first <= day <= last and words_of_mark:
            by_day[day].append(words_of_mark)
    for day, done in sorted(by_day.items()):
        yield Mark(day=day, text=", ".join(dict.fromkeys(done)), flag=False)
