"""How well photo readings repeat, pooled over the specimens of a ward."""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from statistics import median
from typing import Final

import numpy as np

from polypward.course.results import View
from polypward.course.settings import CourseSettings
from polypward.course.visits import by_day, has_colour, larger, shares_of
from polypward.records import Reading

__all__ = ["COVER_BANDS", "MIN_DF", "PooledSd", "pool_sd", "smallest_change", "within_sd"]

# Fewer degrees of freedom do not fix an SD: the 95 % interval of an SD with 19 degrees of freedom
# still runs from 0.76 to 1.46 of it (chi-square).
MIN_DF: Final = 20
# Specimens of like cover: a share near 1 scatters less than one in the middle. Own choice.
COVER_BANDS: Final = (0.0, 0.5, 0.8, 0.95)


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledSd:
    """Standard deviations pooled over the specimens of a ward; None below `MIN_DF`.

    `*_within` are between repeat photos of one visit, `*_between` between visits with the trend
    taken out. Shares are fractions, `lab_*` Lab units along one direction, `area_*` SDs of the
    logarithm of live area, so relative ones. `*_df` are degrees of freedom. `cover_by_band` is the
    larger of the two for live cover by where each of `COVER_BANDS` begins, where enough repeat.
    """

    cover_within: float | None = None
    cover_between: float | None = None
    cover_df: int = 0
    overgrown_within: float | None = None
    overgrown_between: float | None = None
    lab_within: float | None = None
    lab_between: float | None = None
    lab_df: int = 0
    between_df: int = 0
    overgrown_df: int = 0
    area_within: float | None = None
    area_between: float | None = None
    area_df: int = 0
    cover_by_band: Mapping[float, float] = field(default_factory=dict)

    @property
    def cover(self) -> float | None:
        """The larger of the two SDs of live cover; None when neither is known."""
        return larger(self.cover_within, self.cover_between)

    def cover_at(self, level: float | None) -> float | None:
        """SD of live cover among specimens of like cover, else among all."""
        if level is None or not self.cover_by_band:
            return self.cover
        return self.cover_by_band.get(_band(level), self.cover)

    @property
    def overgrown(self) -> float | None:
        """The larger of the two SDs of the overgrown share."""
        return larger(self.overgrown_within, self.overgrown_between)

    @property
    def area(self) -> float | None:
        """The larger of the two SDs of live area, of itself."""
        return larger(self.area_within, self.area_between)

    @property
    def lab(self) -> float | None:
        """The larger of the two SDs of colour, Lab units along one direction."""
        return larger(self.lab_within, self.lab_between)


def _band(level: float) -> float:
    return max(low for low in COVER_BANDS if level >= low or low == COVER_BANDS[0])


def smallest_change(sd: float) -> float:
    """Smallest change between two visits that can be told from noise.

    Parameters
    ----------
    sd : float
        Standard deviation of one visit, in any unit.

    Returns
    -------
    float
        1.96 sqrt(2) sd: 95 % of the differences between two readings of the same thing are
        smaller.

    References
    ----------
    Bland JM, Altman DG (1996). Measurement error. BMJ 313:744.

    Examples
    --------
    >>> round(smallest_change(15.307), 2)
    42.43
    """
    return 1.96 * math.sqrt(2) * sd


def within_sd(groups: Iterable[Sequence[float]]) -> tuple[float | None, int]:
    """Within-subject standard deviation: the root of the pooled variance of repeat readings.

    Parameters
    ----------
    groups : iterable of sequences of float
        Repeat readings, a group a subject; groups of one say nothing.

    Returns
    -------
    sd : float or None
        In the readings' unit; None without any repeat.
    df : int
        Degrees of freedom.

    References
    ----------
    Bland JM, Altman DG (1996). Measurement error. BMJ 313:744.

    Examples
    --------
    >>> within_sd([(1.0, 3.0), (5.0, 5.0)])
    (1.0, 2)
    """
    squares, df = 0.0, 0
    for group in groups:
        if len(group) > 1:
            values = np.asarray(group, float)
            squares += float(((values - values.mean()) ** 2).sum())
            df += len(group) - 1
    return (math.sqrt(squares / df), df) if df else (None, 0)


def _middle(values: Sequence[float]) -> float:
    return float(values[0] if len(values) == 1 else median(values))


def _between(series: Iterable[Sequence[tuple[float, ...]]]) -> tuple[float | None, int]:
    """Robust SD between visits with any straight trend taken out.

    Second differences of three visits in a row have 6 times the variance of one visit; their
    median absolute value over 0.6745 is a robust SD of normal scatter.
    """
    kinks: list[float] = []
    count = 0
    for visits in series:
        for before, here, after in zip(visits, visits[1:], visits[2:], strict=False):
            kinks += [abs(x - 2 * y + z) for x, y, z in zip(before, here, after, strict=True)]
            count += 1
    if count < MIN_DF:
        return None, count
    return float(np.median(kinks)) / 0.6745 / math.sqrt(6), count


def pool_sd(readings: Iterable[Reading], *, zone: tzinfo | None = None) -> PooledSd:
    """Pool the repeatability of photo readings over all specimens of a ward.

    Parameters
    ----------
    readings : iterable of Reading
        Of all specimens.
    zone : tzinfo, optional
        Time zone of the ward; UTC if not given.

    Returns
    -------
    PooledSd
        Each SD is None below `MIN_DF` degrees of freedom.

    References
    ----------
    Bland JM, Altman DG (1996). Measurement error. BMJ 313:744.
    """
    groups = by_day(readings, zone or CourseSettings().zone)
    covers: list[Sequence[float]] = []
    overgrown: list[Sequence[float]] = []
    areas: list[Sequence[float]] = []
    colours: list[Sequence[float]] = []
    cover_series: dict[tuple[str, View], list[tuple[float, ...]]] = defaultdict(list)
    overgrown_series: dict[tuple[str, View], list[tuple[float, ...]]] = defaultdict(list)
    area_series: dict[tuple[str, View], list[tuple[float, ...]]] = defaultdict(list)
    lab_series: dict[tuple[str, View, str], list[tuple[float, ...]]] = defaultdict(list)
    for (specimen, view, _), photos in groups.items():
        shares = [shares_of(reading) for reading in photos]
        cover = [share[0] for share in shares if share[0] is not None]
        grown = [share[2] for share in shares if share[2] is not None]
        covers.append(cover)
        overgrown.append(grown)
        area = [math.log(reading.live_mm2) for reading in photos if reading.live_mm2]
        areas.append(area)
        if area:
            area_series[specimen, view].append((_middle(area),))
        if cover:
            cover_series[specimen, view].append((_middle(cover),))
        if grown:
            overgrown_series[specimen, view].append((_middle(grown),))
        lit = [r for r in photos if has_colour(r) and "light-changed" not in r.reasons]
        if lit:
            channels = list(zip(*[(r.L or 0.0, r.a or 0.0, r.b or 0.0) for r in lit], strict=True))
            colours += channels
            lab_series[specimen, view, lit[0].lamp].append(
                tuple(_middle(channel) for channel in channels)
            )
    cover_within, cover_df = within_sd(covers)
    overgrown_within, overgrown_df = within_sd(overgrown)
    lab_within, lab_df = within_sd(colours)
    area_within, area_df = within_sd(areas)
    cover_between, between_df = _between(cover_series.values())
    return PooledSd(
        cover_within=cover_within if cover_df >= MIN_DF else None,
        cover_between=cover_between,
        cover_df=cover_df,
        overgrown_within=overgrown_within if overgrown_df >= MIN_DF else None,
        overgrown_between=_between(overgrown_series.values())[0],
        lab_within=lab_within if lab_df // 3 >= MIN_DF else None,
        lab_between=_between(lab_series.values())[0],
        lab_df=lab_df // 3,
        between_df=between_df,
        overgrown_df=overgrown_df,
        area_within=area_within if area_df >= MIN_DF else None,
        area_between=_between(area_series.values())[0],
        area_df=area_df,
        cover_by_band=_by_band(covers, cover_series.values()),
    )


def _by_band(
    repeats: Sequence[Sequence[float]], series: Iterable[Sequence[tuple[float, ...]]]
) -> dict[float, float]:
    """SD of live cover by band: the larger of within and between, each from `MIN_DF` on."""
    within: dict[float, list[Sequence[float]]] = defaultdict(list)
    between: dict[float, list[Sequence[tuple[float, ...]]]] = defaultdict(list)
    for group in repeats:
        if len(group) > 1:
            within[_band(_middle(group))].append(group)
    for visits in series:
        for run in zip(visits, visits[1:], visits[2:], strict=False):
            between[_band(run[1][0])].append(run)
    found = {}
    for band in COVER_BANDS:
        sd, df = within_sd(within[band])
        both = larger(sd if df >= MIN_DF else None, _between(between[band])[0])
        if both is not None:
            found[band] = both
    return found
