"""The advance of an edge on drawn skeletons: known strips die, specimens are turned and shifted."""

import cv2
import numpy as np
import pytest

from polypward.labels import BARE, LIVE, OVERGROWN
from polypward_vision.edge_advance import edge_advance, outline_of
from polypward_vision.tile import TileFrame

FRAME = TileFrame(x_mm=37.0, y_mm=37.0, rows=440, cols=480)
OTHER = TileFrame(x_mm=30.0, y_mm=40.0, rows=400, cols=430, mm_per_px=0.22)
MIDDLE = np.array([80.0, 78.0])


def scene(
    edge_mm: float, frame: TileFrame = FRAME, *, seed: int = 5, turn_deg: float = 0.0, shift=(0, 0)
):
    """Draw a slab of 40 x 26 mm with relief; live on the left of the line u = edge_mm."""
    rng = np.random.default_rng(seed)
    row, col = np.mgrid[: frame.rows, : frame.cols]
    x = frame.x_mm + (col + 0.5) * frame.mm_per_px - MIDDLE[0] - shift[0]
    y = frame.y_mm + (row + 0.5) * frame.mm_per_px - MIDDLE[1] - shift[1]
    turn = np.radians(turn_deg)
    u, v = np.cos(turn) * x + np.sin(turn) * y, -np.sin(turn) * x + np.cos(turn) * y
    waves, phases = rng.uniform(-1.1, 1.1, (14, 2)), rng.uniform(0, 2 * np.pi, 14)
    relief = sum(np.sin(a * u + b * v + p) for (a, b), p in zip(waves, phases, strict=True))
    body = (np.abs(u) < 20) & (np.abs(v) < 13)
    light = cv2.GaussianBlur(np.where(body, 150 + 9 * relief, 90), (0, 0), 2)
    light = light + rng.normal(0, 3, light.shape)
    labels = np.where(body, np.where(u > edge_mm, BARE, LIVE), 0).astype(np.uint8)
    return np.clip(light, 0, 255).astype(np.uint8), labels, frame


@pytest.mark.parametrize("moved", [1.5, 4.0, -2.0])
def test_the_edge_moves_by_what_was_drawn(moved: float) -> None:
    """A straight edge of 26 mm moves by `moved`: that many mm, 26 times as many mm2."""
    found = edge_advance(scene(4.0), scene(4.0 - moved, OTHER, turn_deg=23, shift=(4, -3)))
    assert found.missing == ""
    assert found.advance_mm is not None
    assert found.sd_mm is not None
    # 0.3 mm is what the fit may be off; the edge's length is known to 2 % (four directions).
    assert found.advance_mm == pytest.approx(moved, abs=0.3)
    assert found.edge_mm == pytest.approx(26, rel=0.05)
    area = found.lost_mm2 if moved > 0 else found.healed_mm2
    assert area == pytest.approx(26 * abs(moved), abs=0.3 * 26)
    assert found.per_week(14) == pytest.approx((found.advance_mm / 2, found.sd_mm / 2))
    assert found.per_week(0) is None


def test_old_loss_counts_as_skeleton() -> None:
    light, labels, frame = scene(1.0)
    grown = np.where(labels == BARE, OVERGROWN, labels).astype(np.uint8)
    found = edge_advance(scene(4.0), (light, grown, frame))
    assert found.advance_mm == pytest.approx(3.0, abs=0.3)


def test_not_available_says_why() -> None:
    whole = edge_advance(scene(99.0), scene(99.0))
    assert (whole.advance_mm, whole.per_week(7)) == (None, None)
    assert "no edge" in whole.missing
    other = edge_advance(scene(4.0), scene(2.0, seed=11, turn_deg=30))
    assert other.advance_mm is None
    assert "could not be laid" in other.missing
    light, labels, frame = scene(4.0)
    empty = np.zeros_like(labels)
    assert outline_of(empty, frame) == ()
    assert "no specimen" in edge_advance((light, empty, frame), scene(4.0)).missing


def test_the_sd_holds_the_error() -> None:
    """Over turns, 2 SD hold the truth nine times in ten or more."""
    errors = []
    for turn in range(0, 360, 36):
        found = edge_advance(scene(4.0), scene(2.0, turn_deg=turn, shift=(turn / 60, -3)))
        assert found.advance_mm is not None
        assert found.sd_mm is not None
        errors.append(abs(found.advance_mm - 2.0) <= 2 * found.sd_mm)
    assert np.mean(errors) >= 0.9
