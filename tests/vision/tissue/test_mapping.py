"""Whole maps of drawn cut-outs: the truth is the geometry of discs."""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest
from scipy.ndimage import gaussian_filter

from polypward.labels import BACKGROUND, BARE, LIVE, OVERGROWN
from polypward_vision.tissue import TissueMap, TissueModel, load_base_model, map_tissue

MM_PER_PX = 0.2
SHAPE = (420, 480)  # 84 x 96 mm

Mask = npt.NDArray[np.bool_]
Tile = npt.NDArray[np.float32]

GREY = (58.0, 0.0, 1.0)
PAPER = (93.0, 0.0, 1.0)
BROWN = (44.0, 7.0, 26.0)
GREEN = (50.0, -26.0, 30.0)
RED = (42.0, 34.0, 18.0)
SKELETON = (86.0, 0.5, 8.0)
TURF = (34.0, -6.0, 19.0)


@pytest.fixture(scope="module")
def model() -> TissueModel:
    return load_base_model()


def disc(x_mm: float, y_mm: float, radius_mm: float) -> Mask:
    row, col = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return np.hypot((col + 0.5) * MM_PER_PX - x_mm, (row + 0.5) * MM_PER_PX - y_mm) < radius_mm


def surface(lab: tuple[float, float, float], *, grain: float, rng: np.random.Generator) -> Tile:
    """Draw a colour with lightness grain of about half a millimetre."""
    coarse = rng.standard_normal((SHAPE[0] // 3, SHAPE[1] // 3))
    relief = np.kron(coarse, np.ones((3, 3))) * grain
    tile = np.empty((*SHAPE, 3), np.float32)
    tile[:] = lab
    tile[..., 0] += relief[: SHAPE[0], : SHAPE[1]]
    return tile


@pytest.fixture
def draw() -> Callable[..., Tile]:
    def drawn(
        ground: tuple[float, float, float],
        *parts: tuple[Mask, tuple[float, float, float], float],
    ) -> Tile:
        rng = np.random.default_rng(8)
        tile = surface(ground, grain=0.3, rng=rng)
        for mask, lab, grain in parts:
            tile[mask] = surface(lab, grain=grain, rng=rng)[mask]
        # A lens's softness, 0.2 mm, and a sensor's noise: no photo has harder edges.
        soft = gaussian_filter(tile, (1, 1, 0))
        return np.asarray(soft + rng.normal(0, 0.8, tile.shape), np.float32)

    return drawn


def mapped(tile: Tile, model: TissueModel, **more: object) -> TissueMap:
    shown = np.ones(SHAPE, bool)
    return map_tissue(tile, valid=shown, mm_per_px=MM_PER_PX, model=model, **more)  # type: ignore[arg-type]


def area_mm2(found: TissueMap, label: int) -> float:
    return float(np.count_nonzero(found.labels == label)) * MM_PER_PX**2


@pytest.mark.parametrize("ground", [GREY, PAPER], ids=["grey", "paper"])
@pytest.mark.parametrize("tissue", [BROWN, GREEN, RED], ids=["brown", "green", "red"])
def test_a_disc_of_tissue_has_its_area(
    draw: Callable[..., Tile],
    model: TissueModel,
    tissue: tuple[float, float, float],
    ground: tuple[float, float, float],
) -> None:
    found = mapped(draw(ground, (disc(48, 42, 20), tissue, 1.0)), model)
    assert found.problem == ""
    # 2 %: an edge placed wrong by 0.2 mm, one pixel, on a radius of 20 mm.
    assert area_mm2(found, LIVE) == pytest.approx(np.pi * 20**2, rel=0.02)
    assert area_mm2(found, BARE) + area_mm2(found, OVERGROWN) < 0.02 * np.pi * 20**2
    assert found.unsure is not None
    assert found.unsure < 0.1


@pytest.mark.parametrize("tissue", [BROWN, GREEN, RED], ids=["brown", "green", "red"])
def test_a_bare_crescent_has_its_area(
    draw: Callable[..., Tile], model: TissueModel, tissue: tuple[float, float, float]
) -> None:
    whole, left = disc(48, 42, 20), disc(42, 42, 20)
    found = mapped(draw(GREY, (whole, tissue, 1.0), (whole & ~left, SKELETON, 3.0)), model)
    live_mm2 = float(np.count_nonzero(whole & left)) * MM_PER_PX**2
    bare_mm2 = float(np.count_nonzero(whole & ~left)) * MM_PER_PX**2
    assert area_mm2(found, LIVE) == pytest.approx(live_mm2, rel=0.03)
    assert area_mm2(found, LIVE) + area_mm2(found, BARE) == pytest.approx(
        live_mm2 + bare_mm2, rel=0.02
    )
    # The crescent is at most 6 mm wide and 240 mm² large, with 90 mm of edge: a third of a
    # millimetre is 13 %. White spreads over the soft edge, so the model errs to this side.
    assert area_mm2(found, BARE) == pytest.approx(bare_mm2, rel=0.13)


def test_growth_on_the_body_is_overgrown(draw: Callable[..., Tile], model: TissueModel) -> None:
    whole, left = disc(48, 42, 20), disc(38, 42, 20)
    bare, grown = whole & ~left, whole & ~disc(42, 42, 20)
    found = mapped(draw(GREY, (whole, RED, 1.0), (bare, SKELETON, 3.0), (grown, TURF, 5.0)), model)
    truth = float(np.count_nonzero(grown)) * MM_PER_PX**2
    assert area_mm2(found, OVERGROWN) == pytest.approx(truth, rel=0.1)


def test_an_empty_window_holds_nothing(draw: Callable[..., Tile], model: TissueModel) -> None:
    for ground in (GREY, PAPER):
        found = mapped(draw(ground), model)
        assert found.problem == "nothing-found"
        assert found.unsure is None
        assert not found.labels.any()


def test_two_specimens_are_not_counted_as_one(
    draw: Callable[..., Tile], model: TissueModel
) -> None:
    tile = draw(GREY, (disc(25, 42, 12), BROWN, 1.0), (disc(72, 42, 12), GREEN, 1.0))
    found = mapped(tile, model)
    assert (found.problem, found.bodies) == ("several-specimens", 2)


def test_what_is_not_shown_is_not_labelled(draw: Callable[..., Tile], model: TissueModel) -> None:
    valid = np.ones(SHAPE, bool)
    valid[:, :240] = False  # the left half of the disc
    found = map_tissue(
        draw(GREY, (disc(48, 42, 20), BROWN, 1.0)), valid=valid, mm_per_px=MM_PER_PX, model=model
    )
    assert not found.labels[:, :240].any()
    assert not found.unsure_map[:, :240].any()
    assert area_mm2(found, LIVE) == pytest.approx(np.pi * 200, rel=0.04)


def test_a_persons_outline_bounds_the_specimen(
    draw: Callable[..., Tile], model: TissueModel
) -> None:
    tile = draw(GREY, (disc(25, 42, 12), BROWN, 1.0), (disc(72, 42, 12), BROWN, 1.0))
    found = mapped(tile, model, outline=disc(25, 42, 14))
    assert found.problem == ""
    assert not found.labels[~disc(25, 42, 14)].any()
    assert area_mm2(found, LIVE) == pytest.approx(np.pi * 144, rel=0.03)
    assert mapped(tile, model, outline=disc(48, 10, 4)).problem == "nothing-found"


def test_the_scale_of_the_cut_out_hardly_matters(
    draw: Callable[..., Tile], model: TissueModel
) -> None:
    tile = draw(GREY, (disc(48, 42, 20), BROWN, 1.0))
    half = tile.reshape(210, 2, 240, 2, 3).mean(axis=(1, 3))
    found = map_tissue(half, valid=np.ones((210, 240), bool), mm_per_px=0.4, model=model)
    # One pixel of edge is now 0.4 mm: 4 % of the area.
    assert float((found.labels == LIVE).sum()) * 0.16 == pytest.approx(np.pi * 400, rel=0.04)


def test_labels_and_doubt_have_the_shape_of_the_cut_out(
    draw: Callable[..., Tile], model: TissueModel
) -> None:
    found = mapped(draw(GREY, (disc(48, 42, 20), BROWN, 1.0)), model)
    assert found.labels.shape == found.unsure_map.shape == SHAPE
    assert found.labels.dtype == np.uint8
    assert set(np.unique(found.labels)) <= {BACKGROUND, LIVE, BARE, OVERGROWN}
    assert 0 <= found.unsure_map.min() <= found.unsure_map.max() <= 0.75


class Doubter:
    """Says "live, or else bare" in one half of a disc, "bare, or else live" in the other."""

    def probabilities(self, lab, *, mm_per_px, valid=None, centre_mm=None):
        inside, left = disc(48, 42, 20), np.arange(SHAPE[1])[None, :] < SHAPE[1] / 2
        chances = np.zeros((*SHAPE, 4), np.float32)
        chances[..., BACKGROUND] = ~inside
        chances[..., LIVE] = np.where(left, 0.8, 0.3) * inside
        chances[..., BARE] = np.where(left, 0.2, 0.7) * inside
        return chances


def test_a_map_tells_how_much_of_it_may_be_on_the_wrong_side_of_live() -> None:
    found = mapped(np.zeros((*SHAPE, 3), np.float32), Doubter())
    # Half of the disc is wrong with a chance of 0.2, half with 0.3; votes of neighbours blur the
    # seam and the rim, a few per cent of it.
    assert found.sides == pytest.approx(0.25, abs=0.01)


class Holed:
    """Says "live" with a hole of ground in it, as likely as told; ground all around is certain."""

    def __init__(self, radius_mm: float, ground: float, *, gate: bool = False) -> None:
        self.radius_mm, self.ground, self.gate = radius_mm, ground, gate

    def probabilities(self, lab: Tile, **_: object) -> Tile:
        chances = np.zeros((*lab.shape[:2], 4), np.float32)
        body = disc(48, 42, 15)
        if self.gate:  # the hole is a bay: open on one side
            body &= ~(disc(58, 42, 2) | disc(55, 42, 2) | disc(62, 42, 2))
        chances[..., BACKGROUND] = ~body
        hole = disc(48, 42, self.radius_mm)
        chances[hole, BACKGROUND] = self.ground
        chances[..., LIVE] = 1 - chances[..., BACKGROUND]
        return chances


@pytest.mark.parametrize(
    ("radius_mm", "ground", "filled"),
    [(4, 0.7, True), (4, 0.9, False), (1.2, 0.7, False)],
)
def test_a_large_hole_is_one_only_where_ground_is_likely(
    radius_mm: float, ground: float, filled: bool
) -> None:
    tile = np.zeros((*SHAPE, 3), np.float32)
    found = mapped(tile, Holed(radius_mm, ground))  # type: ignore[arg-type]
    middle = disc(48, 42, 0.7 * radius_mm)
    assert (found.labels[middle] == (LIVE if filled else BACKGROUND)).all()
    if filled:
        assert found.unsure_map[middle].min() > 0.25  # doubtful it stays


def test_a_bay_is_no_hole() -> None:
    tile = np.zeros((*SHAPE, 3), np.float32)
    found = mapped(tile, Holed(8, 0.7, gate=True))  # type: ignore[arg-type]
    assert (found.labels[disc(48, 42, 6)] == BACKGROUND).all()
