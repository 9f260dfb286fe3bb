"""The pinhole and the water surface against independent arithmetic."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from phantoms.cameras import Camera, Pose
from phantoms.projection import Projection

CAMERA = Camera(
    rows=900,
    cols=1200,
    focal_35mm=28,
    pose=Pose(distance_mm=350, tilt_deg=17, tilt_towards_deg=70, roll_deg=33, offset_mm=(4, -6)),
)


def test_points_fall_where_opencv_projects_them() -> None:
    projection = Projection(CAMERA, (90, 80))
    points = np.array([[0, 0], [120, 5], [180, 186], [10, 150.0]])
    for height in (0.0, 22.0):
        solid = np.column_stack([points, np.full(len(points), -height)])
        turn, _ = cv2.Rodrigues(projection.rotation)
        shift = -projection.rotation @ projection.centre
        expected, _ = cv2.projectPoints(solid, turn, shift, projection.intrinsic, None)
        np.testing.assert_allclose(projection.pixels(points, height), expected[:, 0], atol=1e-2)


def test_the_camera_stands_where_the_pose_says() -> None:
    projection = Projection(CAMERA, (90, 80))
    assert -projection.centre[2] == pytest.approx(350)  # perpendicular to the card plane
    assert np.degrees(np.arccos(projection.rotation[2, 2])) == pytest.approx(17)
    aim = projection.pixels(np.array([[94.0, 74.0]]), 0)[0]
    np.testing.assert_allclose(aim, [(1200 - 1) / 2, (900 - 1) / 2], atol=1e-3)
    np.testing.assert_allclose(projection.rotation @ projection.rotation.T, np.eye(3), atol=1e-12)


@pytest.mark.parametrize("height", [10.0, 40.0])
def test_a_raised_plane_looks_larger_by_the_square_of_its_nearness(height: float) -> None:
    camera = replace(CAMERA, pose=Pose(distance_mm=300, tilt_deg=0))
    projection = Projection(camera, (50, 50))
    square = np.array([[40, 40], [60, 40], [60, 60], [40, 60.0]])
    low, high = (cv2.contourArea(projection.pixels(square, h)) for h in (0.0, height))
    assert high / low == pytest.approx((300 / (300 - height)) ** 2, rel=1e-4)


def test_water_brings_the_card_nearer_by_its_refractive_index() -> None:
    """Paraxial: depth w under a flat surface looks w / n deep; 200 mm air, 150 mm water."""
    camera = replace(CAMERA, pose=Pose(distance_mm=350, tilt_deg=0), rows=300, cols=400)
    projection = Projection(camera, (0, 0), water_mm=150)
    apparent = {}
    for height in (0.0, 40.0):
        x, _ = projection._through_water(height, (150, 151, 200, 202))
        per_px = float(x[0, 1] - x[0, 0])
        apparent[height] = per_px * camera.focal_px
    # 1e-3: float32 differences of neighbouring pixels.
    assert apparent[0.0] == pytest.approx(200 + 150 / 1.34, rel=1e-3)
    assert apparent[40.0] == pytest.approx(200 + 110 / 1.34, rel=1e-3)
