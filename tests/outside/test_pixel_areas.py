"""Areas and perimeters of drawn shapes against number theory and analysis."""

import numpy as np
import numpy.typing as npt
import pytest

from polypward.labels import BACKGROUND, BARE, LIVE, OVERGROWN
from polypward_vision.measure import AreaSd, Measures, crofton_mm, measure

# OEIS A000328: lattice points in a circle of radius n, for n = 1, 2, 3, 4, 5, 10, 20.
A000328 = {1: 5, 2: 13, 3: 29, 4: 49, 5: 81, 10: 317, 20: 1257}
# The same count by brute force with numpy, apart from this code.
COUNTED = {50: 7845, 100: 31417, 200: 125629}
# `perimeter_crofton` of scikit-image 0.26 with four directions, of the same discs.
CROFTON = {20: 127.714, 50: 315.262, 100: 630.064, 200: 1257.447}


def disc(radius: float, *, at: tuple[float, float] = (0.0, 0.0)) -> npt.NDArray[np.bool_]:
    """Pixels whose centre lies within `radius` of a centre near the middle; not square."""
    half = int(np.ceil(radius)) + 3
    y, x = np.mgrid[-half : half + 1, -half - 2 : half + 3]
    return np.asarray((x - at[0]) ** 2 + (y - at[1]) ** 2 <= radius**2)


def measured(labels: npt.NDArray[np.uint8], *, mm_per_px: float) -> Measures:
    return measure(
        labels,
        mm_per_px=mm_per_px,
        rsd=AreaSd(corners=0.001, print_scale=0.0, height=0.005),
        lab=None,
        left_out=np.zeros(labels.shape, bool),
    )


@pytest.mark.parametrize(("radius", "count"), {**A000328, **COUNTED}.items())
def test_disc_area_is_the_count_of_lattice_points(radius: int, count: int) -> None:
    labels = np.where(disc(radius), LIVE, BACKGROUND).astype(np.uint8)
    for mm_per_px in (1.0, 0.2):
        found = measured(labels, mm_per_px=mm_per_px)
        assert found.live_mm2 == pytest.approx(count * mm_per_px**2, rel=1e-12)
        assert found.live_cover == 1.0


@pytest.mark.parametrize(("radius", "rsd"), [(20, 0.0025), (50, 0.00060), (100, 0.00022)])
def test_disc_area_off_the_grid(radius: int, rsd: float) -> None:
    """Centres anywhere: no bias, and a scatter of about 0.69 sqrt(r) pixels (simulated)."""
    rng = np.random.default_rng(radius)
    ratio = []
    for _ in range(150):
        at = rng.uniform(-0.5, 0.5, 2)
        labels = np.where(disc(radius, at=(at[0], at[1])), LIVE, BACKGROUND).astype(np.uint8)
        ratio.append(measured(labels, mm_per_px=0.2).live_mm2 / (np.pi * (0.2 * radius) ** 2))
    assert float(np.mean(ratio)) == pytest.approx(1, abs=4 * rsd / np.sqrt(150))
    assert float(np.std(ratio)) == pytest.approx(rsd, rel=0.25)  # 150 draws: 6 %; limit 4 times


@pytest.mark.parametrize(("radius", "expected"), CROFTON.items())
def test_disc_perimeter(radius: int, expected: float) -> None:
    assert crofton_mm(disc(radius), 1.0) == pytest.approx(expected, abs=1e-3)
    assert crofton_mm(disc(radius), 0.2) == pytest.approx(0.2 * expected, abs=1e-3)
    # Against analysis: under 1.7 % from 20 pixels on, under 0.4 % from 50.
    assert crofton_mm(disc(radius), 1.0) == pytest.approx(
        2 * np.pi * radius, rel=0.017 if radius < 50 else 0.004
    )


def test_perimeter_at_the_edge_of_the_map() -> None:
    """A shape that touches the map's border has its whole outline all the same."""
    whole = disc(30)
    rows, cols = np.flatnonzero(whole.any(axis=1)), np.flatnonzero(whole.any(axis=0))
    tight = whole[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    assert crofton_mm(tight, 1.0) == pytest.approx(crofton_mm(whole, 1.0), abs=1e-9)
    assert crofton_mm(np.zeros((5, 9), bool), 1.0) == 0


def test_rings_give_areas_and_cover() -> None:
    """A live disc in a bare ring in an overgrown ring: pi r² each, cover r1² / r3²."""
    inner, middle, outer = (disc(radius) for radius in (60, 80, 100))
    shape = outer.shape
    labels = np.zeros(shape, np.uint8)
    for mask, label in ((outer, OVERGROWN), (middle, BARE), (inner, LIVE)):
        rows, cols = (np.array(shape) - mask.shape) // 2
        part = labels[rows : rows + mask.shape[0], cols : cols + mask.shape[1]]
        part[mask] = label
    found = measured(labels, mm_per_px=0.2)
    for area, square in (
        (found.live_mm2, 60**2),
        (found.bare_mm2, 80**2 - 60**2),
        (found.overgrown_mm2, 100**2 - 80**2),
    ):
        assert area == pytest.approx(np.pi * square * 0.04, rel=0.005)
    assert found.live_cover == pytest.approx(0.36, abs=0.001)
