"""The card's plane and the camera's place against independent estimators and exact arithmetic.

Independent: scikit-image's projective transform (normalised direct linear transform), scipy's
least squares on the corners' misses, and OpenCV's iterative perspective solver; none of them is
what `polypward_vision.pose` calls.
"""

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import least_squares
from skimage.transform import ProjectiveTransform

from polypward_vision.pose import (
    DIAGONAL_35MM,
    WATER_INDEX,
    Pose,
    area_mm2_per_px,
    find_pose,
    project,
)

Matrix = npt.NDArray[np.float64]

SHAPE = (3000, 4000)
FOCAL_PX = 3000.0
FOCAL_35MM = FOCAL_PX / float(np.hypot(*SHAPE)) * DIAGONAL_35MM
CAMERA = np.array([[FOCAL_PX, 0, (SHAPE[1] - 1) / 2], [0, FOCAL_PX, (SHAPE[0] - 1) / 2], [0, 0, 1]])


def card_corners() -> Matrix:
    """Corners (32, 2) of eight 12 mm markers round a 130 x 100 mm card."""
    at = [(0, 0), (59, 0), (118, 0), (0, 44), (118, 44), (0, 88), (59, 88), (118, 88)]
    square = np.array([[0, 0], [12, 0], [12, 12], [0, 12]])
    return np.concatenate([np.array(corner) + square for corner in at]).astype(float)


def view(*, distance_mm: float, tilt_deg: float, towards_deg: float = 40.0) -> Matrix:
    """Homography (3, 3) from card mm to pixels of a camera over the card's middle."""
    tilt, towards = np.radians([tilt_deg, towards_deg])
    axis = np.array([-np.sin(towards), np.cos(towards), 0]) * tilt
    turn, _ = cv2.Rodrigues(axis)
    middle = np.array([65.0, 50.0, 0.0])
    # The optical axis meets the card at its middle; the camera is distance_mm over its plane.
    move = np.array([0, 0, distance_mm / np.cos(tilt)]) - turn @ middle
    return np.asarray(CAMERA @ np.column_stack([turn[:, 0], turn[:, 1], move]))


def pose_of(matrix: Matrix, *, noise_px: float = 0.0, seed: int = 0, **known: float) -> Pose:
    mm = card_corners()
    rng = np.random.default_rng(seed)
    px = project(matrix, mm) + rng.normal(0, noise_px, mm.shape) * (noise_px > 0)
    return find_pose(px, mm, shape=SHAPE, **{"focal_35mm": FOCAL_35MM, **known})


def test_four_points_by_hand() -> None:
    """Unit square to (0,0) (4,0) (3,2) (1,2) is [[4,2,0],[0,4,0],[0,1,1]], checkable by hand."""
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)
    exact = np.array([[4.0, 2, 0], [0, 4, 0], [0, 1, 1]])
    grid = np.array([[x, y] for x in (0.0, 0.3, 0.7, 1.0) for y in (0.0, 0.5, 1.0)])
    np.testing.assert_allclose(project(exact, square), [[0, 0], [4, 0], [3, 2], [1, 2]], atol=1e-12)
    found = find_pose(project(exact, grid), grid, shape=(2, 4)).to_px
    np.testing.assert_allclose(found / found[2, 2], exact, atol=1e-6)


def test_area_factor_by_finite_differences() -> None:
    """A fixed homography: image of (100, 50) and the area factor, by arithmetic."""
    matrix = np.array([[1.1, 0.05, 10], [-0.02, 0.95, 5], [1e-4, -2e-4, 1]])
    np.testing.assert_allclose(project(matrix, (100, 50)), (122.5, 50.5), atol=1e-9)
    assert 1 / float(area_mm2_per_px(matrix, (100, 50))) == pytest.approx(1.046215, abs=1e-6)
    step = 1e-4
    dx = (project(matrix, (100 + step, 50)) - project(matrix, (100 - step, 50))) / (2 * step)
    dy = (project(matrix, (100, 50 + step)) - project(matrix, (100, 50 - step))) / (2 * step)
    numeric = abs(dx[0] * dy[1] - dx[1] * dy[0])
    assert 1 / float(area_mm2_per_px(matrix, (100, 50))) == pytest.approx(numeric, rel=1e-8)


@pytest.mark.parametrize("tilt_deg", [0, 8, 20, 34])
def test_homography_against_two_estimators(tilt_deg: float) -> None:
    """Noisy corners: ours is the least-squares answer, and close to scikit-image's."""
    mm = card_corners()
    truth = view(distance_mm=360, tilt_deg=tilt_deg)
    px = project(truth, mm) + np.random.default_rng(3).normal(0, 0.4, mm.shape)
    ours = find_pose(px, mm, shape=SHAPE).to_px

    def misses(eight: Matrix) -> Matrix:
        return (project(np.append(eight, 1).reshape(3, 3), mm) - px).ravel()

    start = (truth / truth[2, 2]).ravel()[:8]
    best = least_squares(misses, start, x_scale=np.abs(start) + 1e-6, xtol=1e-14, ftol=1e-14)
    exact = np.append(best.x, 1).reshape(3, 3)
    dlt = ProjectiveTransform.from_estimate(mm, px)
    where = np.array([[x, y] for x in (5, 65, 125) for y in (5, 50, 95)], float)
    np.testing.assert_allclose(project(ours, where), project(exact, where), atol=0.01)
    # The direct linear transform minimises another error; both are noise / sqrt(corners) off.
    np.testing.assert_allclose(project(ours, where), dlt(where), atol=0.1)
    np.testing.assert_allclose(project(ours, where), project(truth, where), atol=0.6)


@pytest.mark.parametrize(("corners", "expected"), [(32, 0.5 * np.sqrt(56 / 64)), (16, 0.433)])
def test_residual_counts_degrees_of_freedom(corners: int, expected: float) -> None:
    """RMS per coordinate is sigma sqrt((2n-8)/2n): 0.433 for 16 corners and sigma 0.5."""
    mm = card_corners()[:: 32 // corners] if corners < 32 else card_corners()
    truth = view(distance_mm=360, tilt_deg=10)
    rng = np.random.default_rng(8)
    squares = [
        find_pose(
            project(truth, mm) + rng.normal(0, 0.5, mm.shape), mm, shape=SHAPE
        ).rms_px ** 2
        for _ in range(150)
    ]  # fmt: skip
    # The SD of the mean of 150 such squares is 2 %, of its root 1 %.
    assert float(np.sqrt(np.mean(squares))) == pytest.approx(expected, rel=0.04)


def test_area_scatter_from_corner_noise() -> None:
    """A 400 px square with markers of 80 px at its corners, noise 0.5 px: area RSD 0.105 %.

    Simulated with OpenCV's plain estimator (4000 draws); with four bare corners it is
    sqrt(2) sigma / L = 0.177 % by theory.
    """
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)
    mm = np.concatenate([80 * square + (x, y) for x in (0, 320) for y in (0, 320)])
    rng = np.random.default_rng(21)
    areas = []
    for _ in range(300):
        px = mm + rng.normal(0, 0.5, mm.shape) + 500
        seen = project(np.linalg.inv(find_pose(px, mm, shape=SHAPE).to_px), 400 * square + 500)
        areas.append(cv2.contourArea(seen.astype(np.float32)))
    relative = float(np.std(areas) / np.mean(areas))
    assert relative == pytest.approx(0.00105, rel=0.15)  # 300 draws: 4 %
    assert relative < 0.00177


def test_a_wrong_corner_is_left_out() -> None:
    """One corner of 32 pulled 10 px aside changes nothing but its own flag."""
    mm, truth = card_corners(), view(distance_mm=360, tilt_deg=12)
    px = project(truth, mm) + np.random.default_rng(5).normal(0, 0.2, mm.shape)
    px[9] += (8, -6)
    pose = find_pose(px, mm, shape=SHAPE)
    assert not pose.kept[9]
    where = np.array([[65.0, 50.0], [20, 20], [110, 80]])
    np.testing.assert_allclose(project(pose.to_px, where), project(truth, where), atol=0.3)


@pytest.mark.parametrize("tilt_deg", [10, 15, 20, 30, 34.5])
@pytest.mark.parametrize("towards_deg", [0, 65, 200])
def test_tilt_and_distance_against_the_iterative_solver(
    tilt_deg: float, towards_deg: float
) -> None:
    """Against cv2.solvePnP (iterative, started at the truth's side) and against the truth."""
    mm = card_corners()
    truth = view(distance_mm=400, tilt_deg=tilt_deg, towards_deg=towards_deg)
    px = project(truth, mm) + np.random.default_rng(1).normal(0, 0.3, mm.shape)
    pose = find_pose(px, mm, shape=SHAPE, focal_35mm=FOCAL_35MM)
    solid = np.column_stack([mm, np.zeros(len(mm))])
    ok, turn, move = cv2.solvePnP(solid, px, CAMERA, None, flags=cv2.SOLVEPNP_ITERATIVE)
    assert ok
    normal = cv2.Rodrigues(turn)[0][:, 2]
    assert pose.tilt_deg == pytest.approx(np.degrees(np.arccos(abs(normal[2]))), abs=0.05)
    assert pose.camera_mm == pytest.approx(abs(normal @ move.ravel()), rel=1e-3)
    assert pose.tilt_deg == pytest.approx(tilt_deg, abs=0.6)
    assert pose.camera_mm == pytest.approx(400, rel=0.005)


def test_distance_is_safe_where_tilt_is_not() -> None:
    """At tilt 0 two poses explain the card: the distance stands, the tilt may be withheld."""
    for seed in range(12):
        pose = pose_of(view(distance_mm=500, tilt_deg=0), noise_px=0.5, seed=seed)
        assert pose.camera_mm == pytest.approx(500, rel=0.01)
        assert pose.tilt_deg is None or pose.tilt_deg < 5


def test_focal_length_from_the_perspective_alone() -> None:
    """Zhang 2000: at 30 degrees the picture itself tells the focal length within a few per cent."""
    truth = view(distance_mm=360, tilt_deg=30)
    px = project(truth, card_corners())
    pose = find_pose(px, card_corners(), shape=SHAPE)
    assert pose.focal_px == pytest.approx(FOCAL_PX, rel=0.01)
    flat = project(view(distance_mm=360, tilt_deg=3), card_corners())
    assert find_pose(flat, card_corners(), shape=SHAPE).camera_mm is None


# (D / (D - h))^2, exact arithmetic; with water (Da / (Da - h / n))^2, n = 1.34, Da the apparent
# distance: the air's share of the way plus the water's share over n.
HEIGHT_FACTORS = {
    (300, False): (1.0702, 1.1480, 1.2346, 1.3314, 1.4400, 1.5625),
    (500, False): (1.0412, 1.0851, 1.1317, 1.1815, 1.2346, 1.2913),
    (800, False): (1.0255, 1.0519, 1.0794, 1.1080, 1.1378, 1.1687),
    (300, True): (1.0517, 1.1075, 1.1678, 1.2332, 1.3043, 1.3817),
    (500, True): (1.0305, 1.0625, 1.0959, 1.1310, 1.1678, 1.2064),
    (800, True): (1.0189, 1.0384, 1.0584, 1.0790, 1.1002, 1.1221),
}


@pytest.mark.parametrize(("distance_mm", "wet"), HEIGHT_FACTORS)
def test_height_factor(distance_mm: float, wet: bool) -> None:
    water = {"water_mm": 100.0} if wet else {}
    pose = pose_of(view(distance_mm=distance_mm, tilt_deg=0), **water)
    at = np.array([65.0, 50.0])
    for height, factor in zip(range(10, 70, 10), HEIGHT_FACTORS[distance_mm, wet], strict=True):
        ratio = area_mm2_per_px(pose.to_px, at) / area_mm2_per_px(pose.plane(height), at)
        assert float(ratio) == pytest.approx(factor, abs=2e-4)


def test_raised_plane_at_a_tilt_is_where_the_camera_sees_it() -> None:
    """Points 25 mm above a tilted card, projected by OpenCV, are hit by `plane(25)`."""
    tilt, mm = 22.0, card_corners()
    truth = view(distance_mm=380, tilt_deg=tilt)
    r1, r2, move = np.linalg.solve(CAMERA, truth).T
    turn = np.column_stack([r1, r2, np.cross(r1, r2)])
    raised = np.column_stack([mm, np.full(len(mm), -25.0)])  # card z points into the table
    seen, _ = cv2.projectPoints(raised, cv2.Rodrigues(turn)[0], move, CAMERA, None)
    pose = pose_of(truth)
    np.testing.assert_allclose(project(pose.plane(25), mm), seen.reshape(-1, 2), atol=0.05)


def quan_fry(salinity: float, celsius: float, nm: float) -> float:
    """Refractive index of sea water, Quan & Fry 1995, Applied Optics 34(18):3477-3480."""
    s, t = salinity, celsius
    return float(
        1.31405
        + (1.779e-4 - 1.05e-6 * t + 1.6e-8 * t**2) * s
        - 2.02e-6 * t**2
        + (15.868 + 0.01155 * s - 0.00423 * t) / nm
        - 4382 / nm**2
        + 1.1455e6 / nm**3
    )


def test_water_index() -> None:
    """The one index in use is sea water's within 0.5 % over aquarium salinity and visible light."""
    # Reference values of the ten-coefficient formula.
    for inputs, expected in (
        ((35, 25, 589.3), 1.33886),
        ((35, 25, 450), 1.34530),
        ((35, 25, 550), 1.34024),
        ((0, 20, 589.3), 1.33300),
    ):
        assert quan_fry(*inputs) == pytest.approx(expected, abs=1e-5)
    used = [quan_fry(s, t, nm) for s in (30, 38) for t in (22, 28) for nm in (450, 550, 650)]
    np.testing.assert_allclose(used, WATER_INDEX, rtol=0.005)
    assert pytest.approx(quan_fry(35, 25, 550), abs=5e-4) == WATER_INDEX
