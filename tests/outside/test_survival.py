"""Survival, the log-rank test and intervals of shares against published data."""

import math

import numpy as np
import pytest
from scipy import stats

from polypward.batch import Life, compare, share, survival

# Freireich et al. 1963, Blood 21:699-716: weeks in remission, + = still in remission.
SIX_MP = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
PLACEBO = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"


def lives(text: str) -> list[Life]:
    return [
        Life(str(index), int(word.rstrip("+")), "held" if word.endswith("+") else "died")
        for index, word in enumerate(text.split())
    ]


def test_curves_of_the_6_mp_trial() -> None:
    """Survival as printed in textbooks on this trial, to four figures."""
    curve = survival(lives(SIX_MP))
    assert (curve.count, curve.deaths, curve.watched_days) == (21, 9, 35)
    assert [step.day for step in curve.steps] == [6, 7, 10, 13, 16, 22, 23]
    assert [step.at_risk for step in curve.steps] == [21, 17, 15, 12, 11, 7, 6]
    assert [step.survival for step in curve.steps] == pytest.approx(
        [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482], abs=5e-5
    )
    placebo = survival(lives(PLACEBO))
    assert [step.survival for step in placebo.steps] == pytest.approx(
        [0.9048, 0.8095, 0.7619, 0.6667, 0.5714, 0.3810, 0.2857, 0.1905, 0.1429, 0.0952, 0.0476, 0],
        abs=5e-5,
    )
    assert (curve.median_days, placebo.median_days) == (23, 8)


def test_limits_of_the_6_mp_trial() -> None:
    """Log-log limits on Greenwood's variance; at week 6 also by hand: d/(n(n-d)) = 3/(21 x 18)."""
    curve = survival(lives(SIX_MP))
    limits = {step.day: (step.low, step.high) for step in curve.steps}
    assert limits[6] == pytest.approx((0.6197, 0.9516), abs=5e-5)
    assert limits[10] == pytest.approx((0.5032, 0.8894), abs=5e-5)
    assert limits[23] == pytest.approx((0.1881, 0.6801), abs=5e-5)
    s = 18 / 21
    half = 1.959964 * math.sqrt(3 / (21 * 18)) / abs(math.log(s))
    assert limits[6] == pytest.approx((s ** math.exp(half), s ** math.exp(-half)), abs=1e-6)
    # Nobody of the placebo group is left after week 23: there a limit has no meaning.
    placebo = survival(lives(PLACEBO))
    assert (placebo.steps[-1].low, curve.at(36)) == (None, None)
    assert placebo.at(36) == placebo.steps[-1]


def test_log_rank_of_the_6_mp_trial() -> None:
    """Observed 9, expected 19.2505, chi-square 16.79294 (survdiff of R), p 4.169e-5."""
    told = compare({"6-MP": lives(SIX_MP), "placebo": lives(PLACEBO)})
    assert told.observed == {"6-MP": 9, "placebo": 21}
    assert told.expected["6-MP"] == pytest.approx(19.2505, abs=1e-4)
    assert told.chi2 == pytest.approx(16.7929, abs=1e-4)
    assert (told.df, told.p) == (1, pytest.approx(4.169e-5, abs=1e-8))
    # The plain sum of (O - E)^2 / E, 15.233, is a common mistake for it.
    plain = sum((told.observed[name] - e) ** 2 / e for name, e in told.expected.items())
    assert plain == pytest.approx(15.233, abs=1e-3)


def test_the_test_of_several_groups_is_that_of_two_where_one_stands_apart() -> None:
    """A third group that nobody of dies in and that leaves at once carries no information."""
    two = compare({"a": lives(SIX_MP), "b": lives(PLACEBO)})
    gone = [Life("x", 0, "sold")] * 3
    three = compare({"a": lives(SIX_MP), "b": lives(PLACEBO), "c": gone})
    assert (three.df, three.p) == (1, pytest.approx(two.p, rel=1e-9))
    assert three.chi2 == pytest.approx(two.chi2, rel=1e-9)
    # Two groups: the general formula equals scipy's signed Z squared.
    rng = np.random.default_rng(6)
    groups = {
        name: [
            Life(name, int(d), "died" if e else "sold")
            for d, e in zip(rng.integers(1, 30, 40), rng.random(40) < rate, strict=True)
        ]
        for name, rate in (("a", 0.7), ("b", 0.4))
    }
    both = compare(groups)
    a, b = (
        stats.CensoredData(
            uncensored=[one.days for one in group if one.died],
            right=[one.days for one in group if not one.died],
        )
        for group in groups.values()
    )
    assert both.chi2 == pytest.approx(float(stats.logrank(a, b).statistic) ** 2, rel=1e-9)
    assert compare({**groups, "c": gone}).chi2 == pytest.approx(both.chi2, rel=1e-9)


@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [
        # Newcombe 1998, Stat. Med. 17:857-872, Table I, method 3 (score, no continuity correction).
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0000, 0.1611),
        (1, 29, 0.0061, 0.1718),
        # The formula of Wilson 1927 itself.
        (0, 10, 0.0, 0.2775),
        (10, 10, 0.7225, 1.0),
        (3, 25, 0.0417, 0.2996),
    ],
)
def test_intervals_of_newcombe_1998(count: int, of: int, low: float, high: float) -> None:
    found = share(count, of)
    assert (found.low, found.high) == (
        pytest.approx(low, abs=5e-5),
        pytest.approx(high, abs=5e-5),
    )
    z, p = 1.959964, count / of
    root = z * math.sqrt(z * z + 4 * of * p * (1 - p))
    lower = (2 * of * p + z * z - root) / (2 * (of + z * z))
    assert found.low == pytest.approx(lower, abs=1e-6)
