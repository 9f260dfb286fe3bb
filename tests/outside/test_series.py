"""Series against published data: repeatability, EWMA, trend. Each test names its source."""

import math

import numpy as np
import pytest
from scipy import signal, stats

from polypward.course.chart import ewma
from polypward.course.repeatability import within_sd
from polypward.course.trend import mann_kendall_p, theil_sen

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
