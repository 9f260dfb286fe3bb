"""The advance of an edge on drawn skeletons: known strips die, specimens are turned and shifted."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from polypward.labels import BARE, LIVE, OVERGROWN
from polypward_vision.edge_advance import EdgeAdvance, VisitMap, edge_advances, outline_of
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
    light = np.clip(light, 0, 255).astype(np.uint8)
    return VisitMap(light=light, labels=labels, frame=frame)


def edge_advance(before: VisitMap, after: VisitMap) -> EdgeAdvance:
    (found,) = edge_advances([before, after])
    return found


def painted(one: VisitMap, label: int, *, u: float, v: float, radius_mm: float) -> VisitMap:
    """Misread a disc of an unturned scene: its middle at (u, v) of the slab, mm."""
    row, col = np.mgrid[: one.frame.rows, : one.frame.cols]
    x = one.frame.x_mm + (col + 0.5) * one.frame.mm_per_px - MIDDLE[0] - u
    y = one.frame.y_mm + (row + 0.5) * one.frame.mm_per_px - MIDDLE[1] - v
    inside = (np.hypot(x, y) < radius_mm) & (one.labels > 0)
    return replace(one, labels=np.where(inside, np.uint8(label), one.labels))


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
    later = scene(1.0)
    grown = np.where(later.labels == BARE, OVERGROWN, later.labels).astype(np.uint8)
    found = edge_advance(scene(4.0), replace(later, labels=grown))
    assert found.advance_mm == pytest.approx(3.0, abs=0.3)


def test_not_available_says_why() -> None:
    whole = edge_advance(scene(99.0), scene(99.0))
    assert (whole.advance_mm, whole.per_week(7)) == (None, None)
    assert "no edge" in whole.missing
    other = edge_advance(scene(4.0), scene(2.0, seed=11, turn_deg=30))
    assert other.advance_mm is None
    assert "could not be laid" in other.missing
    empty = replace(scene(4.0), labels=np.zeros_like(scene(4.0).labels))
    assert outline_of(empty.labels, empty.frame) == ()
    assert "no specimen" in edge_advance(empty, scene(4.0)).missing
    (gone,) = edge_advances([None, scene(4.0)])
    assert "gone" in gone.missing


def test_the_sd_holds_the_error() -> None:
    """Over turns, 2 SD hold the truth nine times in ten or more."""
    errors = []
    for turn in range(0, 360, 36):
        found = edge_advance(scene(4.0), scene(2.0, turn_deg=turn, shift=(turn / 60, -3)))
        assert found.advance_mm is not None
        assert found.sd_mm is not None
        errors.append(abs(found.advance_mm - 2.0) <= 2 * found.sd_mm)
    assert np.mean(errors) >= 0.9


def test_a_patch_that_one_map_alone_shows_does_not_move_the_edge() -> None:
    """The edge draws back by 1 mm a visit; the second map misreads a disc of 79 mm2 as bare."""
    maps = [scene(6.0 - visit) for visit in range(5)]
    maps[2] = painted(maps[2], BARE, u=-8, v=0, radius_mm=5)
    steps = edge_advances(maps)
    assert [step.missing for step in steps] == [""] * 4
    assert [step.confirmed for step in steps] == [False, True, True, False]
    assert [step.advance_mm for step in steps] == pytest.approx([1.0] * 4, abs=0.3)
    # The same the other way round: dead skeleton read as live for one visit.
    maps[2] = painted(scene(4.0), LIVE, u=12, v=0, radius_mm=5)
    assert [step.advance_mm for step in edge_advances(maps)] == pytest.approx([1.0] * 4, abs=0.3)


def test_a_patch_in_the_newest_map_alone_waits_for_the_next_visit() -> None:
    maps = [scene(5.0), scene(4.0), painted(scene(3.0), BARE, u=-8, v=0, radius_mm=5)]
    newest = edge_advances(maps, last=1)
    assert len(newest) == 1
    assert newest[0].advance_mm is None
    assert "only one of the two tissue maps shows a patch of 7" in newest[0].missing
    # The next visit shows it too: then it is a new lesion, and counts.
    there = [*maps, painted(scene(3.0), BARE, u=-8, v=0, radius_mm=5)]
    sure = edge_advances(there)[1]
    assert sure.lost_mm2 == pytest.approx(26 + 79, abs=8)
    # So does the first map: nobody knows what was there before.
    first = edge_advances([painted(scene(5.0), BARE, u=-8, v=0, radius_mm=5), scene(4.0)])
    assert "only one of the two" in first[0].missing


def test_a_small_patch_is_left_out_of_the_figure() -> None:
    """A disc of 4.5 mm2 beside a loss of 52 mm2: 2 mm, and said what was left out."""
    found = edge_advance(scene(4.0), painted(scene(2.0), BARE, u=-10, v=0, radius_mm=1.2))
    assert found.advance_mm == pytest.approx(2.0, abs=0.3)
    assert found.set_aside_mm2 == pytest.approx(np.pi * 1.2**2, rel=0.15)


def test_a_map_in_doubt_widens_the_sd() -> None:
    clear = edge_advance(scene(4.0), scene(2.0))
    doubtful = edge_advance(scene(4.0), replace(scene(2.0), unsure=0.1))
    assert clear.sd_mm is not None
    assert doubtful.sd_mm is not None
    # A quarter of the unsure tenth of 1040 mm2 errs to one side, along 26 mm: 1 mm.
    assert doubtful.sd_mm == pytest.approx(np.hypot(clear.sd_mm, 1.0), rel=0.06)
