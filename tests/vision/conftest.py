"""Photos drawn with a known camera: a card's own artwork and discs on planes above it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from polypward.cards import load_layout
from polypward_cli.card.picture import paint_card
from polypward_vision.photo import DecodedPhoto

# The artwork is averaged to pixels of about this size.
CARD_PX_MM = 0.1


@dataclass(frozen=True, kw_only=True)
class View:
    """A pinhole camera over the card: x right, y down, z into the table, so heights are -z."""

    rows: int = 1200
    cols: int = 1600
    focal_35mm: float = 26.0
    distance_mm: float = 360.0
    tilt_deg: float = 0.0
    towards_deg: float = 30.0
    roll_deg: float = 8.0
    aim_mm: tuple[float, float] = (93.0, 93.0)

    @property
    def focal_px(self) -> float:
        return float(self.focal_35mm / np.hypot(36, 24) * np.hypot(self.rows, self.cols))

    def plane(self, height_mm: float = 0.0) -> npt.NDArray[np.float64]:
        """Card mm on the plane at a height to pixels, whose centres are whole numbers."""
        tilt, towards, roll = np.radians([self.tilt_deg, self.towards_deg, self.roll_deg])
        axis = np.array(
            [np.sin(tilt) * np.cos(towards), np.sin(tilt) * np.sin(towards), np.cos(tilt)]
        )
        right = np.array([1.0, 0, 0]) - axis[0] * axis
        right /= np.linalg.norm(right)
        down = np.cross(axis, right)
        c, s = np.cos(roll), np.sin(roll)
        rotation = np.stack([c * right + s * down, -s * right + c * down, axis])
        # The optical axis meets the card at the aim; the distance is perpendicular to the card.
        centre = np.array([*self.aim_mm, 0.0]) - axis * self.distance_mm / np.cos(tilt)
        camera = np.array(
            [
                [self.focal_px, 0, (self.cols - 1) / 2],
                [0, self.focal_px, (self.rows - 1) / 2],
                [0, 0, 1.0],
            ]
        )
        shift = rotation @ (np.array([0, 0, -height_mm]) - centre)
        return np.asarray(camera @ np.column_stack([rotation[:, :2], shift]))


@dataclass(frozen=True, kw_only=True)
class Disc:
    """A flat disc of one sRGB colour, parallel to the card."""

    at_mm: tuple[float, float]
    radius_mm: float
    height_mm: float = 0.0
    rgb: tuple[int, int, int] = (190, 40, 60)

    @property
    def area_mm2(self) -> float:
        return float(np.pi * self.radius_mm**2)


Snap = Callable[..., DecodedPhoto]
_ARTWORK: dict[tuple[str, str], npt.NDArray[np.uint8]] = {}


def _artwork(layout: str, serial: str) -> npt.NDArray[np.uint8]:
    if (layout, serial) not in _ARTWORK:
        card = replace(load_layout(layout), serial=serial)
        cols, rows = (round(side / CARD_PX_MM) for side in card.size_mm)
        art = cv2.resize(paint_card(card), (cols, rows), interpolation=cv2.INTER_AREA)
        _ARTWORK[layout, serial] = np.asarray(art, np.uint8)
    return _ARTWORK[layout, serial]


def _draw_card(picture: npt.NDArray[np.float32], layout: str, serial: str, view: View,
               at_mm: tuple[float, float]) -> None:  # fmt: skip
    art = _artwork(layout, serial)
    width, height = load_layout(layout).size_mm
    step_x, step_y = width / art.shape[1], height / art.shape[0]
    to_mm = np.array(
        [[step_x, 0, step_x / 2 + at_mm[0]], [0, step_y, step_y / 2 + at_mm[1]], [0, 0, 1.0]]
    )
    plane = view.plane()
    mm_per_px = view.distance_mm / view.focal_px
    soft = cv2.GaussianBlur(art, (0, 0), max(0.4 * mm_per_px / step_x, 0.3)).astype(np.float32)
    size = (picture.shape[1], picture.shape[0])
    drawn = cv2.warpPerspective(soft, plane @ to_mm, size, flags=cv2.INTER_LINEAR)
    cover = np.full(art.shape[:2], 1, np.float32)
    cover = cv2.warpPerspective(cover, plane @ to_mm, size, flags=cv2.INTER_LINEAR)
    picture += cover[..., None] * (drawn - picture)


def _draw_disc(picture: npt.NDArray[np.float32], disc: Disc, view: View) -> None:
    """Four by four samples a pixel, so that its area is right to a thousandth."""
    inverse = np.linalg.inv(view.plane(disc.height_mm))
    turn = np.linspace(0, 2 * np.pi, 90)
    rim = disc.at_mm + disc.radius_mm * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    at = np.column_stack([rim, np.ones(90)]) @ view.plane(disc.height_mm).T
    at = at[:, :2] / at[:, 2:]
    (c0, r0), (c1, r1) = np.floor(at.min(0)).astype(int) - 1, np.ceil(at.max(0)).astype(int) + 2
    r0, c0, r1, c1 = max(r0, 0), max(c0, 0), min(r1, view.rows), min(c1, view.cols)
    if r0 >= r1 or c0 >= c1:
        return
    fold = 4
    row, col = np.mgrid[: (r1 - r0) * fold, : (c1 - c0) * fold].astype(np.float32)
    col, row = (col + 0.5) / fold - 0.5 + c0, (row + 0.5) / fold - 0.5 + r0
    x, y, w = (inverse[i, 0] * col + inverse[i, 1] * row + inverse[i, 2] for i in range(3))
    inside = (x / w - disc.at_mm[0]) ** 2 + (y / w - disc.at_mm[1]) ** 2 <= disc.radius_mm**2
    cover = inside.reshape(r1 - r0, fold, c1 - c0, fold).mean(axis=(1, 3), dtype=np.float32)
    picture[r0:r1, c0:c1] += cover[..., None] * (
        np.array(disc.rgb, np.float32) - picture[r0:r1, c0:c1]
    )


def snap(
    view: View,
    *,
    layout: str | None = "frame",
    serial: str = "F7KD4QW",
    discs: Sequence[Disc] = (),
    cards_at_mm: Sequence[tuple[float, float]] = ((0.0, 0.0),),
    change: Callable[[npt.NDArray[np.float32]], npt.NDArray[np.float32]] | None = None,
    focal: bool = True,
) -> DecodedPhoto:
    picture = np.full((view.rows, view.cols, 3), (176, 172, 165), np.float32)
    if layout is not None:
        for at_mm in cards_at_mm:
            _draw_card(picture, layout, serial, view, at_mm)
    for disc in discs:
        _draw_disc(picture, disc, view)
    picture = cv2.GaussianBlur(picture, (0, 0), 0.6)
    rng = np.random.default_rng(3)
    noise = rng.standard_normal((97, view.cols, 3), dtype=np.float32) * np.float32(1.2)
    picture += np.resize(noise, picture.shape)
    if change is not None:
        picture = change(picture)
    return DecodedPhoto(
        rgb=np.clip(np.round(picture), 0, 255).astype(np.uint8),
        full_size=(view.rows, view.cols),
        focal_35mm=view.focal_35mm if focal else None,
    )


@pytest.fixture
def kit() -> tuple[type[View], type[Disc], Snap]:
    """The camera, the disc and the function that photographs them."""
    return View, Disc, snap
