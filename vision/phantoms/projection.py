"""From planes of the scene to pixels: a pinhole camera, in air or over still water."""

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.cameras import Camera
from phantoms.fields import Field

__all__ = ["Projection"]

# Refractive index of sea water at 25 C and 550 nm (Quan & Fry 1995, Appl. Opt. 34:3477-3480).
WATER_INDEX = 1.34


class Projection:
    """A camera over the card plane, aimed at a point of it.

    Parameters
    ----------
    camera : Camera
        Size of the picture, focal length and pose.
    aim_mm : (x, y)
        The point of the card plane at the principal point, before the pose's own offset.
    water_mm : float
        Depth of still water over the card plane; 0 means the camera and scene share one medium.
    """

    def __init__(
        self, camera: Camera, aim_mm: tuple[float, float], *, water_mm: float = 0.0
    ) -> None:
        pose = camera.pose
        tilt, towards, roll = np.radians([pose.tilt_deg, pose.tilt_towards_deg, pose.roll_deg])
        axis = np.array(
            [np.sin(tilt) * np.cos(towards), np.sin(tilt) * np.sin(towards), np.cos(tilt)]
        )
        right = np.array([1.0, 0, 0]) - axis[0] * axis
        right /= np.linalg.norm(right)
        down = np.cross(axis, right)
        self.rotation = np.stack(
            [
                np.cos(roll) * right + np.sin(roll) * down,
                -np.sin(roll) * right + np.cos(roll) * down,
                axis,
            ]
        )
        aim = np.array([aim_mm[0] + pose.offset_mm[0], aim_mm[1] + pose.offset_mm[1], 0.0])
        # World: card x and y, z into the table; so the camera is at -distance.
        self.centre = aim - axis * pose.distance_mm / np.cos(tilt)
        self.intrinsic = np.array(
            [
                [camera.focal_px, 0, (camera.cols - 1) / 2],
                [0, camera.focal_px, (camera.rows - 1) / 2],
                [0, 0, 1],
            ]
        )
        self.shape = (camera.rows, camera.cols)
        self.water_mm = water_mm

    def homography(self, height_mm: float) -> npt.NDArray[np.float64]:
        """Matrix (3, 3) from card mm at `height_mm` above the card to pixels, without water."""
        shift = self.rotation @ (np.array([0, 0, -height_mm]) - self.centre)
        return np.asarray(self.intrinsic @ np.column_stack([self.rotation[:, :2], shift]))

    def field_mm(self, height_mm: float = 0.0) -> tuple[float, float, float, float]:
        """(x0, y0, x1, y1): the card-plane box that the whole picture shows."""
        rows, cols = self.shape
        corners = np.array([[0, 0, 1], [cols, 0, 1], [cols, rows, 1], [0, rows, 1.0]]).T
        seen = np.linalg.inv(self.homography(height_mm)) @ corners
        x, y = seen[0] / seen[2], seen[1] / seen[2]
        return float(x.min()), float(y.min()), float(x.max()), float(y.max())

    def pixels(self, points_mm: npt.NDArray[np.float64], height_mm: float) -> Field:
        """Pixel coordinates (N, 2) of points (N, 2) of a plane, without water."""
        x, y, w = (
            self.homography(height_mm) @ np.column_stack([points_mm, np.ones(len(points_mm))]).T
        )
        return np.stack([x / w, y / w], axis=1).astype(np.float32)

    def _through_water(
        self, height_mm: float, box: tuple[int, int, int, int]
    ) -> tuple[Field, Field]:
        """Card x and y, mm, that each pixel of the box (r0, r1, c0, c1) sees on a plane."""
        r0, r1, c0, c1 = box
        col, row = np.meshgrid(np.arange(c0, c1, dtype=float), np.arange(r0, r1, dtype=float))
        rays = np.stack([col, row, np.ones_like(col)], axis=-1)
        rays = rays @ (self.rotation.T @ np.linalg.inv(self.intrinsic)).T
        rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
        side = np.hypot(rays[..., 0], rays[..., 1])
        in_air = (-self.water_mm - self.centre[2]) * side / rays[..., 2]
        sine = side / WATER_INDEX
        in_water = (self.water_mm - height_mm) * sine / np.sqrt(1 - sine**2)
        away = (in_air + in_water) / np.maximum(side, 1e-12)
        x = self.centre[0] + away * rays[..., 0]
        y = self.centre[1] + away * rays[..., 1]
        return x.astype(np.float32), y.astype(np.float32)

    def box(self, map_to_mm: npt.NDArray[np.float64], shape: tuple[int, int], height_mm: float
            ) -> tuple[int, int, int, int]:  # fmt: skip
        """Rows and columns (r0, r1, c0, c1) of the picture that a map of `shape` can touch."""
        rows, cols = shape
        corners = np.array([[-1, -1, 1], [cols, -1, 1], [cols, rows, 1], [-1, rows, 1.0]]).T
        x, y, w = self.homography(height_mm) @ map_to_mm @ corners
        x, y = x / w, y / w
        # Things under water look up to a quarter closer, hence farther from the middle.
        margin = 0.3 * max(self.shape) if self.water_mm else 3
        return (
            int(np.clip(np.floor(y.min()) - margin, 0, self.shape[0])),
            int(np.clip(np.ceil(y.max()) + margin, 0, self.shape[0])),
            int(np.clip(np.floor(x.min()) - margin, 0, self.shape[1])),
            int(np.clip(np.ceil(x.max()) + margin, 0, self.shape[1])),
        )

    def warp(
        self,
        image: Field,
        map_to_mm: npt.NDArray[np.float64],
        height_mm: float,
        box: tuple[int, int, int, int],
        *,
        spread: bool = False,
    ) -> Field:
        """Picture of a map that lies on a plane.

        Parameters
        ----------
        image : float32 array (rows, cols) or (rows, cols, C)
            The map.
        map_to_mm : array (3, 3)
            Affine matrix from the map's pixel indices to card mm.
        height_mm : float
            Height of its plane above the card.
        box : (r0, r1, c0, c1)
            Part of the picture to draw.
        spread : bool
            True: what lies outside the map is its edge; False: nothing.
        """
        r0, r1, c0, c1 = box
        border = cv2.BORDER_REPLICATE if spread else cv2.BORDER_CONSTANT
        if self.water_mm:
            x, y = self._through_water(height_mm, box)
            back = np.linalg.inv(map_to_mm).astype(np.float32)
            col = back[0, 0] * x + back[0, 1] * y + back[0, 2]
            row = back[1, 0] * x + back[1, 1] * y + back[1, 2]
            return np.asarray(cv2.remap(image, col, row, cv2.INTER_LINEAR, borderMode=border))
        shift = np.array([[1, 0, -c0], [0, 1, -r0], [0, 0, 1.0]])
        whole = shift @ self.homography(height_mm) @ map_to_mm
        return np.asarray(
            cv2.warpPerspective(
                image, whole, (c1 - c0, r1 - r0), flags=cv2.INTER_LINEAR, borderMode=border
            )
        )
