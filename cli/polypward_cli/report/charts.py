"""Charts as inline SVG: a date axis, dots, an expected range, flag and care marks.

Drawn here and not by a chart library because a report holds four charts a specimen. For one of
four series and 30 dates pygal 3.1.3 took 46 ms and 52 kB, matplotlib 113 ms and 23 kB, this module
1.4 ms and 6 kB on the same machine: for 2 000 specimens six minutes, a quarter of an hour, 11 s.
Neither follows the page into dark mode, or draws limits on one side.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from markupsafe import Markup, escape

__all__ = [
    "BOTTOM",
    "HEIGHT",
    "LEFT",
    "RIGHT",
    "TOP",
    "WIDTH",
    "Chart",
    "Mark",
    "Point",
    "chart_svg",
    "date_axis",
    "date_labels",
    "opening_tags",
    "x_scale",
]

WIDTH, HEIGHT = 360, 176
LEFT, RIGHT, TOP, BOTTOM = 46, 14, 20, 26
# The first and the last visit stand clear of the axis' ends.
INSET = 8
MAX_DATE_LABELS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One visit on a chart: the value, its SD or smoothed value and limits, its baseline.

    `out` marks a value beyond the limits; a `hollow` one is only a bound (a test that found none).
    """

    day: date
    value: float | None
    sd: float | None = None
    smooth: float | None = None
    low: float | None = None
    high: float | None = None
    base: float | None = None
    out: bool = False
    hollow: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Something that happened on a day; `flag` marks are drawn on top, care marks at the axis."""

    day: date
    text: str
    flag: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """All that one chart shows; values in the unit of the axis, `top` > `bottom`.

    `limits` says which of the points' limits are drawn as lines.
    """

    key: str
    title: str
    summary: str
    unit: str
    points: tuple[Point, ...]
    marks: tuple[Mark, ...] = ()
    decimals: int = 0
    bottom: float = 0.0
    top: float = 100.0
    limits: tuple[Literal["low", "high"], ...] = ()


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
    parts = [opening_tags(chart.key, chart.title, chart.summary, height=HEIGHT)]
    parts += _axes(chart, scale)
    parts += _band(chart.points, scale)
    parts += [
        _line("limit", [(p.day, p.low if side == "low" else p.high) for p in chart.points], scale)
        for side in chart.limits
    ]
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
    unit = escape(chart.unit)
    parts += [_dot(p, chart, scale, unit) for p in chart.points if p.value is not None]
    parts.append("</svg>")
    return Markup("".join(parts))  # every piece of text above was escaped


def opening_tags(key: str, title: str, summary: str, *, height: int) -> str:
    """Return the start of a chart's ``<svg>``, with its title and description as text for all."""
    return (
        f'<svg class="chart" viewBox="0 0 {WIDTH} {height}" role="img" '
        f'aria-labelledby="{escape(key)}-t {escape(key)}-d">'
        f'<title id="{escape(key)}-t">{escape(title)}</title>'
        f'<desc id="{escape(key)}-d">{escape(summary)}</desc>'
    )


def _dot(point: Point, chart: Chart, scale: "_Scale", unit: str) -> str:
    assert point.value is not None
    said = f"{point.day}: {point.value:.{chart.decimals}f}{unit}"
    x, y = scale.x(point.day), scale.y(point.value)
    if point.out:  # told by its form too: a square, larger
        said += ", beyond the limit"
        corner = f"M{x - 3.7:.1f} {y - 3.7:.1f}"
        return f'<path class="dot out" d="{corner}h7.4v7.4h-7.4z"><title>{said}</title></path>'
    kind = "dot hollow" if point.hollow else "dot"
    said = said.replace(": ", ": under ", 1) if point.hollow else said
    return f'<circle class="{kind}" cx="{x}" cy="{y}" r="3"><title>{said}</title></circle>'


def x_scale(day: date, *, first: date, last: date) -> float:
    """Return where a day stands on a date axis from `first` to `last`, px, to a tenth."""
    span = (last - first).days
    start = first.toordinal() - (0 if span else 3)
    room = WIDTH - LEFT - RIGHT - 2 * INSET
    return round(LEFT + INSET + (day.toordinal() - start) * room / (span or 6), 1)


def date_axis(first: date, last: date, *, height: int) -> list[str]:
    """Return the days under a date axis as text of an SVG picture of this height."""
    parts = []
    labels = date_labels(first, last)
    for number, day in enumerate(labels):
        anchor = "middle"
        if len(labels) > 1:
            anchor = {0: "start", len(labels) - 1: "end"}.get(number, "middle")
        x = x_scale(day, first=first, last=last)
        x += {"start": -INSET, "end": INSET}.get(anchor, 0)
        parts.append(
            f'<text class="day" text-anchor="{anchor}" x="{x:.1f}" y="{height - 8}">'
            f"{day.day} {day:%b}</text>"
        )
    return parts


class _Scale:
    """From a day and a value to a place on the picture, rounded to a tenth."""

    def __init__(self, *, first: date, last: date, bottom: float, top: float) -> None:
        self.first, self.last = first, last
        self._bottom = bottom
        self._per_unit = (HEIGHT - TOP - BOTTOM) / (top - bottom)
        self._top = top
        self._known: dict[date, float] = {}  # eight series share their days

    def x(self, day: date) -> float:
        found = self._known.get(day)
        if found is None:
            found = self._known[day] = x_scale(day, first=self.first, last=self.last)
        return found

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
            f'<text class="num" x="{LEFT - 6}" y="{y + 4:.1f}">{said}</text>'
        )
    return parts + date_axis(scale.first, scale.last, height=HEIGHT)


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
