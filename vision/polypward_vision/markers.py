"""Markers of the 36h11 family in a grey picture, in a time that squares in view hardly add to.

Squares are outlines of four corners in a picture under an adaptive threshold. All of them are
sampled at once and compared with the few markers that are wanted: OpenCV's own search takes each
alone, and compares it with all 587 of the family.
"""

from collections.abc import Sequence
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["find_markers", "markers_at"]

Points = npt.NDArray[np.float64]
Grey = npt.NDArray[np.uint8]

# Modules along a marker's side, black border of one module included.
MODULES = 8
# Outlines are squares if these many pixels long and if, within this share of it, they have four
# corners; a module of the shortest is 1.5 pixels wide.
LEAST_PERIMETER_PX = 48.0
STRAIGHT = 0.035
# Darker than the mean of the window by this many levels (the default of OpenCV's markers).
DARKER = 7
# Modules that may be wrong: in the border (of 28), inside (of 36; those of a family differ in 11 at
# least), and inside where a marker is expected, so that only one comes into question.
BORDER_WRONG = 3
WRONG = 3
WRONG_EXPECTED = 5
# Each module is sampled at these places, shares of its side.
SPOTS = (0.32, 0.68)


def find_markers(grey: Grey, *, window: int, ids: tuple[int, ...]) -> list[tuple[int, Points]]:
    """Find markers of the 36h11 family.

    Parameters
    ----------
    grey : uint8 array of shape (rows, cols)
        The picture.
    window : int
        Side of the adaptive threshold's window, odd, pixels.
    ids : tuple of int
        The markers wanted.

    Returns
    -------
    list of (id, corners)
        Corners (4, 2) clockwise from the marker's own first one, to about a pixel; pixel centres
        are whole numbers. A marker can be in the list twice.
    """
    squares = _squares(grey, window)
    if not len(squares):
        return []
    modules = _modules(grey, squares)
    border = _border(modules)
    # (squares, ids x 4 turns)
    wrong = (modules[:, None, 1:-1, 1:-1] != _patterns(ids)[None, :, 1:-1, 1:-1]).sum(axis=(2, 3))
    nearest = wrong.argmin(axis=1)
    found = []
    for index in np.flatnonzero((wrong.min(axis=1) <= WRONG) & (border <= BORDER_WRONG)):
        marker, turns = divmod(int(nearest[index]), 4)
        found.append((ids[marker], np.roll(squares[index], turns, axis=0)))
    return found


def markers_at(grey: Grey, squares: Points, ids: Sequence[int]) -> npt.NDArray[np.bool_]:
    """Tell for squares (N, 4, 2) whether each holds the marker of that id, upright."""
    if not len(squares):
        return np.zeros(0, bool)
    modules = _modules(grey, squares)
    patterns = _patterns(tuple(ids))[::4]
    wrong = (modules != patterns)[:, 1:-1, 1:-1].sum(axis=(1, 2))
    return np.asarray((wrong <= WRONG_EXPECTED) & (_border(modules) <= BORDER_WRONG))


@cache
def _patterns(ids: tuple[int, ...]) -> npt.NDArray[np.bool_]:
    """Light modules (ids x 4, 8, 8) of markers, each turned by 0 to 3 quarters to the left."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    upright = [cv2.aruco.generateImageMarker(dictionary, marker, MODULES) > 127 for marker in ids]
    return np.array([np.rot90(one, turns) for one in upright for turns in range(4)])


def _squares(grey: Grey, window: int) -> Points:
    """Corners (N, 4, 2), clockwise, of dark outlines with four corners."""
    dark = cv2.adaptiveThreshold(
        grey, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, window, DARKER
    )
    outlines, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
    found = []
    for outline in outlines:
        if len(outline) < 4:
            continue
        length = cv2.arcLength(outline, True)
        if length < LEAST_PERIMETER_PX:
            continue
        square = cv2.approxPolyDP(outline, STRAIGHT * length, True)
        if len(square) == 4 and cv2.isContourConvex(square):
            # Of a square's perimeter, squared, its area is a sixteenth; slanted ones have less.
            area = cv2.contourArea(square, True)
            if abs(area) > length**2 / 100:
                found.append(square[:: 1 if area > 0 else -1, 0])
    return np.array(found, np.float64).reshape(-1, 4, 2)


def _modules(grey: Grey, squares: Points) -> npt.NDArray[np.bool_]:
    """Tell which modules (N, 8, 8) of squares (N, 4, 2) are light."""
    count = len(SPOTS)
    places = (np.arange(MODULES)[:, None] + SPOTS).ravel() / MODULES
    x, y = np.meshgrid(places, places)
    matrices = _from_unit_square(squares)
    spots = np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
    at = (matrices @ spots).astype(np.float32)
    at[:, :2] /= at[:, 2:]
    light = cv2.remap(grey, at[:, 0], at[:, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    light = np.asarray(light, np.float32).reshape(-1, MODULES, count, MODULES, count)
    means = light.mean(axis=(2, 4)).reshape(-1, MODULES**2)
    level = (means.min(axis=1) + means.max(axis=1)) / 2
    for _ in range(4):  # halfway between the means of dark and light modules
        above = means > level[:, None]
        many = np.maximum(above.sum(axis=1), 1)
        few = np.maximum(MODULES**2 - above.sum(axis=1), 1)
        level = ((means * above).sum(axis=1) / many + (means * ~above).sum(axis=1) / few) / 2
    return np.asarray((means > level[:, None]).reshape(-1, MODULES, MODULES))


def _from_unit_square(squares: Points) -> Points:
    """Homographies (N, 3, 3) from the unit square to squares (Heckbert 1989, MSc thesis, 2.2.3)."""
    p0, p1, p2, p3 = (squares[:, corner] for corner in range(4))
    d1, d2, s = p1 - p2, p3 - p2, p0 - p1 + p2 - p3
    area = d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0]
    area = np.where(np.abs(area) < 1e-9, 1e-9, area)
    g = (s[:, 0] * d2[:, 1] - s[:, 1] * d2[:, 0]) / area
    h = (d1[:, 0] * s[:, 1] - d1[:, 1] * s[:, 0]) / area
    matrix = np.empty((len(squares), 3, 3))
    matrix[:, :2, 0] = p1 - p0 + g[:, None] * p1
    matrix[:, :2, 1] = p3 - p0 + h[:, None] * p3
    matrix[:, :2, 2] = p0
    matrix[:, 2] = np.stack([g, h, np.ones(len(squares))], axis=1)
    return matrix


def _border(modules: npt.NDArray[np.bool_]) -> npt.NDArray[np.int_]:
    """Count light modules in the border."""
    inner = modules[:, 1:-1, 1:-1].sum(axis=(1, 2))
    return np.asarray(modules.sum(axis=(1, 2)) - inner)
