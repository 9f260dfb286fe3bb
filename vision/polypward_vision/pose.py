"""Where the camera stood: homography of the card's plane, tilt, distance, planes above the card."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["DIAGONAL_35MM", "WATER_INDEX", "Pose", "area_mm2_per_px", "find_pose", "project"]

Matrix = npt.NDArray[np.float64]
Points = npt.NDArray[np.float64]

# Diagonal of a 36 x 24 mm frame, mm: "35 mm equivalent" keeps the diagonal field of view.
DIAGONAL_35MM = 43.2666
# Refractive index of sea water at 25 C and 550 nm (Quan & Fry 1995, Appl. Opt. 34:3477-3480).
WATER_INDEX = 1.34
# Corners that miss by more than this many robust SDs, and by at least OUTLIER_PX, are left out.
OUTLIER_SDS = 4.0
OUTLIER_PX = 0.6
# Two poses explain a plane; tilt is told only if the other fits this much worse (simulated: at a
# ratio under 2 the tilts of the two differ by 4 to 13 degrees, while their distances agree).
CLEAR_RATIO = 2.0
# Without a focal length the picture itself tells it from this tilt on, degrees (Zhang 2000, IEEE
# PAMI 22:1330-1334), if the value is one that a phone or camera has, mm of 35 mm equivalent.
SELF_TOLD_TILT_DEG = 12.0
SELF_TOLD_35MM = (18.0, 150.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose:
    """The camera against the card.

    `to_px` (3, 3) leads from card mm (true ones, print scale applied) to decoded pixels on the
    card's plane. `rms_px` is the root mean square of the corners' misses per coordinate, full-size
    pixels, `worst_px` the largest miss; `kept` tells which corners were used. `focal_px` (decoded
    pixels), `camera_mm` and `tilt_deg` are None where they cannot be told.
    """

    to_px: Matrix
    rms_px: float
    worst_px: float
    kept: npt.NDArray[np.bool_]
    focal_px: float | None = None
    camera_mm: float | None = None
    tilt_deg: float | None = None
    # Added to `to_px` for every mm that a plane lies above the card.
    rise: Matrix | None = None
    in_water: bool = False

    def plane(self, height_mm: float) -> Matrix:
        """Homography (3, 3) from card mm on the plane `height_mm` above the card to pixels.

        Through a flat water surface a height looks divided by the refractive index.

        Raises
        ------
        ValueError
            If the height is not 0 and the camera's distance is not known.
        """
        if height_mm == 0:
            return self.to_px
        if self.rise is None:
            raise ValueError("a plane above the card needs the focal length")
        seen_mm = height_mm / WATER_INDEX if self.in_water else height_mm
        return np.asarray(self.to_px + seen_mm * self.rise)


def project(matrix: Matrix, points: npt.ArrayLike) -> Points:
    """Apply a homography (3, 3) to points (..., 2)."""
    xy = np.asarray(points, np.float64)
    homogeneous = xy @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(homogeneous[..., :2] / homogeneous[..., 2:])


def area_mm2_per_px(matrix: Matrix, at_mm: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Card area that one pixel covers at points (..., 2): 1 / |det of the homography's Jacobian|.

    ``|det J| = |det H| / |h31 x + h32 y + h33|^3``.
    """
    xy = np.asarray(at_mm, np.float64)
    depth = np.abs(xy @ matrix[2, :2] + matrix[2, 2])
    return np.asarray(depth**3 / abs(np.linalg.det(matrix)))


def find_pose(
    corners_px: Points,
    corners_mm: Points,
    *,
    shape: tuple[int, int],
    scale: int = 1,
    focal_35mm: float | None = None,
    water_mm: float | None = None,
) -> Pose:
    """Fit the card's plane to the corners of its markers.

    Parameters
    ----------
    corners_px, corners_mm : arrays of shape (N, 2), N >= 8
        The same corners in decoded pixels and in card mm.
    shape : (rows, cols)
        Of the decoded photo.
    scale : int
        Full-size pixels per decoded pixel.
    focal_35mm : float, optional
        35 mm equivalent focal length.
    water_mm : float, optional
        Depth of still water over the card, under a camera in air.
    """
    to_px, kept = _robust_homography(corners_px, corners_mm)
    miss = (project(to_px, corners_mm) - corners_px)[kept] * scale
    distances = np.linalg.norm(miss, axis=1)
    water = float(water_mm or 0)
    pose = Pose(
        to_px=to_px,
        rms_px=float(np.sqrt((miss**2).sum() / (2 * len(miss)))),
        worst_px=float(distances.max()),
        kept=kept,
        in_water=water > 0,
    )
    diagonal_px = float(np.hypot(*shape))
    centre = (np.array(shape[::-1], np.float64) - 1) / 2
    focal_px = None if focal_35mm is None else focal_35mm / DIAGONAL_35MM * diagonal_px
    if focal_px is None:
        focal_px = _focal_of_homography(to_px, centre, diagonal_px)
        if focal_px is None:
            return pose
    return _with_camera(
        pose, corners_px[kept], corners_mm[kept], focal_px=focal_px, centre=centre, water_mm=water
    )


def _robust_homography(px: Points, mm: Points) -> tuple[Matrix, npt.NDArray[np.bool_]]:
    """Least squares over all corners, then again without those that miss by far."""
    kept = np.ones(len(px), bool)
    fit: Any = None
    for _ in range(3):
        fit, _ = cv2.findHomography(mm[kept], px[kept], 0)
        if fit is None:
            break
        miss = np.linalg.norm(project(fit, mm) - px, axis=1)
        spread = 1.4826 * float(np.median(miss[kept]))
        now = miss <= max(OUTLIER_SDS * spread, OUTLIER_PX)
        if np.array_equal(now, kept) or now.sum() < max(8, 0.6 * len(px)):
            break
        kept = now
    if fit is None:
        raise ValueError("the corners fix no plane")
    return np.asarray(fit, np.float64), kept


def _focal_of_homography(to_px: Matrix, centre: Points, diagonal_px: float) -> float | None:
    """Focal length in pixels from the card's own perspective, None where it says too little.

    Zhang 2000: with square pixels and a centred principal point the two columns of the homography
    are images of perpendicular vectors of equal length.
    """
    h = np.array([[1, 0, -centre[0]], [0, 1, -centre[1]], [0, 0, 1]]) @ to_px
    h = h / np.linalg.norm(h[:, 0])
    lhs = np.array([h[2, 0] * h[2, 1], h[2, 0] ** 2 - h[2, 1] ** 2])
    rhs = np.array(
        [
            -(h[0, 0] * h[0, 1] + h[1, 0] * h[1, 1]),
            h[0, 1] ** 2 + h[1, 1] ** 2 - h[0, 0] ** 2 - h[1, 0] ** 2,
        ]
    )
    square = float(lhs @ rhs) / max(float(lhs @ lhs), 1e-30)
    if square <= 0:
        return None
    focal = float(np.sqrt(square))
    if not SELF_TOLD_35MM[0] <= focal / diagonal_px * DIAGONAL_35MM <= SELF_TOLD_35MM[1]:
        return None
    r1, r2 = (np.array([h[0, c] / focal, h[1, c] / focal, h[2, c]]) for c in (0, 1))
    normal = np.cross(r1, r2)
    tilt = np.degrees(np.arccos(abs(normal[2]) / np.linalg.norm(normal)))
    return focal if tilt >= SELF_TOLD_TILT_DEG else None


def _with_camera(
    pose: Pose, px: Points, mm: Points, *, focal_px: float, centre: Points, water_mm: float
) -> Pose:
    """Add distance, tilt and the planes above the card to a pose.

    Two poses from IPPE (Collins & Bartoli 2014, IJCV 109:252-286), each refined; the better fits.
    """
    camera = np.array([[focal_px, 0, centre[0]], [0, focal_px, centre[1]], [0, 0, 1.0]])
    points = np.column_stack([mm, np.zeros(len(mm))])
    answer: Any = cv2.solvePnPGeneric(points, px, camera, None, flags=cv2.SOLVEPNP_IPPE)
    starts = list(zip(answer[1], answer[2], strict=True))
    # Exactly level and without noise IPPE divides 0 by 0: the plain iteration stands in.
    starts = [start for start in starts if np.isfinite(start).all()] or [
        cv2.solvePnP(points, px, camera, None, flags=cv2.SOLVEPNP_ITERATIVE)[1:]
    ]
    found = []
    for start in starts:
        turn, move = cv2.solvePnPRefineLM(points, px, camera, None, *(v.copy() for v in start))
        seen, _ = cv2.projectPoints(points, turn, move, camera, None)
        miss = float(np.sqrt(((seen.reshape(-1, 2) - px) ** 2).mean()))
        if np.isfinite(miss):
            found.append((miss, np.asarray(cv2.Rodrigues(turn)[0]), np.asarray(move).ravel()))
    if not found:
        return pose
    found.sort(key=lambda each: each[0])
    miss, rotation, move = found[0]
    same = len(found) < 2 or np.degrees(_angle(rotation[:, 2], found[1][1][:, 2])) < 0.5
    clear = same or found[1][0] >= CLEAR_RATIO * max(miss, 1e-9)
    distance = abs(float(rotation[:, 2] @ move))
    # The fitted homography at the scale of camera @ [r1 r2 t], so that heights can be added to it.
    ideal = camera @ np.column_stack([rotation[:, 0], rotation[:, 1], move])
    factor = float((ideal * pose.to_px).sum() / (pose.to_px**2).sum())
    return Pose(
        to_px=pose.to_px * factor,
        rms_px=pose.rms_px,
        worst_px=pose.worst_px,
        kept=pose.kept,
        focal_px=focal_px,
        # The air's share of the way counts in full, the water's looks shorter by the index.
        camera_mm=distance + water_mm * (1 - 1 / WATER_INDEX),
        tilt_deg=float(np.degrees(np.arccos(min(1.0, abs(rotation[2, 2]))))) if clear else None,
        # Card z points into the table: up is minus the third column.
        rise=-(camera @ rotation[:, 2:3]) @ np.array([[0, 0, 1.0]]),
        in_water=pose.in_water,
    )


def _angle(one: Any, other: Any) -> float:
    return float(np.arccos(np.clip(one @ other, -1, 1)))
