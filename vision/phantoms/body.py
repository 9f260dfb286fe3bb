"""What a body is: maps of one specimen in mm, and the tools that its plans share."""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.fields import Field, grid_mm

__all__ = ["BODY_PX_MM", "Body", "Grid", "disc_kernel", "dome", "one_piece", "polar"]

Grid = tuple[int, int]

# Side of a pixel of every body map.
BODY_PX_MM = 0.1


@dataclass(slots=True, kw_only=True)
class Body:
    """Geometry of a specimen on a grid of `BODY_PX_MM`, its centre in the middle.

    `mask` is the specimen; `relief_mm` its height over its own base; `across` runs 0 (mouth or
    valley) .. 1 (rim or ridge); `along` is the phase that stripes count, in turns; `mouth` and
    `tip` weigh 0..1 where those colours belong; `loss_order` says what dies first (low first).
    All arrays have one shape (rows, cols).
    """

    mask: npt.NDArray[np.bool_]
    relief_mm: Field
    across: Field
    along: Field
    mouth: Field
    tip: Field
    loss_order: Field | None = None


def polar(shape: Grid, *, at: tuple[float, float] = (0, 0)) -> tuple[Field, Field]:
    """Distance (mm) and angle of every pixel from the point `at` (y, x mm from the middle)."""
    y, x = grid_mm(shape, BODY_PX_MM)
    y, x = y - np.float32(at[0]), x - np.float32(at[1])
    return np.hypot(y, x), np.arctan2(y, x)


def dome(reach: Field, *, height_mm: float) -> Field:
    """Half an ellipsoid over `reach` (0 middle .. 1 rim), `height_mm` high."""
    return np.asarray(height_mm * np.sqrt(np.clip(1 - reach**2, 0, 1)), np.float32)


def disc_kernel(radius_mm: float) -> npt.NDArray[np.uint8]:
    """Round kernel for morphology on the body grid."""
    size = 2 * round(radius_mm / BODY_PX_MM) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def one_piece(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Keep the largest connected part."""
    _, numbers, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    return np.asarray(numbers == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])))
