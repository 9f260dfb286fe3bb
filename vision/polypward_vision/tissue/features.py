"""Colour, texture and context of every pixel of a cut-out, all from box filters.

A box filter costs the same at every size, so the wide scales are as cheap as the small ones. All
sizes are millimetres; a size under three pixels is taken as three.
"""

from collections.abc import Iterator

import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["FEATURE_NAMES", "tissue_features"]

Plane = npt.NDArray[np.float32]

# Box sides in mm: pixel noise, a septum, a polyp's rim, a polyp. Chosen on phantoms.
FINE_MM, SMALL_MM, MIDDLE_MM, WIDE_MM = 0.6, 1.4, 3.0, 8.0
BORDER_MM = 5.0  # width of the ring along each side that stands for the background
REACH_MM = 25.0  # the specimen's colour is looked for within this distance of the centre

FEATURE_NAMES: tuple[str, ...] = (
    *(f"{channel} fine" for channel in "Lab"),
    *(f"{channel} middle" for channel in "Lab"),
    *(f"{channel} wide" for channel in "Lab"),
    "chroma fine",
    "chroma middle",
    "L sd small",
    "L sd middle",
    "L sd wide",
    "chroma sd middle",
    "L gradient small",
    "L gradient middle",
    "L curvature middle",
    *(f"{channel} over background" for channel in "Lab"),
    "difference to nearest side fine",
    "difference to nearest side middle",
    *(f"{channel} over body" for channel in "Lab"),
    "distance to centre",
)


def tissue_features(
    lab: npt.NDArray[np.float32],
    *,
    mm_per_px: float,
    valid: npt.NDArray[np.bool_] | None = None,
    centre_mm: tuple[float, float] | None = None,
) -> Plane:
    """Features of every pixel, in the order of `FEATURE_NAMES`.

    Parameters
    ----------
    lab : float32 array of shape (rows, cols, 3)
        CIELAB D50, corrected as well as it can be.
    mm_per_px : float
        Side of a pixel in mm.
    valid : bool array of shape (rows, cols), optional
        False where the cut-out shows nothing (outside the picture, the card itself).
    centre_mm : (x, y), optional
        Where the specimen is expected, mm from the cut-out's top left corner; default its middle.

    Returns
    -------
    float32 array of shape (len(FEATURE_NAMES), rows, cols)

    Raises
    ------
    ValueError
        If `lab` is not (rows, cols, 3), holds no valid pixel, or `mm_per_px` is not positive.
    """
    if lab.ndim != 3 or lab.shape[2] != 3:
        raise ValueError(f"lab must have the shape (rows, cols, 3), got {lab.shape}")
    if not mm_per_px > 0:
        raise ValueError(f"mm_per_px must be positive, got {mm_per_px}")
    if valid is None:
        valid = np.ones(lab.shape[:2], bool)
    if valid.shape != lab.shape[:2]:
        raise ValueError(f"valid must have the shape {lab.shape[:2]}, got {valid.shape}")
    if not valid.any():
        raise ValueError("no valid pixel in the cut-out")
    rows, cols = valid.shape
    if centre_mm is None:
        centre_mm = (cols * mm_per_px / 2, rows * mm_per_px / 2)
    stack = np.empty((len(FEATURE_NAMES), rows, cols), np.float32)
    for plane, values in zip(
        stack, _planes(lab, valid, mm_per_px=mm_per_px, centre_mm=centre_mm), strict=True
    ):
        plane[:] = values
    return stack


def _planes(
    lab: npt.NDArray[np.float32],
    valid: npt.NDArray[np.bool_],
    *,
    mm_per_px: float,
    centre_mm: tuple[float, float],
) -> Iterator[Plane]:
    """Yield the features in the order of FEATURE_NAMES."""

    def box(plane: npt.NDArray[np.float32], side_mm: float) -> npt.NDArray[np.float32]:
        side = max(3, 2 * round(side_mm / mm_per_px / 2 - 0.5) + 1)
        return np.asarray(cv2.blur(plane, (side, side), borderType=cv2.BORDER_REFLECT), np.float32)

    sides = _side_colours(lab, valid, border=max(1, round(BORDER_MM / mm_per_px)))
    ground = np.median(sides, axis=0).astype(np.float32)
    if not valid.all():
        lab = np.where(valid[..., None], lab, ground).astype(np.float32)
    fine = box(np.ascontiguousarray(lab, np.float32), FINE_MM)
    middle = box(fine, MIDDLE_MM)
    wide = box(middle, WIDE_MM)
    for blurred in (fine, middle, wide):
        yield from (blurred[..., channel] for channel in range(3))
    chroma = cv2.magnitude(fine[..., 1].copy(), fine[..., 2].copy())
    chroma_middle = box(np.asarray(chroma, np.float32), MIDDLE_MM)
    yield np.asarray(chroma, np.float32)
    yield chroma_middle
    lightness = fine[..., 0].copy()
    squared = lightness * lightness
    for side_mm in (SMALL_MM, MIDDLE_MM, WIDE_MM):
        mean = box(lightness, side_mm)
        yield np.sqrt(np.maximum(box(squared, side_mm) - mean * mean, 0))
    yield np.sqrt(np.maximum(box(chroma * chroma, MIDDLE_MM) - chroma_middle * chroma_middle, 0))
    slope = cv2.magnitude(cv2.Scharr(lightness, -1, 1, 0), cv2.Scharr(lightness, -1, 0, 1))
    slope = np.asarray(slope, np.float32) / np.float32(32 * mm_per_px)  # Lab units per mm
    yield box(slope, SMALL_MM)
    yield box(slope, MIDDLE_MM)
    yield box(np.abs(lightness - box(lightness, SMALL_MM)), MIDDLE_MM)
    over = fine - ground
    yield from (over[..., channel] for channel in range(3))
    yield _nearest(fine, sides)
    far = _nearest(middle, sides)
    yield far
    near_centre = _distance_mm(valid.shape, mm_per_px, centre_mm)
    body = _body_colour(middle, far, near_centre)
    against = fine - body
    yield from (against[..., channel] for channel in range(3))
    yield near_centre


def _side_colours(
    lab: npt.NDArray[np.float32], valid: npt.NDArray[np.bool_], *, border: int
) -> npt.NDArray[np.float32]:
    """Median colours of the strips along the four sides, shape (1 to 4, 3)."""
    strips = (
        (lab[:border], valid[:border]),
        (lab[-border:], valid[-border:]),
        (lab[:, :border], valid[:, :border]),
        (lab[:, -border:], valid[:, -border:]),
    )
    # Every third pixel is plenty for a median.
    colours = [
        np.median(part[::3, ::3][shown[::3, ::3]], axis=0)
        for part, shown in strips
        if shown[::3, ::3].mean() > 0.1
    ]
    if not colours:
        colours = [np.median(lab[valid], axis=0)]
    return np.asarray(colours, np.float32)


def _nearest(lab: npt.NDArray[np.float32], colours: npt.NDArray[np.float32]) -> Plane:
    """Euclidean Lab difference of each pixel to the nearest of some colours."""
    best: Plane | None = None
    for colour in colours:
        squared = np.square(lab - colour).sum(axis=2, dtype=np.float32)
        best = squared if best is None else np.minimum(best, squared)
    if best is None:
        raise ValueError("no colours to compare with")
    return np.sqrt(best)


def _distance_mm(
    shape: tuple[int, ...], mm_per_px: float, centre_mm: tuple[float, float]
) -> npt.NDArray[np.float32]:
    y = (np.arange(shape[0], dtype=np.float32) + 0.5) * mm_per_px - centre_mm[1]
    x = (np.arange(shape[1], dtype=np.float32) + 0.5) * mm_per_px - centre_mm[0]
    return np.asarray(np.hypot(y[:, None], x[None, :]), np.float32)


def _body_colour(
    lab: npt.NDArray[np.float32], difference: Plane, distance_mm: Plane
) -> npt.NDArray[np.float32]:
    """Mean colour of what differs from the background near the centre, shape (3,)."""
    thin = (slice(None, None, 4), slice(None, None, 4))
    weight = np.maximum(difference[thin] - 6, 0) * np.exp(
        -np.square(distance_mm[thin] / np.float32(REACH_MM))
    )
    total = float(weight.sum())
    if total < 1e-3:
        return np.asarray(lab[thin].reshape(-1, 3).mean(axis=0), np.float32)
    return np.asarray((lab[thin] * weight[..., None]).sum(axis=(0, 1)) / total, np.float32)
