"""One specimen among bodies, specks and growth; all areas are drawn, so known."""

import numpy as np
import numpy.typing as npt
import pytest

from polypward.labels import BARE, LIVE, OVERGROWN
from polypward_vision.tissue import pick_body

MM_PER_PX = 0.25
SHAPE = (240, 320)  # 60 x 80 mm

Labels = npt.NDArray[np.uint8]


def disc(x_mm: float, y_mm: float, radius_mm: float) -> npt.NDArray[np.bool_]:
    row, col = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return np.hypot((col + 0.5) * MM_PER_PX - x_mm, (row + 0.5) * MM_PER_PX - y_mm) < radius_mm


@pytest.fixture
def empty() -> Labels:
    return np.zeros(SHAPE, np.uint8)


def test_nothing_gives_its_code(empty: Labels) -> None:
    body = pick_body(empty, mm_per_px=MM_PER_PX)
    assert (body.problem, body.count, body.mask.any()) == ("nothing-found", 0, False)


def test_specks_are_no_specimen(empty: Labels) -> None:
    for x in range(10, 75, 5):
        empty[disc(x, 30, 0.8)] = LIVE  # 2 mm² each, 13 of them
    assert pick_body(empty, mm_per_px=MM_PER_PX).problem == "nothing-found"


def test_specks_beside_a_body_are_left_out(empty: Labels) -> None:
    empty[disc(40, 30, 12)] = LIVE
    empty[disc(60, 30, 0.8)] = LIVE
    body = pick_body(empty, mm_per_px=MM_PER_PX)
    assert body.problem == ""
    assert np.array_equal(body.mask, disc(40, 30, 12))


def test_two_bodies_apart_are_several(empty: Labels) -> None:
    empty[disc(20, 30, 10)] = LIVE
    empty[disc(60, 30, 8)] = LIVE
    body = pick_body(empty, mm_per_px=MM_PER_PX)
    assert (body.problem, body.count) == ("several-specimens", 2)


def test_an_arrow_chooses_between_two(empty: Labels) -> None:
    empty[disc(20, 30, 10)] = LIVE
    empty[disc(60, 30, 8)] = LIVE
    body = pick_body(empty, mm_per_px=MM_PER_PX, aim_mm=(62, 30), aim_decides=True)
    assert body.problem == ""
    assert np.array_equal(body.mask, disc(60, 30, 8))


def test_an_arrow_between_two_does_not_choose(empty: Labels) -> None:
    empty[disc(20, 30, 10)] = LIVE
    empty[disc(60, 30, 10)] = LIVE
    body = pick_body(empty, mm_per_px=MM_PER_PX, aim_mm=(40, 30), aim_decides=True)
    assert body.problem == "several-specimens"


def test_a_small_neighbour_is_no_second_specimen(empty: Labels) -> None:
    empty[disc(30, 30, 15)] = LIVE
    empty[disc(65, 30, 4)] = LIVE  # 7 % of the body's area
    assert pick_body(empty, mm_per_px=MM_PER_PX).problem == ""


def test_branches_with_gaps_between_them_are_one(empty: Labels) -> None:
    branches = disc(25, 30, 6) | disc(40, 30, 6) | disc(55, 30, 6)  # 3 mm between them
    empty[branches] = LIVE
    body = pick_body(empty, mm_per_px=MM_PER_PX)
    assert body.problem == ""
    assert np.array_equal(body.mask, branches)


def test_growth_counts_only_on_the_body(empty: Labels) -> None:
    body_mm = disc(30, 30, 12)
    empty[body_mm] = LIVE
    empty[body_mm & disc(20, 30, 8)] = OVERGROWN
    empty[disc(65, 30, 8)] = OVERGROWN  # a patch on the rack
    body = pick_body(empty, mm_per_px=MM_PER_PX)
    assert body.problem == ""
    assert np.array_equal(body.mask, body_mm)


def test_a_specimen_all_overgrown_is_still_found(empty: Labels) -> None:
    empty[disc(40, 30, 12)] = OVERGROWN
    body = pick_body(empty, mm_per_px=MM_PER_PX)
    assert body.problem == ""
    assert np.array_equal(body.mask, disc(40, 30, 12))


def test_pinholes_are_filled_and_gaps_stay(empty: Labels) -> None:
    empty[disc(40, 30, 14)] = BARE
    empty[disc(36, 30, 0.7)] = 0  # 1.5 mm²
    empty[disc(46, 30, 2)] = 0  # 12.6 mm²
    body = pick_body(empty, mm_per_px=MM_PER_PX)
    assert np.array_equal(body.mask, disc(40, 30, 14) & ~disc(46, 30, 2))


def test_a_body_at_the_edge_is_said_to_touch_it(empty: Labels) -> None:
    empty[disc(6, 30, 12)] = LIVE
    assert pick_body(empty, mm_per_px=MM_PER_PX).touches_edge
    empty[:] = 0
    empty[disc(40, 30, 12)] = LIVE
    assert not pick_body(empty, mm_per_px=MM_PER_PX).touches_edge


@pytest.mark.parametrize("mm_per_px", [0.1, 0.5])
def test_sizes_are_millimetres_not_pixels(mm_per_px: float) -> None:
    labels = np.zeros((100, 120), np.uint8)
    labels[30:60, 30:60] = LIVE  # 30 px: 9 mm² or 225 mm²
    body = pick_body(labels, mm_per_px=mm_per_px)
    assert body.problem == ("nothing-found" if mm_per_px == 0.1 else "")
