"""The metric cut-out: the specimen's plane at a fixed scale, whatever the camera."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from polypward.records import Card
from polypward_vision.photo import Pixels
from polypward_vision.pose import area_mm2_per_px, project

__all__ = ["MM_PER_PX", "Tile", "TileFrame", "cut_tile", "frame_beside", "frame_of_picture"]

Matrix = npt.NDArray[np.float64]

# Scale of every cut-out with a card.
MM_PER_PX = 0.2
# Side of the square beside a strip, where its arrow points.
BESIDE_MM = 140.0
# A picture without a card is cut at this many pixels along its longer side at most.
LONGEST_PX = 1200
# Card seen this far beyond the window's edge is card and not specimen (cutting is not exact).
MARGIN_MM = 0.5
# Finer pixels than this share of the cut-out's are averaged, coarser ones interpolated.
MINIFY = 1.25


@dataclass(frozen=True, slots=True, kw_only=True)
class TileFrame:
    """Where a cut-out lies: pixel (r, c) covers x_mm + c..c+1 and y_mm + r..r+1 times mm_per_px."""

    x_mm: float
    y_mm: float
    rows: int
    cols: int
    mm_per_px: float = MM_PER_PX

    @property
    def centre_mm(self) -> tuple[float, float]:
        """Middle of the cut-out in card mm."""
        return (
            self.x_mm + self.cols * self.mm_per_px / 2,
            self.y_mm + self.rows * self.mm_per_px / 2,
        )

    def to_mm(self, *, step: float = 1.0) -> Matrix:
        """Affine matrix (3, 3) from indices (column, row) of pixels of size `step` to card mm."""
        size = self.mm_per_px * step
        return np.array(
            [[size, 0, self.x_mm + size / 2], [0, size, self.y_mm + size / 2], [0, 0, 1.0]]
        )

    def polygon(self, points_mm: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Pixels whose middles lie inside a polygon of card mm points (N, 2)."""
        from skimage.draw import polygon

        points = np.asarray(points_mm, np.float64).reshape(-1, 2)
        at = (points - (self.x_mm, self.y_mm)) / self.mm_per_px - 0.5
        mask = np.zeros((self.rows, self.cols), bool)
        mask[polygon(at[:, 1], at[:, 0], mask.shape)] = True
        return mask


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tile:
    """A cut-out in the photo's own values, (rows, cols, 3), and where it shows anything."""

    frame: TileFrame
    rgb: Pixels
    valid: npt.NDArray[np.bool_]
    # The specimen is expected here, mm from the cut-out's top left corner.
    aim_mm: tuple[float, float]
    aim_decides: bool = False
    # Homography from card mm on the specimen's plane to pixels of the full-size photo.
    to_full: Matrix

    @property
    def rgb8(self) -> npt.NDArray[np.uint8]:
        """The cut-out in 8 bits."""
        if self.rgb.dtype == np.uint8:
            return np.asarray(self.rgb, np.uint8)
        return np.asarray(self.rgb >> 8, np.uint8)


def frame_beside(card: Card) -> tuple[TileFrame, tuple[float, float], bool]:
    """Place the cut-out of a card: its window, or the square where its arrow points.

    Returns
    -------
    frame, aim_mm, aim_decides
        `aim_mm` from the frame's top left corner.

    Raises
    ------
    ValueError
        If the card has neither window nor arrow.
    """
    if card.window_mm is not None:
        x, y, width, height = card.window_mm
        frame = TileFrame(
            x_mm=x, y_mm=y, rows=round(height / MM_PER_PX), cols=round(width / MM_PER_PX)
        )
        return frame, (width / 2, height / 2), False
    if card.arrow_mm is None:
        raise ValueError(f"the layout {card.layout} has neither window nor arrow")
    tip, direction = np.array(card.arrow_mm[0]), np.array(card.arrow_mm[1])
    direction = direction / np.linalg.norm(direction)
    # From the card's edge on: as far as the tip is from it along the arrow.
    size = np.array(card.size_mm)
    ahead = np.where(direction > 0, size - tip, tip)
    edge = tip + direction * float(np.abs(direction) @ ahead)
    middle = edge + direction * BESIDE_MM / 2
    count = round(BESIDE_MM / MM_PER_PX)
    frame = TileFrame(
        x_mm=float(middle[0] - BESIDE_MM / 2),
        y_mm=float(middle[1] - BESIDE_MM / 2),
        rows=count,
        cols=count,
    )
    # Some way along the arrow, nearer than the square's middle.
    aim = edge + direction * BESIDE_MM / 3 - (frame.x_mm, frame.y_mm)
    return frame, (float(aim[0]), float(aim[1])), True


def frame_of_picture(shape: tuple[int, int], mm_per_px: float) -> TileFrame:
    """Cut-out of a whole picture whose scale is given, origin at its top left corner."""
    rows_mm, cols_mm = shape[0] * mm_per_px, shape[1] * mm_per_px
    step = max(MM_PER_PX, max(rows_mm, cols_mm) / LONGEST_PX)
    return TileFrame(
        x_mm=0.0,
        y_mm=0.0,
        rows=max(1, round(rows_mm / step)),
        cols=max(1, round(cols_mm / step)),
        mm_per_px=step,
    )


def cut_tile(
    rgb: Pixels,
    frame: TileFrame,
    plane: Matrix,
    *,
    aim_mm: tuple[float, float] | None = None,
    aim_decides: bool = False,
    card: Card | None = None,
    card_plane: Matrix | None = None,
    scale: int = 1,
) -> Tile:
    """Resample the specimen's plane.

    Parameters
    ----------
    rgb : uint8 or uint16 array of shape (rows, cols, 3)
        The decoded photo.
    frame : TileFrame
        Where to cut; its empty margins outside the picture are dropped.
    plane : array of shape (3, 3)
        Homography from card mm on the specimen's plane to decoded pixels.
    card, card_plane : optional
        The card and the homography of its own plane: where the line of sight meets the card's
        printed part, the cut-out is not valid.
    scale : int
        Full-size pixels per decoded pixel.
    """
    frame, aim = _within(frame, plane, rgb.shape[:2], aim_mm)
    finest = float(np.sqrt(area_mm2_per_px(plane, [frame.centre_mm])[0]))
    fold = int(np.ceil(frame.mm_per_px / finest)) if frame.mm_per_px / finest > MINIFY else 1
    fold = min(fold, 8)
    warped: Any = cv2.warpPerspective(
        rgb,
        plane @ frame.to_mm(step=1 / fold),
        (frame.cols * fold, frame.rows * fold),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    if fold > 1:
        warped = cv2.resize(warped, (frame.cols, frame.rows), interpolation=cv2.INTER_AREA)
    valid = _valid(frame, plane, rgb.shape[:2], card=card, card_plane=card_plane)
    middle = (scale - 1) / 2  # of a decoded pixel, in full-size pixels
    return Tile(
        frame=frame,
        rgb=warped,
        valid=valid,
        aim_mm=aim,
        aim_decides=aim_decides,
        to_full=np.array([[scale, 0, middle], [0, scale, middle], [0, 0, 1.0]]) @ plane,
    )


def _within(
    frame: TileFrame,
    plane: Matrix,
    shape: tuple[int, ...],
    aim_mm: tuple[float, float] | None,
) -> tuple[TileFrame, tuple[float, float]]:
    """Drop rows and columns of which nothing is in the picture; keep where the aim is."""
    aim = aim_mm or (frame.cols * frame.mm_per_px / 2, frame.rows * frame.mm_per_px / 2)
    seen = _valid(frame, plane, shape)
    rows, cols = np.flatnonzero(seen.any(axis=1)), np.flatnonzero(seen.any(axis=0))
    if not len(rows) or (len(rows) == frame.rows and len(cols) == frame.cols):
        return frame, aim
    top, left = int(rows[0]), int(cols[0])
    cut = TileFrame(
        x_mm=frame.x_mm + left * frame.mm_per_px,
        y_mm=frame.y_mm + top * frame.mm_per_px,
        rows=int(rows[-1]) - top + 1,
        cols=int(cols[-1]) - left + 1,
        mm_per_px=frame.mm_per_px,
    )
    return cut, (aim[0] - left * frame.mm_per_px, aim[1] - top * frame.mm_per_px)


def _valid(
    frame: TileFrame,
    plane: Matrix,
    shape: tuple[int, ...],
    *,
    card: Card | None = None,
    card_plane: Matrix | None = None,
) -> npt.NDArray[np.bool_]:
    to_px = plane @ frame.to_mm()
    valid = _in_box(to_px, frame, (0, 0, shape[1] - 1, shape[0] - 1))
    if card is None or card_plane is None:
        return valid
    to_card = np.linalg.inv(card_plane) @ to_px
    covered = _in_box(to_card, frame, _wider((0, 0, *card.size_mm)))
    if card.window_mm is not None:
        covered &= ~_in_box(to_card, frame, _wider(card.window_mm))
    return valid & ~covered


def _wider(box: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of a box (left, top, width, height) with the margin around it."""
    x, y, width, height = box
    return (x - MARGIN_MM, y - MARGIN_MM, x + width + MARGIN_MM, y + height + MARGIN_MM)


def _in_box(
    matrix: Matrix, frame: TileFrame, box: tuple[float, float, float, float]
) -> npt.NDArray[np.bool_]:
    """Tell which pixels a homography from (column, row) takes into left, top, right and bottom.

    What lies in that box is convex: in each row, the columns from a first to a last one.
    """
    left, top, right, bottom = box
    x, y, depth = matrix / matrix[2, 2]
    row = np.arange(frame.rows)
    first, last = np.zeros(frame.rows), np.full(frame.rows, frame.cols - 1.0)
    for a, b, c in (x - left * depth, right * depth - x, y - top * depth, bottom * depth - y):
        # where a * column + b * row + c >= 0; rounding does not decide on what lies on the edge
        rest = b * row + c + 1e-9
        if a > 0:
            first = np.maximum(first, -rest / a)
        elif a < 0:
            last = np.minimum(last, -rest / a)
        else:
            last = np.where(rest >= 0, last, -1.0)
    column = np.arange(frame.cols, dtype=np.int32)
    start = np.ceil(np.minimum(first, frame.cols)).astype(np.int32)
    end = np.floor(np.maximum(last, -1)).astype(np.int32)
    return np.asarray((column >= start[:, None]) & (column <= end[:, None]))


def scale_at(card_plane: Matrix, plane: Matrix, at_mm: tuple[float, float], scale: int) -> float:
    """Card mm per full-size pixel where the point `at_mm` of the specimen's plane is seen."""
    pixel = project(plane, [at_mm])
    on_card = project(np.asarray(np.linalg.inv(card_plane), np.float64), pixel)
    return float(np.sqrt(area_mm2_per_px(card_plane, on_card)[0])) / scale
