"""Corners of markers to a fraction of a pixel: straight lines through the edges, then the corners.

A marker found in a small picture is some pixels off in the large one, and in a dim noisy photo a
corner alone has too little in its neighbourhood to be pulled from there; its edges have enough.
"""

import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["MODULES", "refine_corners"]

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
    for index, square in enumerate(lines):
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


def _by_edges(grey: npt.NDArray[np.uint8], squares: Points) -> Points:
    """Corners (M, 4, 2) as crossings of lines through the steepest points along the edges."""
    start, end = squares, np.roll(squares, -1, axis=1)
    along = end - start
    length = np.linalg.norm(along, axis=2, keepdims=True)
    outward = np.stack([along[..., 1], -along[..., 0]], axis=2) / length
    module = length / MODULES
    # (M, 4, stations, reach, 2)
    at = (
        start[:, :, None, None]
        + STATIONS[:, None, None] * along[:, :, None, None]
        + REACH[:, None] * (module * outward)[:, :, None, None]
    ).astype(np.float32)
    flat = at.reshape(-1, len(REACH), 2)
    profile = cv2.remap(grey, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR,
                        borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    light = np.asarray(profile, np.float64).reshape(at.shape[:-1])
    light = (light[..., :-2] + 2 * light[..., 1:-1] + light[..., 2:]) / 4
    rise = np.maximum(light[..., 2:] - light[..., :-2], 0) ** 2
    offsets = REACH[2:-2]
    # Where the edge is on the mean of all stations, then at each within a third of a module.
    coarse = offsets[rise.sum(axis=2).argmax(axis=2)]
    near = np.abs(offsets - coarse[..., None, None]) <= 0.34
    weight = rise * near
    total = weight.sum(axis=3)
    place = (weight * offsets).sum(axis=3) / np.maximum(total, 1e-9)
    corners = np.array(squares)
    for marker in range(len(squares)):
        sides = [_line(place[marker, side], total[marker, side]) for side in range(4)]
        if any(side is None for side in sides):
            continue
        points = []
        for side, line in enumerate(sides):
            assert line is not None
            ends = np.array([0.0, 1.0])
            shift = (
                (line[0] + line[1] * ends)[:, None] * module[marker, side] * outward[marker, side]
            )
            points.append(start[marker, side] + ends[:, None] * along[marker, side] + shift)
        crossed = [_cross(points[side - 1], points[side]) for side in range(4)]
        new = np.array(crossed)
        if (
            np.isfinite(new).all()
            and (np.linalg.norm(new - squares[marker], axis=1) <= 1.5 * module[marker].max()).all()
        ):
            corners[marker] = new
    return corners


def _line(place: Points, weight: Points) -> tuple[float, float] | None:
    """Offset at the start and slope of an edge, robustly; None where there is no edge."""
    strong = weight > 0.1 * weight.max()
    if weight.max() <= 0 or strong.sum() < 8:
        return None
    use = strong
    a = b = 0.0
    for _ in range(4):
        b, a = np.polyfit(STATIONS[use], place[use], 1)
        miss = np.abs(place - a - b * STATIONS)
        use = strong & (miss <= max(2.5 * float(np.median(miss[use])), 0.01))
        if use.sum() < 6:
            return None
    return float(a), float(b)


def _cross(one: Points, other: Points) -> Points:
    """Crossing of two lines, each through two points."""
    p, r = one[0], one[1] - one[0]
    q, s = other[0], other[1] - other[0]
    area = r[0] * s[1] - r[1] * s[0]
    if abs(area) < 1e-9:
        return np.full(2, np.nan)
    t = ((q[0] - p[0]) * s[1] - (q[1] - p[1]) * s[0]) / area
    return np.asarray(p + t * r)
