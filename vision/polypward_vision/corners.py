"""Corners of markers to a fraction of a pixel: straight lines through the edges, then the corners.

A marker found in a small picture is some pixels off in the large one, and in a dim noisy photo a
corner alone has too little in its neighbourhood to be pulled from there; its edges have enough.
"""

import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["MODULES", "across_edges", "refine_corners"]

Points = npt.NDArray[np.float64]

# Modules along a 36h11 marker's side, black border included; one more of white lies around it.
MODULES = 8.0
# Stations along an edge, away from its ends, and how far to both sides it is sought, in modules.
STATIONS = np.linspace(0.12, 0.88, 20)
REACH = np.linspace(-0.9, 0.9, 37)
# The last step looks at this share of a module around a corner, and may move it so far, pixels.
CORNER_SHARE = 0.38
CORNER_MOVES_PX = 0.8


def refine_corners(grey: npt.NDArray[np.uint8], corners: Points) -> Points:
    """Move corners to where the edges really cross.

    Parameters
    ----------
    grey : uint8 array of shape (rows, cols)
        The picture.
    corners : array of shape (4 x markers, 2)
        Corners, clockwise, of squares that are darker inside; pixel centres are whole numbers.

    Returns
    -------
    array of shape (4 x markers, 2)
    """
    squares = corners.reshape(-1, 4, 2)
    lines = _by_edges(grey, squares)
    refined = np.empty_like(lines)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 0.005)
    last = np.array(grey.shape[::-1]) - 1
    for index, square in enumerate(lines):
        if (square < 0).any() or (square > last).any():
            refined[index] = square  # at the picture's edge lines may cross outside it
            continue
        module = _sides(square).min() / MODULES
        window = int(np.clip(round(module * CORNER_SHARE), 2, 8))
        start = np.ascontiguousarray(square, np.float32).reshape(-1, 1, 2)
        end = cv2.cornerSubPix(grey, start.copy(), (window, window), (-1, -1), stop)
        end = end.reshape(4, 2).astype(np.float64)
        moved = np.linalg.norm(end - square, axis=1)
        refined[index] = np.where(moved[:, None] <= CORNER_MOVES_PX, end, square)
    return refined.reshape(-1, 2)


def _sides(square: Points) -> Points:
    return np.asarray(np.linalg.norm(square - np.roll(square, 1, axis=0), axis=1))


def across_edges(
    grey: npt.NDArray[np.uint8], squares: Points, *, stations: Points, reach: Points
) -> Points:
    """Light across the edges of markers, from inside to outside.

    Parameters
    ----------
    grey : uint8 array of shape (rows, cols)
        The picture.
    squares : array of shape (M, 4, 2)
        Corners, clockwise.
    stations : array of shape (S,)
        Where along an edge, shares of it.
    reach : array of shape (R,)
        How far off the edge, modules outwards.

    Returns
    -------
    array of shape (M, 4, S, R)
    """
    along, outward, module = _edges(squares)
    at = (
        squares[:, :, None, None]
        + stations[:, None, None] * along[:, :, None, None]
        + reach[:, None] * (module * outward)[:, :, None, None]
    ).astype(np.float32)
    flat = at.reshape(-1, len(reach), 2)
    light = cv2.remap(grey, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR,
                      borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    return np.asarray(light, np.float64).reshape(at.shape[:-1])


def _edges(squares: Points) -> tuple[Points, Points, Points]:
    """Give the edges' ways along, directions outwards (M, 4, 2) and modules (M, 4, 1)."""
    along = np.roll(squares, -1, axis=1) - squares
    length = np.linalg.norm(along, axis=2, keepdims=True)
    outward = np.stack([along[..., 1], -along[..., 0]], axis=2) / length
    return along, outward, length / MODULES


def _by_edges(grey: npt.NDArray[np.uint8], squares: Points) -> Points:
    """Corners (M, 4, 2) as crossings of lines through the steepest points along the edges."""
    along, outward, module = _edges(squares)
    light = across_edges(grey, squares, stations=STATIONS, reach=REACH)
    light = (light[..., :-2] + 2 * light[..., 1:-1] + light[..., 2:]) / 4
    rise = np.maximum(light[..., 2:] - light[..., :-2], 0) ** 2
    offsets = REACH[2:-2]
    # Where the edge is on the mean of all stations, then at each within a third of a module.
    coarse = offsets[rise.sum(axis=2).argmax(axis=2)]
    near = np.abs(offsets - coarse[..., None, None]) <= 0.34
    weight = rise * near
    total = weight.sum(axis=3)
    place = (weight * offsets).sum(axis=3) / np.maximum(total, 1e-9)
    offset, slope = _lines(place, total)
    ends = np.array([0.0, 1.0])
    shift = (offset[..., None] + slope[..., None] * ends) * module[..., 0, None]
    points = (
        squares[:, :, None]
        + ends[:, None] * along[:, :, None]
        + shift[..., None] * outward[:, :, None]
    )
    crossed = _crossings(np.roll(points, 1, axis=1), points)
    near_by = np.linalg.norm(crossed - squares, axis=2) <= 1.5 * module.max(axis=1)
    return np.where(near_by.all(axis=1)[:, None, None], crossed, squares)


def _lines(place: Points, weight: Points) -> tuple[Points, Points]:
    """Offsets at the start and slopes (...) of edges (..., stations), robustly; NaN for none."""
    most = weight.max(axis=-1, keepdims=True)
    strong = (weight > 0.1 * most) & (most > 0)
    use = strong
    edge = use.sum(axis=-1, keepdims=True) >= 8
    for _ in range(4):
        use = use | ~edge  # no edge: whatever comes out, without a division by 0
        middle, level = _mean(STATIONS, use), _mean(place, use)
        at = STATIONS - middle
        slope = _mean(at * place, use) / _mean(at**2, use)
        miss = np.abs(place - level - slope * at)
        use = strong & (miss <= np.maximum(2.5 * _median(miss, use), 0.01))
        edge = edge & (use.sum(axis=-1, keepdims=True) >= 6)
    offset = np.where(edge, level - slope * middle, np.nan)
    return offset[..., 0], np.where(edge, slope, np.nan)[..., 0]


def _mean(values: Points, use: npt.NDArray[np.bool_]) -> Points:
    """Mean (..., 1) of those values (..., N) that are in use, one at least."""
    return np.asarray((use * values).sum(axis=-1, keepdims=True) / use.sum(axis=-1, keepdims=True))


def _median(values: Points, use: npt.NDArray[np.bool_]) -> Points:
    """Median (..., 1) of those values (..., N) that are in use, one at least."""
    ordered = np.sort(np.where(use, values, np.inf), axis=-1)
    last = use.sum(axis=-1, keepdims=True) - 1
    middle = [np.take_along_axis(ordered, index, axis=-1) for index in (last // 2, (last + 1) // 2)]
    return np.asarray((middle[0] + middle[1]) / 2)


def _crossings(one: Points, other: Points) -> Points:
    """Crossings (..., 2) of lines, each through two points (..., 2, 2); NaN for none."""
    p, r = one[..., 0, :], one[..., 1, :] - one[..., 0, :]
    q, s = other[..., 0, :], other[..., 1, :] - other[..., 0, :]
    area = r[..., 0] * s[..., 1] - r[..., 1] * s[..., 0]
    area = np.where(np.abs(area) < 1e-9, np.nan, area)
    off = q - p
    return np.asarray(
        p + ((off[..., 0] * s[..., 1] - off[..., 1] * s[..., 0]) / area)[..., None] * r
    )
