"""Series against published data: repeatability, EWMA, trend. Each test names its source."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from bench.drift import cusum
from scipy import signal, stats

from polypward.course import CourseSettings
from polypward.course.chart import Point, ewma, run_chart
from polypward.course.repeatability import smallest_change, within_sd
from polypward.course.trend import mann_kendall_p, sen_interval, theil_sen

# Bland & Altman 1986, Lancet i:307-310: peak flow of 17 subjects, two readings each.
WRIGHT = [
    (494, 490), (395, 397), (516, 512), (434, 401), (476, 470), (557, 611), (413, 415),
    (442, 431), (650, 638), (433, 429), (417, 420), (656, 633), (267, 275), (478, 492),
    (178, 165), (423, 372), (427, 421),
]  # fmt: skip
MINI = [
    (512, 525), (430, 415), (520, 508), (428, 444), (500, 500), (600, 625), (364, 460),
    (380, 390), (658, 642), (445, 432), (432, 420), (626, 605), (260, 227), (477, 467),
    (259, 268), (350, 370), (451, 443),
]  # fmt: skip


@pytest.mark.parametrize(("data", "sd"), [(WRIGHT, 15.307), (MINI, 19.911)])
def test_within_subject_sd_of_bland_and_altman_1986(data: list[tuple[int, int]], sd: float) -> None:
    """15.3 is the printed value for the first meter; more digits follow from the data."""
    found, df = within_sd(data)
    assert found == pytest.approx(sd, abs=1e-3)
    assert df == 17
    # For pairs it is the root of the sum of squared differences over 2n.
    assert found == pytest.approx(math.sqrt(sum((a - b) ** 2 for a, b in data) / 34), rel=1e-12)


def test_sd_of_children_in_bland_and_altman_1996() -> None:
    """BMJ 313:744 (the corrected reprint), Table 1: SDs of three children, four readings each."""
    children = {
        (190, 220, 200, 200): 12.58,
        (210, 300, 280, 265): 38.60,
        (270, 250, 330, 370): 55.08,
    }
    for readings, sd in children.items():
        assert within_sd([readings])[0] == pytest.approx(sd, abs=0.005)
    pooled = within_sd(children)[0]
    assert pooled == pytest.approx(math.sqrt(np.mean(np.square(list(children.values())))), abs=0.01)


# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4: EWMA with lambda 0.3, target 50.
NIST = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
NIST_EWMA = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip


def test_ewma_of_the_nist_handbook() -> None:
    found = ewma(NIST, start=50.0, weight=0.3)
    # Printed to two decimals.
    assert found == pytest.approx(NIST_EWMA, abs=0.005001)
    # An independent implementation agrees to rounding.
    filtered, _ = signal.lfilter([0.3], [1, -0.7], NIST, zi=[0.7 * 50.0])
    assert found == pytest.approx(list(filtered), abs=1e-12)


def test_trend_of_little() -> None:
    """J. Little, "A Mann-Kendall Example (By Hand)": S 54, Z 2.9058; slope from scipy."""
    y = [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]
    # 12.9 stands twice, so this is the branch with ties: p from Z, both sides.
    assert mann_kendall_p(y) == pytest.approx(0.00366, abs=1e-5)
    assert theil_sen(range(14), y) == pytest.approx(0.56667, abs=1e-5)
    assert theil_sen(range(14), y) == pytest.approx(
        float(stats.theilslopes(y, np.arange(14)).slope), rel=1e-12
    )


def test_slope_of_sen_1968() -> None:
    """J. Am. Stat. Assoc. 63:1379: the worked example, uneven times, slope 4."""
    t, y = [1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78]
    assert theil_sen(t, y) == pytest.approx(4.0, abs=1e-12)


def test_trend_of_hollander_wolfe_chicken() -> None:
    """Nonparametric Statistical Methods, Example 9.1: slope -0.05625, S -6, exact p 0.23333."""
    y = [1.26, 1.27, 1.12, 1.16, 1.03]
    assert theil_sen([1, 2, 3, 4, 5], y) == pytest.approx(-0.05625, abs=1e-9)
    assert mann_kendall_p(y) == pytest.approx(0.2333333, abs=1e-7)


@pytest.mark.parametrize("n", [4, 5, 6, 7, 8])
def test_exact_p_of_a_perfect_trend(n: int) -> None:
    """Two of the n! orders are perfect (Kendall: combinatorial)."""
    assert mann_kendall_p(range(n)) == pytest.approx(2 / math.factorial(n), rel=1e-12)


@pytest.mark.parametrize("n", [3, 6, 9, 12, 30])
def test_exact_p_agrees_with_scipy(n: int) -> None:
    y = np.random.default_rng(n).permutation(n).astype(float)
    y += np.arange(n) * 0.31  # some trend, no ties
    expected = stats.kendalltau(np.arange(n), y, method="exact").pvalue
    assert mann_kendall_p(list(y)) == pytest.approx(float(expected), rel=1e-9)


# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3: CUSUM, target 325, k 0.3175, h 4.1959.
# Data and constants from memory; the arithmetic is the page's.
NIST_CUSUM = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip
# Montgomery & Runger, Applied Statistics and Probability for Engineers, Example 16-6, Table 16-8.
VISCOSITY = [
    102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1,
    101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0,
]  # fmt: skip
VISCOSITY_HIGH = [2, 0, 0, 0, 2, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
VISCOSITY_LOW = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]


def test_cusum_of_the_nist_handbook() -> None:
    """The chart that slow drift was tried with (docs/course.md): first signal at 14."""
    high, low = cusum(np.array(NIST_CUSUM), target=325.0, k=0.3175)
    assert high[12:14] == pytest.approx([3.0075, 4.940], abs=1e-9)
    assert (int(np.argmax(high > 4.1959)) + 1, int(np.argmax(low)) + 1) == (14, 8)
    assert low.max() == pytest.approx(0.715, abs=1e-9)


def test_cusum_of_montgomery_and_runger() -> None:
    high, low = cusum(np.array(VISCOSITY), target=99.0, k=1.0)
    # Printed to one decimal.
    assert high == pytest.approx(VISCOSITY_HIGH, abs=0.05)
    assert low == pytest.approx(VISCOSITY_LOW, abs=0.05)
    assert max(high.max(), low.max()) < 10


def test_no_signal_in_the_data_of_the_nist_handbook() -> None:
    """6.3.2.4: steady limits 52.5884 and 47.4115, SD 2.0539, weight 0.3, three SDs."""
    half = 3 * 2.0539 * math.sqrt(0.3 / 1.7)
    assert (50 + half, 50 - half) == pytest.approx((52.5884, 47.4115), abs=1e-3)
    assert all(50 - half < z < 50 + half for z in NIST_EWMA)


def test_chart_has_the_limits_that_vary_in_time() -> None:
    """The page's data against a target: 51.849, 52.256, 52.431 at t = 1, 2, 3 (Roberts 1959).

    A chart whose baseline is a very long row of the target has them; weekly visits, weight 0.3.
    """
    settings = replace(
        CourseSettings(), ewma_lambda=0.3, limit_sds=3.0, single_sds=99.0, baseline_visits=400
    )
    start = datetime(2000, 1, 3, tzinfo=UTC)
    values = [50.0] * 400 + [52.0, 51.9, 51.8]
    points = [Point(i, start + timedelta(weeks=i), x, 2.0539) for i, x in enumerate(values)]
    base, after = points[:400], points[400:]
    rows = run_chart([*base, *after], settings=settings).rows[-3:]
    limits = [row.baseline + row.half_width for row in rows if row.half_width is not None]
    # A baseline of 400 and not of infinitely many visits widens them by 0.5 % at most.
    assert limits == pytest.approx([51.849, 52.256, 52.431], abs=0.012)


def test_interval_of_sen_1968() -> None:
    """93 % interval 26/7 .. 35/8 as in R package deming, which notes that the printed is wrong."""
    t, y = [1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78]
    assert sen_interval(t, y, level=0.93) == pytest.approx((26 / 7, 35 / 8), abs=1e-12)


@pytest.mark.parametrize("n", [3, 5, 8, 13, 30])
def test_slope_interval_agrees_with_scipy(n: int) -> None:
    rng = np.random.default_rng(n)
    t = np.cumsum(rng.integers(5, 10, n)).astype(float)
    y = np.round(0.02 * t + rng.normal(size=n), 1)  # with ties
    found = stats.theilslopes(y, t, 0.9)
    assert sen_interval(list(t), list(y)) == pytest.approx(
        (float(found.low_slope), float(found.high_slope)), abs=1e-12
    )


@pytest.mark.parametrize(("data", "change"), [(WRIGHT, 42.43), (MINI, 55.19)])
def test_smallest_change_of_bland_and_altman(data: list[tuple[int, int]], change: float) -> None:
    """2.77 within-subject SDs: 42.43 for the first meter (data of the 1986 paper)."""
    sd = within_sd(data)[0]
    assert sd is not None
    assert smallest_change(sd) == pytest.approx(change, abs=0.01)


# Montgomery, Introduction to Statistical Quality Control, the data of its chapter on CUSUM and EWMA
# as quoted in a library's manual: target 10, SD 1, a shift of one SD from the 21st on.
MONTGOMERY = [
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34,
    9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84,
    10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
]  # fmt: skip


def test_ewma_of_montgomery() -> None:
    """Weight 0.1, 2.7 SDs: first limit 10.27, then z 9.945, 9.7495; from memory, recomputed."""
    z = ewma(MONTGOMERY, start=10.0, weight=0.1)
    assert z[:2] == pytest.approx([9.945, 9.7495], abs=1e-9)
    width = [2.7 * math.sqrt(0.1 / 1.9 * (1 - 0.9 ** (2 * t))) for t in range(1, 31)]
    assert 10 + width[0] == pytest.approx(10.27, abs=1e-9)
    assert [t + 1 for t in range(30) if abs(z[t] - 10) > width[t]] == [29, 30]


def test_cusum_of_montgomery() -> None:
    """Reference value 0.5, decision interval 5: C+ reads 5.28 at 29, where it first signals."""
    high, low = cusum(np.array(MONTGOMERY), target=10.0, k=0.5)
    assert high[28] == pytest.approx(5.28, abs=1e-9)
    assert [t + 1 for t in range(30) if max(high[t], low[t]) > 5] == [29, 30]
