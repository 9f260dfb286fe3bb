"""The charts of one view: which figures of its visits are charted, and how they are shown."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import hypot, log
from typing import Final, Literal

from polypward.course.chart import ChartRun, Point, run_chart
from polypward.course.paling import Axis
from polypward.course.repeatability import PooledSd
from polypward.course.results import Chart, View, Visit
from polypward.course.scatter import DOUBT_UNSURE, series_scatter
from polypward.course.settings import CourseSettings
from polypward.records import CareEvent

__all__ = ["MEASURES", "Measure", "ViewCharts", "chart_view", "repeat_sd"]

Measure = Literal["cover", "overgrown", "paling"]
MEASURES: Final[tuple[Measure, ...]] = ("cover", "overgrown", "paling")
# Flag that a person acknowledges -> the chart whose baseline starts again.
_CHART_OF: Final[dict[str, Measure]] = {
    "recession": "cover",
    "sharp-loss": "cover",
    "overgrowth": "overgrown",
    "paling": "paling",
}
# Care after which the specimen is not the same body any more.
_NEW_BODY: Final = frozenset({"baseline", "split", "cut", "join"})
# Contraction is counted between these bounds of -ln(area / usual area).
_U_RANGE: Final = (-0.5, 1.5)
# An axis shorter than this has no direction worth charting.
_MIN_CHART_AXIS_LAB: Final = 8.0


@dataclass(frozen=True, slots=True)
class ViewCharts:
    """Chart runs of a view by measure, with what is needed to read them."""

    view: View
    visits: tuple[Visit, ...]
    runs: Mapping[Measure, ChartRun]
    charts: Mapping[Measure, Chart]
    axes: Mapping[int, Axis]  # by light period


def repeat_sd(
    measure: Measure,
    pooled: PooledSd | None,
    settings: CourseSettings,
    *,
    level: float | None = None,
) -> float:
    """SD of a visit's figure before it speaks for itself: the larger of pooled SD and floor.

    Parameters
    ----------
    measure : {"cover", "overgrown", "paling"}
        The measure.
    pooled : PooledSd or None
        Repeatability of the ward.
    settings : CourseSettings
        The floors.
    level : float, optional
        Live cover of the visit: the SD is then that of visits of like cover, where enough repeat.

    Returns
    -------
    float
        A share for cover and overgrown, Lab units along one direction for paling.
    """
    if measure == "cover":
        floor, pool = settings.cover_floor, pooled and pooled.cover_at(level)
    elif measure == "overgrown":
        floor, pool = settings.overgrown_floor, pooled and pooled.overgrown
    else:
        pool = pooled and pooled.lab
        floor = settings.lab_floor if pool is None else settings.lab_floor_known
    return max(floor, pool or 0.0)


def _u(visit: Visit) -> float:
    low, high = _U_RANGE
    return 0.0 if not visit.footprint else min(high, max(low, -log(visit.footprint)))


def _shares(
    visits: Sequence[Visit], measure: Measure, pooled: PooledSd | None, settings: CourseSettings
) -> list[Point]:
    known = (
        pooled is not None
        and (pooled.cover if measure == "cover" else pooled.overgrown) is not None
    )
    values = [visit.live_cover if measure == "cover" else visit.overgrown_share for visit in visits]
    base = [repeat_sd(measure, pooled, settings, level=visit.live_cover) for visit in visits]
    told = [visit.live_cover_sd for visit in visits]
    points = []
    scatter = series_scatter(values, told, base, known=known)
    for index, (visit, value, own) in enumerate(zip(visits, values, scatter, strict=True)):
        if value is None:
            continue
        x = -value if measure == "cover" else value
        sd = hypot(own.sd, settings.unlike_share_sd) if visit.unlike else own.sd
        doubtful = own.doubtful or (visit.unsure or 0.0) > DOUBT_UNSURE
        points.append(Point(index, visit.at, x, sd, _u(visit), doubtful))
    return points


def _colours(
    visits: Sequence[Visit],
    axes: Mapping[int, Axis],
    pooled: PooledSd | None,
    settings: CourseSettings,
) -> tuple[list[Point], list[datetime]]:
    """Points along the paling axis in Lab units, and where a new light or like state starts."""
    base = repeat_sd("paling", pooled, settings)
    told = [visit.lab_sd for visit in visits]
    known = pooled is not None and pooled.lab is not None
    # A series' own scatter says nothing of its colour here: contraction, which the chart takes
    # off, is in it. Most of a photo's own error of colour is its card's, the same in every photo.
    scatter = series_scatter([None] * len(told), told, [base] * len(told), known=known, share=0.0)
    points: list[Point] = []
    starts: list[datetime] = []
    period: tuple[int | None, int | None] = (None, None)
    for index, visit in enumerate(visits):
        axis = None if visit.light is None else axes.get(visit.light)
        if visit.lab is None or axis is None or visit.handled or visit.like is None:
            continue
        if axis.length_lab < _MIN_CHART_AXIS_LAB:
            continue
        if (visit.light, visit.like) != period:
            starts.append(visit.at)
            period = (visit.light, visit.like)
        shift, factor = axis.lean(visit.lab)
        sd = factor * scatter[index].sd
        points.append(Point(index, visit.at, shift, sd, _u(visit)))
    return points, starts


def _shown(
    measure: Measure,
    view: View,
    visits: Sequence[Visit],
    run: ChartRun,
    axes: Mapping[int, Axis],
    *,
    index: bool,
) -> Chart:
    """Turn a run back into the measure's own direction and unit."""
    rows = {row.point.index: row for row in run.rows}
    sign = -1.0 if measure == "cover" else 1.0
    indexed = index and measure == "paling"
    columns: dict[str, list[float | None]] = {
        key: [] for key in ("value", "sd", "ewma", "lower", "upper", "baseline")
    }
    out = []
    baseline_on = []
    for position, visit in enumerate(visits):
        row = rows.get(position)
        axis = None if visit.light is None else axes.get(visit.light)
        scale = sign / axis.length_lab if indexed and axis is not None else sign
        if measure == "cover":
            value = visit.live_cover
        elif measure == "overgrown":
            value = visit.overgrown_share
        elif indexed:
            value = visit.paling_raw
        else:
            value = None if row is None else row.point.x
        columns["value"].append(value)
        out.append(row is not None and row.out)
        baseline_on.append(None if row is None else row.baseline_last.at)
        if row is None:
            for key in ("sd", "ewma", "lower", "upper", "baseline"):
                columns[key].append(None)
            continue
        columns["sd"].append(abs(scale) * row.point.sd)
        columns["ewma"].append(scale * row.ewma)
        columns["baseline"].append(scale * row.baseline)
        width = row.half_width
        centre = scale * row.baseline
        columns["lower"].append(None if width is None else centre - abs(scale) * width)
        columns["upper"].append(None if width is None else centre + abs(scale) * width)
    day_of = {visit.at: visit.day for visit in visits}
    return Chart(
        measure=measure,
        view=view,
        unit="share" if measure != "paling" else "index" if index else "Lab",
        bad="low" if measure == "cover" else "high",
        dates=tuple(visit.day for visit in visits),
        value=tuple(columns["value"]),
        sd=tuple(columns["sd"]),
        ewma=tuple(columns["ewma"]),
        lower=tuple(columns["lower"]),
        upper=tuple(columns["upper"]),
        baseline=tuple(columns["baseline"]),
        out=tuple(out),
        baseline_on=tuple(None if at is None else day_of[at] for at in baseline_on),
    )


def chart_view(
    view: View,
    visits: Sequence[Visit],
    axes: Mapping[int, Axis],
    *,
    index: bool,
    care: Sequence[CareEvent],
    pooled: PooledSd | None,
    settings: CourseSettings,
) -> ViewCharts:
    """Chart cover, overgrown share and colour of one view.

    Parameters
    ----------
    view : {"top", "side"}
        The view.
    visits : sequence of Visit
        Its visits with light periods, in the order of days.
    axes : mapping of light period to Axis
        The paling axes.
    index : bool
        Whether colour is shown as index (else in Lab units, where the ends are too close).
    care : sequence of CareEvent
        Of this specimen: baselines, cuts, splits, moves, acknowledgements.
    pooled : PooledSd or None
        Repeatability of the ward.
    settings : CourseSettings
        Limits and floors.

    Returns
    -------
    ViewCharts
    """
    restarts = [event.at for event in care if event.what in _NEW_BODY]
    moved = [event.at for event in care if event.what == "move"]
    seen: dict[Measure, list[datetime]] = {measure: [] for measure in MEASURES}
    for event in care:
        if event.what == "acknowledge":
            named = event.detail.get("flag", "")
            for measure in MEASURES:
                if not named or _CHART_OF.get(named) == measure:
                    seen[measure].append(event.at)
    runs: dict[Measure, ChartRun] = {}
    share_measures: tuple[Measure, Measure] = ("cover", "overgrown")
    for measure in share_measures:
        runs[measure] = run_chart(
            _shares(visits, measure, pooled, settings),
            settings=settings,
            slope_sd=settings.share_per_contraction_sd,
            restarts=restarts,
            moved=moved,
            acknowledged=seen[measure],
        )
    points, starts = _colours(visits, axes, pooled, settings)
    runs["paling"] = run_chart(
        points,
        settings=replace(
            settings,
            limit_sds=settings.colour_limit_sds,
            single_sds=settings.colour_single_sds,
        ),
        slope_mean=settings.pale_per_contraction_lab,
        slope_sd=settings.pale_per_contraction_sd_lab,
        hold_contracted=True,
        restarts=restarts + starts[1:],
        moved=moved,
        acknowledged=seen["paling"],
    )
    charts = {
        measure: _shown(measure, view, visits, run, axes, index=index)
        for measure, run in runs.items()
    }
    return ViewCharts(view, tuple(visits), runs, charts, axes)
