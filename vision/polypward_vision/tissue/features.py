"""What the second look at a cut-out takes into account: the first look's answer, colour, texture.

The second look is taken at the cut-out's own scale with the first look's answer as context
(auto-context: Tu & Bai 2010, IEEE Trans. Pattern Anal. Mach. Intell. 32:1744-1757). All features
come from box filters, which cost the same at every size. Sizes are millimetres; a size under three
pixels is taken as three.
"""

from collections.abc import Iterator

import cv2
import numpy as np
import numpy.typing as npt

from polypward.labels import BACKGROUND, LABEL_NAMES

__all__ = ["SECOND_FEATURES", "second_features"]

Array = npt.NDArray[np.float32]
Features = npt.NDArray[np.float16]

# Box sides in mm: pixel noise, a septum, a polyp's rim, a polyp. Chosen by judgement.
FINE_MM, SMALL_MM, MIDDLE_MM = 0.6, 1.4, 3.0
CONTEXT_MM = (0.0, 1.2, 4.0, 12.0)  # scales on which the first answer is averaged
FARTHEST = 60.0  # Lab differences beyond this say nothing more

SECOND_FEATURES: tuple[str, ...] = (
    *(f"{name} within {size:g} mm" for size in CONTEXT_MM for name in LABEL_NAMES[1:]),
    *(f"{channel} {size}" for size in ("fine", "small") for channel in "Lab"),
    "L sd small",
    "L sd middle",
    "L grain small",
    "L grain middle",
    "L under brightest near",
    "L over darkest near",
    *(f"difference to {name}" for name in LABEL_NAMES),
    *(f"share of {name}" for name in LABEL_NAMES[1:]),
)


def second_features(lab: Array, chances: Array, *, coarse: Array, mm_per_px: float) -> Features:
    """Features of the second look, in the order of `SECOND_FEATURES`.

    Parameters
    ----------
    lab : float32 array of shape (rows, cols, 3)
        As in the first look, at the cut-out's own scale.
    chances : float32 array of shape (coarse rows, coarse cols, 4)
        Probabilities that the first look found.
    coarse : float32 array of shape (coarse rows, coarse cols, 3)
        The cut-out as the first look saw it.
    mm_per_px : float
        Side of a pixel of `lab` in mm.

    Returns
    -------
    float16 array of shape (len(SECOND_FEATURES), rows * cols)
        They are the largest thing in memory; three digits are enough.
    """
    rows, cols = lab.shape[:2]
    return _stack(
        len(SECOND_FEATURES),
        rows * cols,
        _second_planes(lab, chances, coarse=coarse, mm_per_px=mm_per_px),
    )


def _stack(count: int, pixels: int, planes: Iterator[Array | float]) -> Features:
    out = np.empty((count, pixels), np.float16)
    for row, plane in zip(out, planes, strict=True):
        row[:] = plane.ravel() if isinstance(plane, np.ndarray) else plane
    return out


def _box(plane: Array, side_mm: float, mm_per_px: float) -> Array:
    """Mean over a square of about side_mm, an odd number of pixels, three at least."""
    side = max(3, 2 * round(side_mm / mm_per_px / 2 - 0.5) + 1)
    return np.asarray(cv2.blur(plane, (side, side), borderType=cv2.BORDER_REFLECT), np.float32)


def _spread(plane: Array, side_mm: float, mm_per_px: float) -> Array:
    """Return the standard deviation over a square of about side_mm."""
    mean = _box(plane, side_mm, mm_per_px)
    return np.sqrt(np.maximum(_box(plane * plane, side_mm, mm_per_px) - mean * mean, 0))


def _second_planes(
    lab: Array, chances: Array, *, coarse: Array, mm_per_px: float
) -> Iterator[Array | float]:
    rows, cols = lab.shape[:2]
    coarse_mm = mm_per_px * rows / coarse.shape[0]
    for side_mm in CONTEXT_MM:
        around = _box(chances, side_mm, coarse_mm) if side_mm else chances
        for plane in cv2.split(around)[1:]:
            yield np.asarray(cv2.resize(plane, (cols, rows)), np.float32)
    fine = _box(lab, FINE_MM, mm_per_px)
    small = _box(fine, SMALL_MM, mm_per_px)
    for blurred in (fine, small):
        yield from cv2.split(blurred)  # type: ignore[misc]
    lightness = np.ascontiguousarray(fine[..., 0])
    yield _spread(lightness, SMALL_MM, mm_per_px)
    yield _spread(lightness, MIDDLE_MM, mm_per_px)
    # Growth is fuzzy on the finest scale there is, tissue smooth.
    grain = _box(np.abs(lab[..., 0] - lightness), SMALL_MM, mm_per_px)
    yield grain
    yield _box(grain, MIDDLE_MM, mm_per_px)
    # A soft edge between dark and white is neither: it lies between the extremes near it.
    side = max(3, 2 * round(SMALL_MM / mm_per_px / 2 - 0.5) + 1)
    near = np.ones((side, side), np.uint8)
    yield np.asarray(cv2.dilate(lightness, near), np.float32) - lightness
    yield lightness - np.asarray(cv2.erode(lightness, near), np.float32)
    thin = (slice(None, None, 3), slice(None, None, 3))
    likely, colours = chances[thin].reshape(-1, len(LABEL_NAMES)), coarse[thin].reshape(-1, 3)
    for index in range(len(LABEL_NAMES)):
        chosen = colours[likely[:, index] > 0.6]
        if len(chosen) < 12:  # too little to have a colour
            yield FARTHEST / 2
            continue
        palette = _palette(chosen, size=4 if index == BACKGROUND else 2)
        yield np.minimum(_difference(fine, palette), FARTHEST)
    yield from (float(chances[..., index].mean()) for index in range(1, len(LABEL_NAMES)))


def _palette(colours: Array, *, size: int) -> Array:
    """Return the commonest of `size` mean colours of (n, 3) colours: k-means, started evenly.

    The start is spread over the order of lightness plus b, so that equal input gives equal output.
    Colours that stand for under 4 % of the pixels are left out.
    """
    order = np.argsort(colours[:, 0] + colours[:, 2], kind="stable")
    places = ((np.arange(size) + 0.5) / size * len(colours)).astype(int)
    means = colours[order[places]].astype(np.float32)
    counts = np.ones(size, np.int64)
    for _ in range(6):
        nearest = np.square(colours[:, None, :] - means).sum(axis=2).argmin(axis=1)
        counts = np.bincount(nearest, minlength=size)
        for index in np.flatnonzero(counts):
            means[index] = colours[nearest == index].mean(axis=0)
    return np.asarray(means[counts >= 0.04 * len(colours)], np.float32)


def _difference(lab: Array, colours: Array) -> Array:
    """Euclidean Lab difference of each pixel to the nearest of some colours (n, 3)."""
    lightness, a, b = cv2.split(lab)
    best = np.full(lab.shape[:2], np.inf, np.float32)
    for colour in colours.astype(np.float32):
        squared = np.square(lightness - colour[0])
        squared += np.square(a - colour[1])
        squared += np.square(b - colour[2])
        np.minimum(best, squared, out=best)
    return np.sqrt(best)
