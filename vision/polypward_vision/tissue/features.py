"""What the tissue model looks at: colour, texture and surroundings, all from box filters.

A box filter costs the same at every size, so the wide scales are as cheap as the small ones. Sizes
are millimetres; a size under three pixels is taken as three. The first look is taken at a coarse
scale, the second at the cut-out's own scale with the first look's answer as context
(auto-context: Tu & Bai 2010, IEEE Trans. Pattern Anal. Mach. Intell. 32:1744-1757).
"""

from collections.abc import Iterator

import cv2
import numpy as np
import numpy.typing as npt

from polypward.labels import BACKGROUND, LABEL_NAMES

__all__ = ["FIRST_FEATURES", "SECOND_FEATURES", "first_features", "second_features"]

Array = npt.NDArray[np.float32]

# Box sides in mm: pixel noise, a septum, a polyp's rim, a polyp. Chosen by judgement.
FINE_MM, SMALL_MM, MIDDLE_MM, WIDE_MM = 0.6, 1.4, 3.0, 8.0
BORDER_MM = 5.0  # width of the ring along each side that stands for the background
REACH_MM = 25.0  # the specimen's colour is looked for within this distance of its expected place
CONTEXT_MM = (0.0, 1.2, 4.0, 12.0)  # scales on which the first answer is averaged
FARTHEST = 60.0  # Lab differences beyond this say nothing more

FIRST_FEATURES: tuple[str, ...] = (
    *(f"{channel} {size}" for size in ("fine", "middle", "wide") for channel in "Lab"),
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
    "difference to ground fine",
    "difference to ground middle",
    "difference to shaded ground",
    *(f"{channel} over body" for channel in "Lab"),
)
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


def first_features(
    lab: Array, *, valid: npt.NDArray[np.bool_], mm_per_px: float, centre_mm: tuple[float, float]
) -> Array:
    """Features of the first look, in the order of `FIRST_FEATURES`.

    Parameters
    ----------
    lab : float32 array of shape (rows, cols, 3)
        CIELAB D50, corrected as well as it can be.
    valid : bool array of shape (rows, cols)
        False where the cut-out shows nothing; those pixels should hold a harmless colour.
    mm_per_px : float
        Side of a pixel in mm.
    centre_mm : (x, y)
        Where the specimen is expected, mm from the cut-out's top left corner.

    Returns
    -------
    float32 array of shape (len(FIRST_FEATURES), rows * cols)
    """
    return _stack(
        len(FIRST_FEATURES),
        valid.size,
        _first_planes(lab, valid, mm_per_px=mm_per_px, centre_mm=centre_mm),
    )


def second_features(lab: Array, chances: Array, *, coarse: Array, mm_per_px: float) -> Array:
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
    float32 array of shape (len(SECOND_FEATURES), rows * cols)
    """
    rows, cols = lab.shape[:2]
    return _stack(
        len(SECOND_FEATURES),
        rows * cols,
        _second_planes(lab, chances, coarse=coarse, mm_per_px=mm_per_px),
    )


def _stack(count: int, pixels: int, planes: Iterator[Array | float]) -> Array:
    out = np.empty((count, pixels), np.float32)
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


def _first_planes(
    lab: Array, valid: npt.NDArray[np.bool_], *, mm_per_px: float, centre_mm: tuple[float, float]
) -> Iterator[Array | float]:
    fine = _box(lab, FINE_MM, mm_per_px)
    ground = _ground_palette(fine, valid, border=max(1, round(BORDER_MM / mm_per_px)))
    middle = _box(fine, MIDDLE_MM, mm_per_px)
    wide = _box(middle, WIDE_MM, mm_per_px)
    for blurred in (fine, middle, wide):
        yield from cv2.split(blurred)  # type: ignore[misc]
    lightness, a, b = (np.asarray(plane, np.float32) for plane in cv2.split(fine))
    chroma = np.hypot(a, b)
    yield chroma
    yield _box(chroma, MIDDLE_MM, mm_per_px)
    for side_mm in (SMALL_MM, MIDDLE_MM, WIDE_MM):
        yield _spread(lightness, side_mm, mm_per_px)
    yield _spread(chroma, MIDDLE_MM, mm_per_px)
    slope = cv2.magnitude(cv2.Scharr(lightness, -1, 1, 0), cv2.Scharr(lightness, -1, 0, 1))
    slope_per_mm = np.asarray(slope, np.float32) / np.float32(32 * mm_per_px)
    yield _box(slope_per_mm, SMALL_MM, mm_per_px)
    yield _box(slope_per_mm, MIDDLE_MM, mm_per_px)
    yield _box(np.abs(lightness - _box(lightness, SMALL_MM, mm_per_px)), MIDDLE_MM, mm_per_px)
    yield from cv2.split(fine - np.median(ground, axis=0))  # type: ignore[misc]
    yield _difference(fine, ground)
    far = _difference(middle, ground)
    yield far
    yield _difference(middle, ground, shaded=True)
    distance = _distance_mm(valid.shape, mm_per_px, centre_mm)
    yield from cv2.split(fine - _body_colour(middle, far, distance))  # type: ignore[misc]


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


def _ground_palette(lab: Array, valid: npt.NDArray[np.bool_], *, border: int) -> Array:
    """Colours of the ring along the four sides, where the ground shows; shape (1 to 8, 3)."""
    ring = valid.copy()
    ring[border:-border, border:-border] = False
    colours = lab[ring if ring.any() else valid]
    return _palette(colours[:: max(1, len(colours) // 1500)], size=8)


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


def _difference(lab: Array, colours: Array, *, shaded: bool = False) -> Array:
    """Euclidean Lab difference of each pixel to the nearest of some colours (n, 3).

    With `shaded` each colour may be darkened as far as to 0.4 of its lightness, chroma with it.
    """
    lightness, a, b = cv2.split(lab)
    best = np.full(lab.shape[:2], np.inf, np.float32)
    for colour in colours.astype(np.float32):
        share: Array | np.float32 = np.float32(1)
        if shaded:
            share = np.clip(lightness / max(colour[0], np.float32(1)), 0.4, 1)
        squared = np.square(lightness - share * colour[0])
        squared += np.square(a - share * colour[1])
        squared += np.square(b - share * colour[2])
        np.minimum(best, squared, out=best)
    return np.sqrt(best)


def _distance_mm(shape: tuple[int, ...], mm_per_px: float, centre_mm: tuple[float, float]) -> Array:
    y = (np.arange(shape[0], dtype=np.float32) + 0.5) * mm_per_px - centre_mm[1]
    x = (np.arange(shape[1], dtype=np.float32) + 0.5) * mm_per_px - centre_mm[0]
    return np.asarray(np.hypot(y[:, None], x[None, :]), np.float32)


def _body_colour(lab: Array, difference: Array, distance_mm: Array) -> Array:
    """Mean colour of what differs from the background near the centre, shape (3,)."""
    thin = (slice(None, None, 2), slice(None, None, 2))
    weight = np.maximum(difference[thin] - 6, 0) * np.exp(
        -np.square(distance_mm[thin] / np.float32(REACH_MM))
    )
    total = float(weight.sum())
    if total < 1e-3:
        return np.asarray(lab[thin].reshape(-1, 3).mean(axis=0), np.float32)
    return np.asarray((lab[thin] * weight[..., None]).sum(axis=(0, 1)) / total, np.float32)
