"""Homographies, areas, tilt, distance and heights against closed forms and a known camera."""

import numpy as np
import pytest

from polypward.cards import load_layout
from polypward_vision.pose import (
    WATER_INDEX,
    area_mm2_per_px,
    find_pose,
    project,
)


def corners(layout: str = "frame") -> np.ndarray:
    return np.concatenate([np.array(m.corners_mm, float) for m in load_layout(layout).markers])


def seen(view, height_mm=0.0, noise=0.0, seed=0):
    mm = corners()
    rng = np.random.default_rng(seed)
    return project(view.plane(height_mm), mm) + rng.normal(0, noise, mm.shape), mm


def pose_of(view, noise=0.0, seed=0, **more):
    px, mm = seen(view, noise=noise, seed=seed)
    return find_pose(px, mm, shape=(view.rows, view.cols), focal_35mm=view.focal_35mm, **more)


def test_homography_by_hand() -> None:
    """The unit square to (0,0) (4,0) (3,2) (1,2) is [[4,2,0],[0,4,0],[0,1,1]]."""
    h = np.array([[4, 2, 0], [0, 4, 0], [0, 1, 1.0]])
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]])
    np.testing.assert_allclose(project(h, square), [[0, 0], [4, 0], [3, 2], [1, 2]], atol=1e-12)


def test_local_area() -> None:
    """Determinant of the Jacobian, 1.046215 at (100, 50) of this homography, by hand."""
    h = np.array([[1.1, 0.05, 10], [-0.02, 0.95, 5], [1e-4, -2e-4, 1]])
    np.testing.assert_allclose(project(h, [100, 50]), [122.5, 50.5], atol=1e-9)
    assert float(area_mm2_per_px(h, [100, 50])) == pytest.approx(1 / 1.046215, rel=1e-6)


@pytest.mark.parametrize("tilt", [0.0, 8.0, 20.0, 35.0])
@pytest.mark.parametrize("towards", [0.0, 130.0])
def test_distance_and_tilt_of_a_perfect_picture(kit, tilt, towards) -> None:
    view = kit[0](tilt_deg=tilt, towards_deg=towards, distance_mm=410)
    pose = pose_of(view)
    assert pose.camera_mm == pytest.approx(410, rel=1e-5)
    if pose.tilt_deg is not None:
        assert pose.tilt_deg == pytest.approx(tilt, abs=0.01)
    assert tilt < 1 or pose.tilt_deg is not None
    assert pose.rms_px < 1e-4


def test_tilt_under_noise(kit) -> None:
    """A large card at 20 degrees: half a pixel of noise leaves distance and tilt good."""
    view = kit[0](tilt_deg=20)
    poses = [pose_of(view, noise=0.5, seed=seed) for seed in range(20)]
    assert np.std([pose.camera_mm for pose in poses]) < 1.0
    assert np.abs([pose.tilt_deg - 20 for pose in poses]).max() < 1.5
    # Expected RMS of n corners fitted by 8 numbers: noise times sqrt((2n - 8) / 2n), n = 32.
    assert np.mean([pose.rms_px for pose in poses]) == pytest.approx(
        0.5 * np.sqrt(56 / 64), rel=0.1
    )


@pytest.mark.parametrize("height", [10.0, 30.0, 60.0])
@pytest.mark.parametrize("tilt", [0.0, 22.0])
def test_planes_above_the_card(kit, height, tilt) -> None:
    view = kit[0](tilt_deg=tilt, distance_mm=300)
    plane = pose_of(view).plane(height)
    points = np.array([[60, 60], [120, 70], [93, 130.0]])
    np.testing.assert_allclose(
        project(plane, points), project(view.plane(height), points), atol=0.01
    )
    if tilt == 0:
        ratio = area_mm2_per_px(pose_of(view).plane(0), points) / area_mm2_per_px(plane, points)
        # (D / (D - h))^2: 1.0702 at 10 mm and 1.5625 at 60 mm from 300 mm.
        np.testing.assert_allclose(ratio, (300 / (300 - height)) ** 2, rtol=1e-4)


def test_height_under_water(kit) -> None:
    """Paraxial: areas shrink by (Da / (Da - h / n))^2, 1.0596 at 300 mm, 17 mm; D adds the bend."""
    view = kit[0](distance_mm=300)
    pose = pose_of(view, water_mm=134.0)
    at = [[93, 93.0]]
    ratio = float((area_mm2_per_px(pose.plane(0), at) / area_mm2_per_px(pose.plane(30), at))[0])
    assert ratio == pytest.approx((300 / (300 - 30 / WATER_INDEX)) ** 2, rel=1e-4)
    # 134 mm of water look 100 mm deep.
    assert pose.camera_mm == pytest.approx(300 + 134 - 100, abs=0.1)


def test_without_focal_length(kit) -> None:
    """A tilted large card tells its own focal length; a level one does not."""
    tilted, level = kit[0](tilt_deg=25), kit[0](tilt_deg=1)
    for view, told in ((tilted, True), (level, False)):
        px, mm = seen(view, noise=0.3)
        pose = find_pose(px, mm, shape=(view.rows, view.cols))
        assert (pose.camera_mm is not None) is told
        if told:
            assert pose.camera_mm == pytest.approx(360, rel=0.05)
            assert pose.tilt_deg == pytest.approx(25, abs=2)
        else:
            with pytest.raises(ValueError, match="focal"):
                pose.plane(10)
            assert pose.plane(0) is pose.to_px


def test_a_wrong_corner_is_left_out(kit) -> None:
    view = kit[0](tilt_deg=10)
    px, mm = seen(view, noise=0.2)
    px[5] += (12, -7)
    pose = find_pose(px, mm, shape=(view.rows, view.cols), focal_35mm=26)
    assert not pose.kept[5]
    assert pose.kept.sum() >= 30
    at = [[93, 93.0]]
    truth = area_mm2_per_px(view.plane(), at)
    np.testing.assert_allclose(area_mm2_per_px(pose.to_px, at), truth, rtol=1e-3)
