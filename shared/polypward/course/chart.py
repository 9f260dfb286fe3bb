"""The control chart: an EWMA against the specimen's own baseline, one measure, one view.

The statistic is a weighted sum of visits, so its variance is exact for any spacing of visits, any
SD of each visit, and any number of baseline visits: with EWMA weights w over the visits after the
baseline and W their sum, D = sum(w x) - W mean(baseline) has the variance
sum(w² s²) + W² sum(s²)/n².
For a long baseline and evenly spaced visits this is the chart of Roberts (1959) with its
time-varying limits. A specimen looks different when it contracts; that shift per contraction is
learnt from the specimen's earlier visits (a Gaussian prior and the differences between visits) and
what remains unknown of it widens the limits. Beside the EWMA a single visit far out counts too
(a combined Shewhart-EWMA chart: Lucas & Saccucci 1990, Technometrics 32:1-12).
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, NamedTuple

from polypward.course.settings import CourseSettings

__all__ = ["ChartRun", "Episode", "Point", "Row", "ewma", "run_chart"]

# A visit joins a growing baseline when it and the chart lie within this many SDs.
_JOIN_SDS: Final = 2.0
_WEEK_DAYS: Final = 7.0
# Photos on consecutive days still count, and a long gap does not wipe out all memory.
_LAMBDA_RANGE: Final = (0.25, 0.8)


@dataclass(frozen=True, slots=True)
class Point:
    """One visit on a chart: `x` rises when things get worse, `u` = -ln(area / usual area).

    A visit in doubt that goes beyond the limit waits for a second one, unless the visit before it
    says so too.
    """

    index: int  # of the visit
    at: datetime
    x: float
    sd: float
    u: float = 0.0
    doubtful: bool = False  # its photos are unsure, or in more doubt than is usual for the specimen


@dataclass(frozen=True, slots=True)
class Row:
    """The chart at one visit, in the direction of `Point.x`."""

    point: Point
    baseline: float
    ewma: float
    half_width: float | None  # None: the first visit of a baseline
    out: bool
    baseline_last: Point
    expected_shift: float  # what contraction explains of the visit
    leans: bool = False  # by itself worse than the baseline by over one SD


@dataclass(slots=True)
class Episode:
    """From the visit that crossed the limit to the clearing."""

    raised: int  # position in the rows
    cleared: int | None = None
    cleared_at: datetime | None = None
    by_person: bool = False


@dataclass(frozen=True, slots=True)
class ChartRun:
    """All rows of a chart and its episodes beyond the limit."""

    rows: tuple[Row, ...]
    episodes: tuple[Episode, ...]


def ewma(values: Sequence[float], *, start: float, weight: float) -> list[float]:
    """Exponentially weighted moving average z_t = weight x_t + (1 - weight) z_(t-1).

    Parameters
    ----------
    values : sequence of float
        In the order of time, evenly spaced.
    start : float
        z_0, the target.
    weight : float
        0..1.

    Returns
    -------
    list of float
        z_1 ...

    References
    ----------
    Roberts SW (1959). Technometrics 1:239-250.
    """
    result, z = [], start
    for value in values:
        z = weight * value + (1 - weight) * z
        result.append(z)
    return result


class _Sums(NamedTuple):
    """Weighted sums over the visits after the baseline: x, weights, variance, u."""

    x: float = 0.0
    weight: float = 0.0
    var: float = 0.0
    u: float = 0.0

    def plus(self, point: Point, weight: float) -> "_Sums":
        keep = 1 - weight
        return _Sums(
            keep * self.x + weight * point.x,
            keep * self.weight + weight,
            keep**2 * self.var + weight**2 * point.sd**2,
            keep * self.u + weight * point.u,
        )


@dataclass(frozen=True, slots=True)
class _Mean:
    """Mean of the baseline, its variance, and its mean u."""

    x: float
    var: float
    u: float


@dataclass(slots=True)
class _State:
    base: list[Point] = field(default_factory=list)
    mean: _Mean = field(default_factory=lambda: _Mean(0.0, 0.0, 0.0))
    worse: _Sums = field(default_factory=_Sums)  # starts again on the good side
    both: _Sums = field(default_factory=_Sums)
    better: int = 0

    def restart(self, points: list[Point]) -> None:
        self.base = points
        self.worse, self.both, self.better = _Sums(), _Sums(), 0
        n = len(points)
        if n:
            self.mean = _Mean(
                math.fsum([p.x for p in points]) / n,
                math.fsum([p.sd**2 for p in points]) / n**2,
                math.fsum([p.u for p in points]) / n,
            )

    def shift(self, sums: _Sums, slope: "_Slope") -> tuple[float, float]:
        """Return how far the sums lie from the baseline, contraction taken off, and the SD."""
        lever = sums.u - sums.weight * self.mean.u
        shift = sums.x - sums.weight * self.mean.x - slope.mean * lever
        var = sums.var + sums.weight**2 * self.mean.var + lever**2 / slope.precision
        return shift, math.sqrt(var)


@dataclass(slots=True)
class _Slope:
    """Shift of x per unit of u: Gaussian prior, updated by differences between visits."""

    precision: float
    weighted: float

    @property
    def mean(self) -> float:
        return self.weighted / self.precision

    def learn(self, before: Point, after: Point) -> None:
        noise = before.sd**2 + after.sd**2
        du = after.u - before.u
        self.precision += du**2 / noise
        self.weighted += du * (after.x - before.x) / noise


def _weight(days: float, settings: CourseSettings) -> float:
    low, high = _LAMBDA_RANGE
    weight = 1 - math.pow(1 - settings.ewma_lambda, days / _WEEK_DAYS)
    return min(high, max(low, weight))


def run_chart(
    points: Sequence[Point],
    *,
    settings: CourseSettings,
    slope_mean: float = 0.0,
    slope_sd: float = 0.0,
    hold_contracted: bool = False,
    restarts: Iterable[datetime] = (),
    moved: Iterable[datetime] = (),
    acknowledged: Iterable[datetime] = (),
) -> ChartRun:
    """Run the chart over the visits of one measure.

    Parameters
    ----------
    points : sequence of Point
        In the order of time; `sd` must be positive.
    settings : CourseSettings
        EWMA weight, limits, length of the baseline.
    slope_mean, slope_sd : float
        Prior of the shift of x per unit of u.
    hold_contracted : bool
        Whether a visit out of the limits while contracted waits for a second one in a row.
    restarts : iterable of datetime
        The first visit at or after each starts a new baseline.
    moved : iterable of datetime
        When the specimen was moved: the first visit afterwards is compared with the baseline once
        more, and starts a new one if it lies within its limits. So a move hides no loss.
    acknowledged : iterable of datetime
        When a person acknowledged the flag: what stands then is taken as the new baseline.

    Returns
    -------
    ChartRun
        A row per point, and the episodes beyond the limit.
    """
    state = _State()
    slope = _Slope(1 / max(slope_sd, 1e-9) ** 2, slope_mean / max(slope_sd, 1e-9) ** 2)
    rows: list[Row] = []
    episodes: list[Episode] = []
    inside = 0
    events = sorted(
        [(at, "restart") for at in restarts]
        + [(at, "moved") for at in moved]
        + [(at, "seen") for at in acknowledged]
    )
    starts_anew = False
    events.reverse()

    def close(at: datetime, position: int | None, by_person: bool) -> None:
        if episodes and episodes[-1].cleared_at is None:
            episodes[-1].cleared = position
            episodes[-1].cleared_at = at
            episodes[-1].by_person = by_person

    def apply(until: datetime | None) -> None:
        nonlocal starts_anew
        while events and (until is None or events[-1][0] <= until):
            at, what = events.pop()
            standing = bool(episodes) and episodes[-1].cleared_at is None
            if what == "restart":
                state.restart([])
                close(at, None, True)
            elif what == "moved":
                starts_anew = True
            elif standing:
                state.restart([row.point for row in rows[episodes[-1].raised :]][-2:])
                close(at, None, True)

    for position, point in enumerate(points):
        apply(point.at)
        if not state.base:
            state.restart([point])
            rows.append(Row(point, point.x, point.x, None, False, point, 0.0))
            continue
        before = points[position - 1]
        days = (point.at.date() - before.at.date()).days
        weight = _weight(max(days, 0), settings)
        kept = state.worse, state.both
        state.worse = state.worse.plus(point, weight)
        state.both = state.both.plus(point, weight)
        single = _Sums(point.x, 1.0, point.sd**2, point.u)
        shift, sd = state.shift(state.worse, slope)
        own, own_sd = state.shift(single, slope)
        gap_u = point.u - state.mean.u
        out = shift > settings.limit_sds * sd or own > settings.single_sds * own_sd
        contracted = hold_contracted and gap_u > -math.log(settings.contracted_below)
        waits = point.doubtful and not rows[-1].leans
        pending = not rows[-1].out and (contracted or waits)
        rows.append(
            Row(
                point,
                state.mean.x,
                state.mean.x + shift,
                settings.limit_sds * sd,
                out,
                state.base[-1],
                slope.mean * gap_u,
                own > own_sd,
            )
        )
        standing = bool(episodes) and episodes[-1].cleared_at is None
        if out:
            inside = 0
            state.better = 0
            if not standing and not pending:
                episodes.append(Episode(position))
            elif pending and waits:
                # Not remembered: the next visit must be out by itself.
                state.worse, state.both = kept
            continue
        slope.learn(before, point)
        if starts_anew and not standing:
            starts_anew = False
            state.restart([point])
            continue
        if shift < 0:
            state.worse = _Sums()
        if standing:
            inside += 1
            if inside >= 2:
                close(point.at, position, False)
            else:
                continue
        shift, sd = state.shift(state.both, slope)
        if shift < -settings.follow_sds * sd:
            state.better += 1
            if state.better >= 2:
                state.restart([before, point])
            continue
        state.better = 0
        growing = len(state.base) < settings.baseline_visits
        if growing and abs(shift) <= _JOIN_SDS * sd and abs(own) <= _JOIN_SDS * own_sd:
            state.restart([*state.base, point])
    apply(None)
    return ChartRun(tuple(rows), tuple(episodes))
