"""Charts as inline SVG: a date axis, dots, an expected range, flag and care marks.

Drawn here and not by a chart library because a report holds three charts a specimen: pygal 3.1.3
took 15 ms and wrote 50 kB for one of four series and 30 dates, 90 s and 300 MB for a ward of
2 000 specimens; it has no band between two limits on a date axis either.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from markupsafe import Markup, escape

__all__ = ["LEFT", "RIGHT", "WIDTH", "Chart", "Mark", "Point", "chart_svg", "date_labels"]

WIDTH, HEIGHT = 360, 172
LEFT, RIGHT, TOP, BOTTOM = 40, 10, 20, 26
MAX_DATE_LABELS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One visit on a chart: the value, its SD or smoothed value and limits, its baseline."""

    day: date
    value: float | None
    sd: float | None = None
    smooth: float | None = None
    low: float | None = None
    high: float | None = None
    base: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Something that happened on a day; `flag` marks are drawn on top, care marks at the axis."""

    day: date
    text: str
    flag: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """All that one chart shows; values in the unit of the axis, `top` > `bottom`."""

    key: str
    title: str
    summary: str
    unit: str
    points: tuple[Point, ...]
    marks: tuple[Mark, ...] = ()
    decimals: int = 0
    bottom: float = 0.0
    top: float = 100.0


def chart_svg(chart: Chart, *, first: date, last: date) -> Markup:
    """Draw `chart` from `first` to `last` as an ``<svg>`` element for an HTML page.

    Colours come from the page's style sheet through class names, so that a chart follows the
    page into dark mode and print.

    Parameters
    ----------
    chart : Chart
    first, last : date
        Ends of the date axis; equal ends are widened by three days on both sides.

    Returns
    -------
    Markup
        One element without XML declaration, name space or any address; user text is escaped.
    """
    scale = _Scale(first=first, last=last, bottom=chart.bottom, top=chart.top)
    parts = [
        f'<svg class="chart" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-labelledby="{escape(chart.key)}-t {escape(chart.key)}-d">'
        f'<title id="{escape(chart.key)}-t">{escape(chart.title)}</title>'
        f'<desc id="{escape(chart.key)}-d">{escape(chart.summary)}</desc>'
    ]
    parts += _axes(chart, scale)
    parts += _band(chart.points, scale)
    parts.append(_line("base", [(p.day, p.base) for p in chart.points], scale))
    parts += _marks(chart.marks, scale)
    parts.append(_line("smooth", [(p.day, p.smooth) for p in chart.points], scale))
    parts.append(_line("line", [(p.day, p.value) for p in chart.points], scale))
    parts += [
        f'<path class="sd" d="M{scale.x(p.day)} {scale.y(p.value - p.sd)}'
        f'V{scale.y(p.value + p.sd)}"/>'
        for p in chart.points
        if p.value is not None and p.sd is not None
    ]
    parts += [
        f'<circle class="dot" cx="{scale.x(p.day)}" cy="{scale.y(p.value)}" r="3">'
        f"<title>{p.day}: {p.value:.{chart.decimals}f}{escape(chart.unit)}</title></circle>"
        for p in chart.points
        if p.value is not None
    ]
    parts.append("</svg>")
    return Markup("".join(parts))  # every piece of text above was escaped


class _Scale:
    """From a day and a value to a place on the picture, rounded to a tenth."""

    def __init__(self, *, first: date, last: date, bottom: float, top: float) -> None:
        span = (last - first).days
        self.first, self.last = first, last
        self._start = first.toordinal() - (0 if span else 3)
        self._per_day = (WIDTH - LEFT - RIGHT) / (span or 6)
        self._bottom = bottom
        self._per_unit = (HEIGHT - TOP - BOTTOM) / (top - bottom)
        self._top = top

    def x(self, day: date) -> float:
        return round(LEFT + (day.toordinal() - self._start) * self._per_day, 1)

    def y(self, value: float) -> float:
        value = min(max(value, self._bottom), self._top)
        return round(HEIGHT - BOTTOM - (value - self._bottom) * self._per_unit, 1)


def _axes(chart: Chart, scale: _Scale) -> list[str]:
    parts = []
    middle = (chart.bottom + chart.top) / 2
    for value in (chart.bottom, middle, chart.top):
        y, said = scale.y(value), f"{value:.{chart.decimals}f}{escape(chart.unit)}"
        parts.append(
            f'<path class="grid" d="M{LEFT} {y}H{WIDTH - RIGHT}"/>'
            f'<text class="num" x="{LEFT - 6}" y="{y + 4}">{said}</text>'
        )
    labels = date_labels(scale.first, scale.last)
    for number, day in enumerate(labels):
        anchor = "start" if number == 0 and len(labels) > 1 else "middle"
        if number == len(labels) - 1 and len(labels) > 1:
            anchor = "end"
        parts.append(
            f'<text class="day" text-anchor="{anchor}" x="{scale.x(day)}" y="{HEIGHT - 8}">'
            f"{day.day} {day:%b}</text>"
        )
    return parts


def date_labels(first: date, last: date) -> list[date]:
    """Return the days that are written under an axis from `first` to `last`, a few at most."""
    span = (last - first).days
    count = min(MAX_DATE_LABELS, span + 1)
    if count < 2:
        return [first]
    days = [round(span * number / (count - 1)) for number in range(count)]
    return [date.fromordinal(first.toordinal() + day) for day in days]


def _band(points: Sequence[Point], scale: _Scale) -> list[str]:
    """One area for each run of visits that have limits; an open side runs to the axis' end."""
    areas: list[str] = []
    run: list[Point] = []
    for point in [*points, None]:
        if point is not None and (point.low is not None or point.high is not None):
            run.append(point)
            continue
        if len(run) > 1:
            upper = [f"{scale.x(p.day)} {scale.y(_or(p.high, float('inf')))}" for p in run]
            lower = [f"{scale.x(p.day)} {scale.y(_or(p.low, float('-inf')))}" for p in run]
            areas.append(f'<path class="band" d="M{"L".join(upper + lower[::-1])}Z"/>')
        run = []
    return areas


def _marks(marks: Sequence[Mark], scale: _Scale) -> list[str]:
    parts = []
    for mark in marks:
        x = scale.x(mark.day)
        if mark.flag:  # a pennant above the plot
            parts.append(
                f'<g class="flagmark"><title>{mark.day}: {escape(mark.text)}</title>'
                f'<path class="stem" d="M{x} {TOP - 15}V{HEIGHT - BOTTOM}"/>'
                f'<path class="cloth" d="M{x} {TOP - 16}l9 4.5l-9 4.5z"/></g>'
            )
        else:  # a lozenge on the date axis
            parts.append(
                f'<g class="caremark"><title>{mark.day}: {escape(mark.text)}</title>'
                f'<path d="M{x} {HEIGHT - BOTTOM - 5}l5 5l-5 5l-5 -5z"/></g>'
            )
    return parts


def _line(name: str, values: Sequence[tuple[date, float | None]], scale: _Scale) -> str:
    """Draw a line through the values that are there; a visit without a value breaks it."""
    steps, pen = [], "M"
    for day, value in values:
        if value is None:
            pen = "M"
            continue
        steps.append(f"{pen}{scale.x(day)} {scale.y(value)}")
        pen = "L"
    return f'<path class="{name}" d="{"".join(steps)}"/>' if steps else ""


def _or(value: float | None, other: float) -> float:
    return other if value is None else value
