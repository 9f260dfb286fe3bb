"""The chart of a value in time: dots, an expected range, limits, flag and care marks."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final, Literal

from polypward_cli.report.drawing import (
    AS_IT_IS,
    BOTTOM,
    HEIGHT,
    TOP,
    Drawing,
    clean,
    date_scale,
    date_texts,
    grid,
    mark,
    number_scale,
    scaled,
    texts,
)

__all__ = ["Chart", "Mark", "Point", "drawing_of"]

_LINES: Final = ("value", "smooth", "low", "high", "base")
_PENNANT: Final = "M0 0l9 4.5l-9 4.5z"
# Sizes of Vega's symbols are areas of their box, px2: a dot of 6 px, a square of 7.4, a lozenge.
_DOT, _SQUARE, _LOZENGE = 36, 54.76, 100


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


def drawing_of(chart: Chart, *, first: date, last: date) -> Drawing:
    """Return `chart` as it is drawn from `first` to `last`.

    A value beyond the limits is told by its form too, a square and larger.

    Parameters
    ----------
    chart : Chart
    first, last : date
        Ends of the date axis; equal ends are widened by three days on both sides.
    """
    floor = HEIGHT - BOTTOM
    levels = (chart.bottom, (chart.bottom + chart.top) / 2, chart.top)
    x, value = scaled("x", "day"), scaled("y", "value")
    data: dict[str, Sequence[Mapping[str, Any]]] = {
        "levels": [{"value": v, "text": f"{v:.{chart.decimals}f}{chart.unit}"} for v in levels],
        "days": date_texts(first, last),
        "points": _rows(chart),
        "care": _marks(chart.marks, flag=False),
        "flags": _marks(chart.marks, flag=True),
        "sds": [
            {"day": p.day.toordinal(), "low": p.value - p.sd, "high": p.value + p.sd}
            for p in chart.points
            if p.value is not None and p.sd is not None
        ],
    } | _dots(chart)
    marks = [
        *grid("levels", value),
        texts("day", "days", x="x", y=HEIGHT - 8, align="align"),
        *_band(chart.points),
        *(_line("limit", side, chart.points) for side in chart.limits),
        _line("base", "base", chart.points),
        mark("rule", "stem", "flags", x=x, y=TOP - 15, y2=floor),
        _shapes("cloth", "flags", x, TOP - 16, size=AS_IT_IS, shape=_PENNANT),
        _shapes("caremark", "care", x, floor, size=_LOZENGE, shape="diamond"),
        _line("smooth", "smooth", chart.points),
        _line("line", "value", chart.points),
        mark("rule", "sd", "sds", x=x, y=scaled("y", "low"), y2=scaled("y", "high")),
        _shapes("dot", "dot", x, value, size=_DOT),
        _shapes("dot hollow", "hollow", x, value, size=_DOT),
        _shapes("dot out", "out", x, value, size=_SQUARE, shape="square"),
    ]
    return Drawing(
        key=chart.key,
        title=chart.title,
        summary=chart.summary,
        data={name: rows for name, rows in data.items() if rows},
        scales=(
            date_scale(first, last),
            number_scale("y", (chart.bottom, chart.top), (floor, TOP)),
        ),
        marks=[one for one in marks if one and data[one["from"]["data"]]],
    )


def _shapes(role: str, data: str, x: Any, y: Any, *, size: float, shape: str = "") -> Any:
    form = {"shape": {"value": shape}} if shape else {}
    return mark("symbol", role, data, x=x, y=y, size=size, description="text", **form)


def _rows(chart: Chart) -> list[dict[str, Any]]:
    """Return the visits as rows; an open side of the expected range runs to the axis' end."""
    points = chart.points
    rows: list[dict[str, Any]] = [{"day": point.day.toordinal()} for point in points]
    for name in _LINES:
        values = [getattr(point, name) for point in points]
        gaps = None in values
        for row, value in zip(rows, values, strict=True):
            if value is not None:
                row[name] = value
            if gaps:
                row[f"has_{name}"] = value is not None
    for row in rows:
        row["has_range"] = "low" in row or "high" in row
        row["from"], row["to"] = row.get("low", chart.bottom), row.get("high", chart.top)
    return rows


def _line(role: str, name: str, points: Sequence[Point]) -> Any:
    """Return a line through the values that are there; a visit without a value breaks it."""
    known = [getattr(point, name) is not None for point in points]
    if not any(known):
        return None
    gaps = {} if all(known) else {"defined": f"has_{name}"}
    return mark("line", role, "points", x=scaled("x", "day"), y=scaled("y", name), **gaps)


def _band(points: Sequence[Point]) -> list[Any]:
    """Return an area for each run of visits that have limits."""
    if all(point.low is None and point.high is None for point in points):
        return []
    ends: dict[str, Any] = {
        "y": scaled("y", "from"),
        "y2": scaled("y", "to"),
        "defined": "has_range",
    }
    return [mark("area", "band", "points", x=scaled("x", "day"), **ends)]


def _dots(chart: Chart) -> dict[str, list[dict[str, Any]]]:
    dots: dict[str, list[dict[str, Any]]] = {"dot": [], "hollow": [], "out": []}
    for point in chart.points:
        if point.value is None:
            continue
        said = f"{point.day}: {'under ' if point.hollow and not point.out else ''}"
        said += f"{point.value:.{chart.decimals}f}{chart.unit}"
        said += ", beyond the limit" if point.out else ""
        kind = "out" if point.out else "hollow" if point.hollow else "dot"
        row = {"day": point.day.toordinal(), "value": point.value, "text": clean(said)}
        dots[kind].append(row)
    return dots


def _marks(marks: Sequence[Mark], *, flag: bool) -> list[dict[str, Any]]:
    return [
        {"day": one.day.toordinal(), "text": clean(f"{one.day}: {one.text}")}
        for one in marks
        if one.flag == flag
    ]
