"""How far a visit's figure may scatter: by the ward, by what its photos say, by its own series.

Most specimens repeat as the ward does. One whose tissue map is hard to read does not, and its own
earlier visits show it, so its SD is the ward's moderated by its own (an empirical Bayes variance:
Smyth 2004, Stat. Appl. Genet. Mol. Biol. 3:3, with the prior's weight stated, not fitted).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import median
from typing import Final

__all__ = ["DOUBT_RATIO", "DOUBT_UNSURE", "Scatter", "series_scatter"]

# What the prior weighs, in visits of the series' own; own choice.
PRIOR_VISITS: Final = 4.0
# Of what a photo says of its own error this share is not common to the photos of a series. Set on
# rendered courses of the family held out, `bench.photo_courses`.
OWN_SHARE: Final = 0.7
# A visit whose own SD is so many times the usual of its series is in doubt. Set on the same
# courses: misread maps reached 1.8 to 2.9, true losses of up to 25 % at most 1.5.
DOUBT_RATIO: Final = 1.7
# A visit whose map is unsure of more than this share of the specimen is in doubt too. Of 0.03 to
# 0.06 the latter was the one that lost no harm on the same courses; the shares of the map in use
# are a fifth larger.
DOUBT_UNSURE: Final = 0.07
# Second differences of three visits in a row have so many times the variance of one visit.
_KINK_VARIANCE: Final = 6.0


@dataclass(frozen=True, slots=True)
class Scatter:
    """SD of a visit's figure, and whether its photos are in more doubt than is usual for it."""

    sd: float
    doubtful: bool = False


def series_scatter(
    values: Sequence[float | None],
    told: Sequence[float | None],
    base: Sequence[float],
    *,
    known: bool,
    share: float = OWN_SHARE,
) -> list[Scatter]:
    """SD of each visit of a series by what was known at that visit.

    Parameters
    ----------
    values : sequence of float or None
        The figure at each visit.
    told : sequence of float or None
        What the photos say of their own error, one SD, in the same unit.
    base : sequence of float
        Repeatability of the ward, or the floor that stands for it.
    known : bool
        Whether the ward's repeatability is known; before that a photo's own SD counts in full.
    share : float
        Share of a photo's own SD that is not common to the photos of a series, 0..1.

    Returns
    -------
    list of Scatter
        Never below `base`. A later visit does not change an earlier one.
    """
    found: list[Scatter] = []
    seen: list[float] = []
    figures: list[float] = []
    kinks: list[float] = []
    usual = 0.0
    for value, own, floor in zip(values, told, base, strict=True):
        if not seen:
            usual = own or 0.0
        now = median([*seen, own]) if own is not None else usual
        prior = max(floor, (share if known else 1.0) * now)
        weight = PRIOR_VISITS + len(kinks)
        series = sqrt((PRIOR_VISITS * prior**2 + sum(kinks)) / weight)
        beyond = sqrt(max(0.0, (own or 0.0) ** 2 - now**2))
        doubtful = bool(seen) and own is not None and own >= max(DOUBT_RATIO * usual, floor)
        found.append(Scatter(max(floor, series, beyond), doubtful))
        if own is not None:
            seen.append(own)
            usual = now
        if value is not None:
            figures.append(value)
            if len(figures) >= 3:
                first, middle, last = figures[-3:]
                kinks.append((first - 2 * middle + last) ** 2 / _KINK_VARIANCE)
    return found
