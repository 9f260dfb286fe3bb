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

__all__ = [
    "COVER_BANDS",
    "MIN_DF",
    "PooledSd",
    "Repeats",
    "pool_repeats",
    "pool_sd",
    "repeats_of",
    "smallest_change",
    "within_sd",
]

# Fewer degrees of freedom do not fix an SD: the 95 % interval of an SD with 19 degrees of freedom
# still runs from 0.76 to 1.46 of it (chi-square).
MIN_DF: Final = 20
# Specimens of like cover: a share near 1 scatters less than one in the middle. Own choice.
COVER_BANDS: Final = (0.0, 0.5, 0.8, 0.95)
# Digits of a pooled SD. Half a per cent at most is lost; twenty degrees of freedom fix an SD to
# 16 %, ten thousand to 0.7 % (SD of an SD: its share of itself is 1 / sqrt(2 df)). So one photo
# more among thousands, which says nothing new, does not move the limits of every specimen.
DIGITS: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledSd:
    """Standard deviations pooled over the specimens of a ward; None below `MIN_DF`.

    `*_within` are between repeat photos of one visit, `*_between` between visits with the trend
    taken out. Shares are fractions, `lab_*` Lab units along one direction, `area_*` SDs of the
    logarithm of live area, so relative ones. `*_df` are degrees of freedom. `cover_by_band` is the
    larger of the two for live cover by where each of `COVER_BANDS` begins, where enough repeat.
    SDs have `DIGITS` significant digits.
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


@dataclass(frozen=True, slots=True)
class Repeats:
    """What one specimen, or some, add to the pooled SDs; by measure, plain numbers.

    `squares` and `df` are sums of squares within visits and their degrees of freedom; `kinks` are
    second differences of three visits in a row, without sign, and `runs` counts those threes.
    Cover is by where its band begins: "cover 0.8".
    """

    squares: Mapping[str, float] = field(default_factory=dict)
    df: Mapping[str, int] = field(default_factory=dict)
    kinks: Mapping[str, Sequence[float]] = field(default_factory=dict)
    runs: Mapping[str, int] = field(default_factory=dict)


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
    own: dict[str, list[Reading]] = defaultdict(list)
    for reading in readings:
        own[reading.specimen].append(reading)
    return pool_repeats(repeats_of(own[name], zone=zone) for name in sorted(own))


def repeats_of(readings: Iterable[Reading], *, zone: tzinfo | None = None) -> Repeats:
    """Return what the photo readings of specimens add to the pooled SDs (see `pool_sd`)."""
    found = _Gathered()
    series: dict[tuple[str, str, View, str], list[tuple[float, ...]]] = defaultdict(list)
    for (specimen, view, _), photos in by_day(readings, zone or CourseSettings().zone).items():
        shares = [shares_of(reading) for reading in photos]
        cover = [share[0] for share in shares if share[0] is not None]
        grown = [share[2] for share in shares if share[2] is not None]
        area = [math.log(reading.live_mm2) for reading in photos if reading.live_mm2]
        for name, values in (("cover", cover), ("overgrown", grown), ("area", area)):
            if values:
                found.add_visit(_cover_name(_middle(values)) if name == "cover" else name, values)
                series[name, specimen, view, ""].append((_middle(values),))
        lit = [r for r in photos if has_colour(r) and "light-changed" not in r.reasons]
        if lit:
            channels = list(zip(*[(r.L or 0.0, r.a or 0.0, r.b or 0.0) for r in lit], strict=True))
            for channel in channels:
                found.add_visit("lab", channel)
            middles = tuple(_middle(channel) for channel in channels)
            series["lab", specimen, view, lit[0].lamp].append(middles)
    for (name, *_), visits in series.items():
        for run in zip(visits, visits[1:], visits[2:], strict=False):
            found.add_run(_cover_name(run[1][0]) if name == "cover" else name, run)
    return Repeats(dict(found.squares), dict(found.df), dict(found.kinks), dict(found.runs))


class _Gathered:
    """Sums that grow visit by visit; fields as in `Repeats`."""

    def __init__(self) -> None:
        self.squares: dict[str, float] = defaultdict(float)
        self.df: dict[str, int] = defaultdict(int)
        self.kinks: dict[str, list[float]] = defaultdict(list)
        self.runs: dict[str, int] = defaultdict(int)

    def add_visit(self, name: str, group: Sequence[float]) -> None:
        """Add repeat readings of one visit; one reading says nothing."""
        sd, df = within_sd([group])
        if sd is not None:
            self.squares[name] += sd * sd * df
            self.df[name] += df

    def add_run(self, name: str, run: Sequence[Sequence[float]]) -> None:
        """Add three visits in a row, each of as many channels."""
        self.kinks[name] += [abs(x - 2 * y + z) for x, y, z in zip(*run, strict=True)]
        self.runs[name] += 1


def _cover_name(level: float) -> str:
    return f"cover {_band(level)}"


def pool_repeats(parts: Iterable[Repeats]) -> PooledSd:
    """Pool what each specimen adds; the order of the parts does not matter.

    Between visits any straight trend is taken out: second differences of three visits in a row
    have 6 times the variance of one visit, and their median absolute value over 0.6745 is a robust
    SD of normal scatter.
    """
    every = list(parts)
    bands = {band: (_cover_name(band),) for band in COVER_BANDS}
    cover = tuple(name for names in bands.values() for name in names)

    def within(*names: str) -> tuple[float | None, int]:
        df = sum(part.df.get(name, 0) for part in every for name in names)
        if not df:
            return None, 0
        squares = math.fsum(part.squares.get(name, 0.0) for part in every for name in names)
        return _rounded(math.sqrt(squares / df)), df

    def between(*names: str) -> tuple[float | None, int]:
        runs = sum(part.runs.get(name, 0) for part in every for name in names)
        if runs < MIN_DF:
            return None, runs
        kinks = [x for part in every for name in names for x in part.kinks.get(name, ())]
        return _rounded(float(np.median(kinks)) / 0.6745 / math.sqrt(6)), runs

    def enough(found: tuple[float | None, int], *, channels: int = 1) -> float | None:
        return found[0] if found[1] // channels >= MIN_DF else None

    by_band = {
        band: larger(enough(within(*names)), between(*names)[0]) for band, names in bands.items()
    }
    return PooledSd(
        cover_within=enough(within(*cover)),
        cover_between=between(*cover)[0],
        cover_df=within(*cover)[1],
        overgrown_within=enough(within("overgrown")),
        overgrown_between=between("overgrown")[0],
        lab_within=enough(within("lab"), channels=3),
        lab_between=between("lab")[0],
        lab_df=within("lab")[1] // 3,
        between_df=between(*cover)[1],
        overgrown_df=within("overgrown")[1],
        area_within=enough(within("area")),
        area_between=between("area")[0],
        area_df=within("area")[1],
        cover_by_band={band: sd for band, sd in by_band.items() if sd is not None},
    )


def _rounded(sd: float) -> float:
    return float(f"{sd:.{DIGITS}g}")
