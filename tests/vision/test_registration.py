"""An outline carried by the skeleton: pictures turned and shifted by a known amount."""

import cv2
import numpy as np
import pytest

from polypward.labels import BARE, LIVE
from polypward_vision.registration import Outlined, carried, grown, lightness, register
from polypward_vision.tile import TileFrame

FRAME = TileFrame(x_mm=37.0, y_mm=37.0, rows=440, cols=480)
MIDDLE = np.array([80.0, 78.0])


def scene(seed: int, *, turn_deg: float = 0.0, shift_mm=(0.0, 0.0), noise: float = 2.0):
    """Draw ridges and grains in a bean of 40 x 26 mm, turned about its middle and shifted."""
    rng = np.random.default_rng(seed)
    row, col = np.mgrid[: FRAME.rows, : FRAME.cols]
    x = FRAME.x_mm + (col + 0.5) * FRAME.mm_per_px - MIDDLE[0] - shift_mm[0]
    y = FRAME.y_mm + (row + 0.5) * FRAME.mm_per_px - MIDDLE[1] - shift_mm[1]
    turn = np.radians(turn_deg)
    u, v = np.cos(turn) * x + np.sin(turn) * y, -np.sin(turn) * x + np.cos(turn) * y
    waves = rng.uniform(-1.1, 1.1, (14, 2))
    phases = rng.uniform(0, 2 * np.pi, 14)
    relief = sum(np.sin(a * u + b * v + p) for (a, b), p in zip(waves, phases, strict=True))
    body = (u / 20) ** 2 + ((v - 0.012 * u**2) / 13) ** 2 < 1
    light = np.where(body, 150 + 9 * relief, 90)
    light = cv2.GaussianBlur(light, (0, 0), 2) + rng.normal(0, noise, light.shape)
    labels = np.where(body, np.where(u > 4, BARE, LIVE), 0).astype(np.uint8)
    return np.clip(light, 0, 255).astype(np.uint8), labels


def outlined(seed: int) -> Outlined:
    light, labels = scene(seed)
    contours, _ = cv2.findContours(
        (labels > 0).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE
    )
    at = max(contours, key=cv2.contourArea)[:, 0, :]
    points = tuple(
        (FRAME.x_mm + (x + 0.5) * FRAME.mm_per_px, FRAME.y_mm + (y + 0.5) * FRAME.mm_per_px)
        for x, y in at.astype(float)
    )
    return Outlined(light=light, labels=labels, frame=FRAME, outline_mm=points)


@pytest.mark.parametrize(
    ("turn", "shift"), [(0, (0, 0)), (23, (4, -3)), (-141, (-8, 5)), (180, (3, 9))]
)
def test_turn_and_shift_are_found(turn, shift) -> None:
    light, labels = scene(5, turn_deg=turn, shift_mm=shift, noise=4)
    found = register(outlined(5), light, FRAME)
    assert found is not None
    assert found.sure
    angle = np.degrees(np.arctan2(found.move[1, 0], found.move[0, 0]))
    # A fifth of a pixel over the body's 20 mm is 0.1 degrees; ten times that is asked.
    assert (angle - turn + 180) % 360 - 180 == pytest.approx(0, abs=1)
    assert found.move @ [*MIDDLE, 1] == pytest.approx([*(MIDDLE + shift), 1], abs=0.2)
    mask = carried(outlined(5), light, FRAME)
    assert mask is not None
    assert mask[labels > 0].all()


def test_another_specimen_is_not_taken_for_it() -> None:
    for seed in (11, 12, 13):
        light, _ = scene(seed, turn_deg=30)
        assert carried(outlined(5), light, FRAME) is None


def test_an_empty_ground_is_not_taken_for_it() -> None:
    rng = np.random.default_rng(1)
    light = np.clip(rng.normal(120, 6, (FRAME.rows, FRAME.cols)), 0, 255).astype(np.uint8)
    assert carried(outlined(5), light, FRAME) is None


def test_an_outline_off_the_cut_out_holds_nothing_to_go_by() -> None:
    one = outlined(5)
    far = tuple((x + 500, y) for x, y in one.outline_mm)
    away = Outlined(light=one.light, labels=one.labels, frame=FRAME, outline_mm=far)
    assert register(away, one.light, FRAME) is None


def test_flesh_may_swell_over_the_outline() -> None:
    # Truth: a disc of 20 mm may reach a quarter of its radius beyond, a small one 3 mm.
    for radius, beyond in ((20.0, 5.0), (6.0, 3.0)):
        angle = np.linspace(0, 2 * np.pi, 200)
        disc = np.column_stack(
            [MIDDLE[0] + radius * np.cos(angle), MIDDLE[1] + radius * np.sin(angle)]
        )
        mask = grown(tuple(map(tuple, disc)), FRAME)
        area = np.count_nonzero(mask) * FRAME.mm_per_px**2
        assert np.sqrt(area / np.pi) == pytest.approx(radius + beyond, abs=0.15)


def test_lightness_in_eight_bits() -> None:
    lab = np.zeros((1, 3, 3), np.float32)
    lab[0, :, 0] = (0, 50, 100)
    assert lightness(lab).tolist() == [[0, 128, 255]]
