"""Slope and monotony of a course on real days: Theil-Sen and Mann-Kendall."""

import math
from collections import Counter
from collections.abc import Sequence
from datetime import date
from functools import cache, lru_cache
from itertools import pairwise
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from polypward.course.results import Trend, TrendPart

__all__ = ["find_trend", "mann_kendall_p", "sen_interval", "theil_sen", "trend_parts"]


@lru_cache(maxsize=64)
def _pairs(n: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Both indices of each pair of n values: kept, many series are of one length."""
    first, second = np.triu_indices(n, 1)
    return first, second


def theil_sen(days: Sequence[float], values: Sequence[float]) -> float:
    """Median of the pairwise slopes.

    Parameters
    ----------
    days, values : sequences of float, length n >= 2
        Days need not be even; not all the same.

    Returns
    -------
    float
        Change of the values per day.

    Raises
    ------
    ValueError
        Fewer than two points, or all on one day.

    References
    ----------
    Sen PK (1968). J. Am. Stat. Assoc. 63:1379-1389.
    """
    return float(np.median(_slopes(days, values)))


def _slopes(days: Sequence[float], values: Sequence[float]) -> npt.NDArray[np.float64]:
    x, y = np.asarray(days, float), np.asarray(values, float)
    first, second = _pairs(x.size)
    apart = x[second] != x[first]
    if not apart.any():
        raise ValueError(f"a slope needs two different days, got {list(days)}")
    return np.asarray((y[second] - y[first])[apart] / (x[second] - x[first])[apart])


def sen_interval(
    days: Sequence[float], values: Sequence[float], *, level: float = 0.9
) -> tuple[float, float]:
    """Interval of the Theil-Sen slope from the ranks of the pairwise slopes.

    Parameters
    ----------
    days, values : sequences of float, length n >= 2
        As of `theil_sen`.
    level : float
        0..1.

    Returns
    -------
    low, high : tuple of 2 floats
        Change of the values per day. With few points the interval runs from the smallest to the
        largest slope of any pair.

    Raises
    ------
    ValueError
        Fewer than two points, or all on one day.

    References
    ----------
    Sen PK (1968). J. Am. Stat. Assoc. 63:1379-1389, equation 2.6.
    """
    slopes = np.sort(_slopes(days, values))
    variance = _variance(len(days), [*_ties(days), *_ties(values)])
    reach = NormalDist().inv_cdf(0.5 + level / 2) * math.sqrt(max(variance, 0.0))
    upper = min(round((slopes.size + reach) / 2), slopes.size - 1)
    lower = max(round((slopes.size - reach) / 2) - 1, 0)
    return float(slopes[lower]), float(slopes[upper])


def _ties(values: Sequence[float]) -> list[int]:
    return [count for count in Counter(values).values() if count > 1]


def _variance(n: int, ties: Sequence[int]) -> float:
    """Variance of the Mann-Kendall S of n values with groups of ties."""
    return (n * (n - 1) * (2 * n + 5) - sum(t * (t - 1) * (2 * t + 5) for t in ties)) / 18


def mann_kendall_p(values: Sequence[float]) -> float:
    """Two-sided p of the Mann-Kendall test for a monotone trend.

    Parameters
    ----------
    values : sequence of float, length n
        In the order of time.

    Returns
    -------
    float
        Exact where no two values are the same; with ties from the normal approximation with
        continuity correction. 1 for fewer than two values.

    References
    ----------
    Mann HB (1945). Econometrica 13:245-259. Kendall MG (1975). Rank correlation methods.
    """
    y = np.asarray(values, float)
    n = y.size
    if n < 2:
        return 1.0
    first, second = _pairs(n)
    s = int(np.sign(y[second] - y[first]).sum())
    ties = _ties(y.tolist())
    if not ties:
        return _exact_p(n, abs(s))
    var = _variance(n, ties)
    if var <= 0 or s == 0:
        return 1.0
    return math.erfc((abs(s) - 1) / math.sqrt(var) / math.sqrt(2))


@cache
def _inversions(n: int) -> npt.NDArray[np.float64]:
    """Return the share of the orders of n values by their number of inversions.

    The number of orders with k inversions is the coefficient of x^k in the product of
    1 + x + ... + x^(j-1) for j = 1..n.
    """
    share = np.ones(1)
    for j in range(2, n + 1):
        share = np.convolve(share, np.full(j, 1.0 / j))
    return share


def _exact_p(n: int, s: int) -> float:
    """P(|S| >= s) over all orders of n different values, S = n(n-1)/2 - 2 inversions."""
    pairs = n * (n - 1) // 2
    tail = float(_inversions(n)[: (pairs - s) // 2 + 1].sum())
    return min(1.0, 2 * tail) if s else 1.0


def find_trend(days: Sequence[date], values: Sequence[float | None]) -> Trend | None:
    """Trend of a measure over its visits.

    Parameters
    ----------
    days : sequence of date
        Visit days, in order.
    values : sequence of float or None
        The measure; None where it is not available.

    Returns
    -------
    Trend or None
        None for fewer than three visits with the measure.
    """
    known = [(day, value) for day, value in zip(days, values, strict=True) if value is not None]
    if len(known) < 3:
        return None
    real = [(day - known[0][0]).days for day, _ in known]
    numbers = [value for _, value in known]
    low, high = sen_interval(real, numbers)
    return Trend(
        per_week=7 * theil_sen(real, numbers),
        p=mann_kendall_p(numbers),
        n=len(known),
        days=real[-1],
        low=7 * low,
        high=7 * high,
    )


def trend_parts(
    measure: str,
    days: Sequence[date],
    values: Sequence[float | None],
    changes: Sequence[tuple[date, str]],
) -> tuple[TrendPart, ...]:
    """Trend of a measure before, between and after changes of care.

    Parameters
    ----------
    measure : str
        Name of the measure.
    days : sequence of date
        Visit days, in order.
    values : sequence of float or None
        The measure; None where it is not available.
    changes : sequence of (date, str)
        When what was changed, in order. A visit on the day of a change counts as after it.

    Returns
    -------
    tuple of TrendPart
        The parts that hold a visit; empty when no change parts the visits.
    """
    edges = [(date.min, ""), *sorted(changes), (date.max, "")]
    parts = []
    for (since, began), (until, _) in pairwise(edges):
        inside = [i for i, day in enumerate(days) if since <= day < until]
        if not inside:
            continue
        own = [days[i] for i in inside]
        parts.append(
            TrendPart(
                measure=measure,
                since=own[0],
                until=own[-1],
                began=began,
                trend=find_trend(own, [values[i] for i in inside]),
            )
        )
    return tuple(parts) if len(parts) > 1 else ()
