"""Frames, polygons, discs on the pixel grid, and standard deviations against closed forms."""

import numpy as np
import pytest

from polypward.cards import load_layout
from polypward.labels import BARE, LIVE, OVERGROWN
from polypward_vision.measure import area_rsd, measure
from polypward_vision.tile import TileFrame, cut_tile, frame_beside, frame_of_picture


def test_frames_of_both_layouts() -> None:
    frame, aim, decides = frame_beside(load_layout("frame"))
    assert (frame.x_mm, frame.y_mm, frame.rows, frame.cols) == (37.0, 37.0, 560, 560)
    assert (aim, decides) == ((56.0, 56.0), False)
    # The strip's arrow points up from its upper edge: a 140 mm square above it.
    frame, aim, decides = frame_beside(load_layout("strip"))
    assert (frame.rows, frame.cols, decides) == (700, 700, True)
    assert (frame.x_mm, frame.y_mm) == pytest.approx((42.8 - 70, -140.0))
    assert aim == pytest.approx((70.0, 140.0 - 140 / 3))


def test_polygon_area() -> None:
    frame = TileFrame(x_mm=10, y_mm=-5, rows=300, cols=400, mm_per_px=0.2)
    triangle = [(20, 0), (60, 0), (20, 30)]
    assert frame.polygon(triangle).sum() * 0.04 == pytest.approx(600, rel=0.01)


def test_picture_without_card_keeps_its_size() -> None:
    frame = frame_of_picture((3000, 4000), 0.1)
    assert frame.cols * frame.mm_per_px == pytest.approx(400, rel=1e-3)
    assert frame.rows * frame.mm_per_px == pytest.approx(300, rel=1e-3)
    assert max(frame.rows, frame.cols) <= 1200


@pytest.mark.parametrize("px_mm", [0.05, 0.1, 0.2, 0.33])
def test_fine_pictures_are_averaged(px_mm) -> None:
    """A checkerboard finer than the cut-out's pixels becomes an even grey and not a pattern."""
    side = round(60 / px_mm)
    row, col = np.mgrid[:side, :side]
    picture = np.where((row + col) % 2 == 0, 40, 200).astype(np.uint8)[..., None].repeat(3, 2)
    plane = np.array([[1 / px_mm, 0, -0.5], [0, 1 / px_mm, -0.5], [0, 0, 1.0]])
    frame = TileFrame(x_mm=5, y_mm=5, rows=200, cols=230)
    tile = cut_tile(picture, frame, plane)
    assert tile.valid.all()
    assert tile.rgb.mean() == pytest.approx(120, abs=2)
    if px_mm <= 0.1:
        assert tile.rgb.std() < 12


def test_outside_the_picture_is_cut_or_not_valid() -> None:
    picture = np.full((400, 500, 3), 90, np.uint8)  # 100 mm x 80 mm
    plane = np.array([[5, 0, -0.5], [0, 5, -0.5], [0, 0, 1.0]])
    frame = TileFrame(x_mm=-20, y_mm=30, rows=400, cols=300)  # to x 40, y 110
    tile = cut_tile(picture, frame, plane, aim_mm=(40.0, 10.0))
    assert tile.frame.x_mm == pytest.approx(0, abs=0.3)
    assert tile.frame.y_mm == 30
    assert tile.frame.rows * 0.2 == pytest.approx(50, abs=0.5)
    # The aim stays the same point of the card.
    assert tile.aim_mm[0] + tile.frame.x_mm == pytest.approx(20)


def labels_of(*discs):
    row, col = np.mgrid[:400, :500]
    labels = np.zeros((400, 500), np.uint8)
    for value, x, y, radius in discs:
        labels[np.hypot(col + 0.5 - x, row + 0.5 - y) <= radius] = value
    return labels


def rsd(**changes):
    known = {
        "rms_px": 0.3, "corners": 32, "span_px": 2400.0, "print_scale_known": True,
        "height_known": True, "camera_mm": 360.0, "tilt_deg": 5.0,
    }  # fmt: skip
    return area_rsd(**(known | changes))


def test_disc_measures() -> None:
    labels = labels_of((OVERGROWN, 250, 200, 150), (BARE, 250, 200, 120), (LIVE, 250, 200, 100))
    lab = np.zeros((400, 500, 3), np.float32) + np.array([50, 20, 10], np.float32)
    left_out = np.zeros(labels.shape, bool)
    left_out[180:220] = True
    lab[left_out] = (99, 0, 0)
    found = measure(labels, mm_per_px=0.2, rsd=rsd(), lab=lab, left_out=left_out)
    # Lattice points in a circle: within 0.05 % of pi r^2 at these radii.
    assert found.live_mm2 == pytest.approx(np.pi * 20**2, rel=1e-3)
    assert found.bare_mm2 == pytest.approx(np.pi * (24**2 - 20**2), rel=2e-3)
    assert found.live_cover == pytest.approx(20**2 / 30**2, abs=1e-3)
    assert found.perimeter_mm == pytest.approx(2 * np.pi * 20, rel=0.005)
    assert found.mean_lab == pytest.approx((50, 20, 10))
    assert found.palette[:, 3].sum() == pytest.approx(found.live_mm2, rel=1e-5)


def test_a_doubtful_map_widens_cover_and_only_cover() -> None:
    labels = labels_of((BARE, 250, 200, 120), (LIVE, 250, 200, 100))
    nothing = np.zeros(labels.shape, bool)
    sure, doubtful = (
        measure(labels, mm_per_px=0.2, rsd=rsd(), lab=None, left_out=nothing, sides=sides)
        for sides in (0.0, 0.10)
    )
    # Of what the map itself expects on the wrong side a quarter errs the same way: 0.025, and a
    # little for the outline.
    assert sure.live_cover_sd < 0.01
    assert 0.025 < doubtful.live_cover_sd < 0.03
    assert doubtful.live_mm2_sd == sure.live_mm2_sd
    assert doubtful.live_cover == sure.live_cover


def test_colour_refused_gives_no_colour() -> None:
    labels = labels_of((LIVE, 250, 200, 50))
    nothing = np.zeros(labels.shape, bool)
    found = measure(labels, mm_per_px=0.2, rsd=rsd(), lab=None, left_out=nothing)
    assert (found.mean_lab, found.bare_lab, found.palette) == (None, None, None)
    empty = measure(np.zeros_like(labels), mm_per_px=0.2, rsd=rsd(), lab=None, left_out=nothing)
    assert (empty.live_mm2, empty.live_cover, empty.perimeter_mm) == (0.0, None, 0.0)


def test_area_sd() -> None:
    """Four corners, side 400 px, noise 0.5 px: sqrt(2) s / L = 0.177 % (simulated 0.177 %)."""
    assert rsd(rms_px=0.5, corners=4, span_px=400.0).corners == pytest.approx(0.00177, rel=0.01)
    base = rsd()
    # A print never measured: 1 % of length, 2 % of area.
    assert rsd(print_scale_known=False).print_scale == pytest.approx(0.02)
    assert rsd(print_scale_known=False).scale > base.scale
    assert rsd(height_known=False).scale > base.scale
    # From 25 degrees on the SD grows, doubled at 35.
    assert rsd(tilt_deg=25.0).scale == base.scale
    assert rsd(tilt_deg=35.0).scale == pytest.approx(2 * base.scale)
