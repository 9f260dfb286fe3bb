"""Calibration against cameras that are known exactly, and photos straightened."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from polypward.cards import load_layout
from polypward.errors import BadInputError
from polypward_vision.find_card import find_card
from polypward_vision.lens import CardView, Lens, calibrate, straightened
from polypward_vision.pose import DIAGONAL_35MM, find_pose

ROWS, COLS = 3024, 4032
FOCAL_35MM = 25.4
CORNERS_MM = np.concatenate(
    [np.array(marker.corners_mm) for marker in load_layout("frame").markers]
).astype(float)


def view(rng, *, tilt_deg, towards_deg, k1=0.0, k2=0.0, upright=False, noise_px=0.3) -> CardView:
    """Project the card's corners through a known lens (OpenCV's own model, other direction)."""
    rows, cols = (COLS, ROWS) if upright else (ROWS, COLS)
    focal = FOCAL_35MM / DIAGONAL_35MM * np.hypot(rows, cols)
    camera = np.array([[focal, 0, (cols - 1) / 2], [0, focal, (rows - 1) / 2], [0, 0, 1]])
    towards = np.radians(towards_deg)
    axis = np.array([-np.sin(towards), np.cos(towards), 0]) * np.radians(tilt_deg)
    spin = np.array([0, 0, rng.uniform(-0.3, 0.3)])
    rotation = cv2.Rodrigues(axis)[0] @ cv2.Rodrigues(spin)[0]
    middle = CORNERS_MM.mean(axis=0)
    move = np.array([rng.uniform(-15, 15), rng.uniform(-15, 15), 330.0]) - rotation @ [*middle, 0]
    points = np.column_stack([CORNERS_MM, np.zeros(len(CORNERS_MM))])
    seen, _ = cv2.projectPoints(
        points, cv2.Rodrigues(rotation)[0], move, camera, np.array([k1, k2, 0, 0, 0])
    )
    return CardView(
        corners_px=seen[:, 0] + rng.normal(0, noise_px, (len(points), 2)),
        corners_mm=CORNERS_MM,
        full_size=(rows, cols),
    )


def views(count=12, *, tilt_deg=25.0, seed=0, **more) -> list[CardView]:
    rng = np.random.default_rng(seed)
    return [view(rng, tilt_deg=tilt_deg, towards_deg=360 * n / count, **more) for n in range(count)]


@pytest.mark.parametrize(("k1", "k2"), [(0.0, 0.0), (0.06, -0.03), (-0.12, 0.05)])
def test_focal_length_and_distortion_of_a_known_lens(k1, k2) -> None:
    lens = calibrate(views(k1=k1, k2=k2), exif_35mm=26.0)
    assert lens.focal_35mm == pytest.approx(FOCAL_35MM, rel=4 * lens.focal_sd)
    assert 0 < lens.focal_sd < 0.005
    assert lens.k1 == pytest.approx(k1, abs=0.01)
    # Noise of 0.3 px per coordinate; the corners' misses are that, along both.
    assert lens.rms_px == pytest.approx(0.3 * np.sqrt(2), rel=0.15)


def test_upright_and_across_are_one_lens() -> None:
    mixed = views(6, k1=0.05) + views(6, k1=0.05, upright=True, seed=1)
    lens = calibrate(mixed, exif_35mm=None)
    assert lens.focal_35mm == pytest.approx(FOCAL_35MM, rel=0.005)
    assert lens.k1 == pytest.approx(0.05, abs=0.01)


@pytest.mark.parametrize(
    ("some", "says"),
    [
        (views(7), "at least 8"),
        (views(10, tilt_deg=0.5, noise_px=0.6), "Tilt the phone"),
        (views(10, noise_px=3.0), "lay the card flat"),
        ([*views(9), replace(views(1)[0], full_size=(1512, 2016))], "different sizes"),
    ],
)
def test_photos_that_tell_too_little_are_refused(some, says) -> None:
    with pytest.raises(BadInputError, match=says):
        calibrate(some, exif_35mm=26.0)


def test_a_straightened_photo_has_the_cards_true_plane(kit) -> None:
    # Truth: the drawn camera has no distortion; the photo is bent by a known one and bent back.
    view_of, _, snap = kit
    view = view_of(tilt_deg=10)
    photo = snap(view)
    lens = Lens(focal_35mm=view.focal_35mm, k1=0.08, k2=0.0, exif_35mm=26.0, focal_sd=0.001,
                rms_px=0.3, photos=10)  # fmt: skip
    camera = np.array(
        [
            [view.focal_px, 0, (view.cols - 1) / 2],
            [0, view.focal_px, (view.rows - 1) / 2],
            [0, 0, 1],
        ]
    )
    row, col = np.mgrid[: view.rows, : view.cols].astype(np.float32)
    points = np.stack([col.ravel(), row.ravel()], axis=1)[:, None]
    bent_at = cv2.undistortPoints(points, camera, np.array([0.08, 0, 0, 0, 0.0]), P=camera)
    bent_at = bent_at.reshape(*row.shape, 2).astype(np.float32)
    bent = replace(
        photo, rgb=cv2.remap(photo.rgb, bent_at[..., 0], bent_at[..., 1], cv2.INTER_LINEAR)
    )
    straight = straightened(bent, lens)
    misses = []
    for one in (bent, straight):
        found = find_card(one)
        pose = find_pose(
            found.corners_px, found.corners_mm, shape=one.rgb.shape[:2], focal_35mm=26.0
        )
        misses.append(pose.rms_px)
    assert misses[0] > 0.4
    assert misses[1] < 0.6 * misses[0]


def test_another_lens_of_the_phone_is_left_alone(kit) -> None:
    view_of, _, snap = kit
    photo = snap(view_of())
    tele = Lens(focal_35mm=77.0, k1=0.2, k2=0, exif_35mm=77.0, focal_sd=0.001, rms_px=0.3, photos=9)
    assert straightened(photo, tele) is photo
    assert straightened(photo, None) is photo
    main = replace(tele, focal_35mm=25.2, k1=0.0, exif_35mm=26.0)
    same = straightened(photo, main)
    assert (same.focal_35mm, same.rgb is photo.rgb) == (25.2, True)
