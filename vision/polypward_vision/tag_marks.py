"""Marks of reusable tags: markers of the 36h11 family, 12 mm wide, wet and half overgrown.

The card tells how large a tag's mark is in the photo and how the plane lies, so that only its
place and its turn are to be found. A dark patch of about that size is a candidate; the turn and
place are those at which the ring of white round the mark and its dark border stand out most. What
it says is then decided by correlation with all wanted marks at once, not bit by bit, so that a
module hidden by algae or a glint costs little.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from polypward.records import Card
from polypward.tags import MARK_MM, tag_of_number
from polypward_vision.codes import Tag
from polypward_vision.pose import project

__all__ = ["TagMark", "boxes_of_card", "find_tag_marks", "marked_tags"]

Grey = npt.NDArray[np.uint8]
Matrix = npt.NDArray[np.float64]
Box = tuple[float, float, float, float]

MODULES = 8  # along the black square, border included
# Where a mark is looked for about a candidate, coarse to fine: shifts in mm, turns in degrees,
# sizes (a tag stands higher or lower than the card), and how many of the best go on.
_STEPS = (
    ((-1.0, 0.0, 1.0), tuple(range(-42, 48, 6)), (1.0,), 10),
    ((-0.5, 0.0, 0.5), (-3, 0, 3), (0.94, 1.0, 1.06), 8),
    ((-0.25, 0.0, 0.25), (-1.5, 0, 1.5), (0.98, 1.0, 1.02), 40),
)
# Of the border and rim modules this share must stand out after the coarse steps.
_LEAST_AFTER = (0.6, 0.66, 0.72)
# Marks wanted, four turns each, are told apart by correlation: of one in a thousand random
# pictures the largest is about 0.65; with a fifth hidden the right one is near 0.8 (measured on
# rendered tags, `tests/vision/test_tag_marks.py`).
LEAST_CORRELATION = 0.7
LEAST_LEAD = 0.14
# The inner modules differ by at least this share of what rim and border differ by: a dark patch
# with a light rim is no mark.
LEAST_INNER = 0.6
# Inner modules that may be on the wrong side of the level between rim and border.
MOST_WRONG = 8
MOST_CANDIDATES = 40


@dataclass(frozen=True, slots=True)
class TagMark:
    """A tag's mark: its number, and its corners (4, 2) in card mm, clockwise from its top left."""

    id: int
    corners_mm: npt.NDArray[np.float64]
    correlation: float


def find_tag_marks(
    grey: Grey, to_px: Matrix, *, ids: Sequence[int], skip_mm: Sequence[Box] = ()
) -> tuple[TagMark, ...]:
    """Find the marks of tags in a photo.

    Parameters
    ----------
    grey : uint8 array of shape (rows, cols)
        The decoded photo.
    to_px : array of shape (3, 3)
        Homography from card mm to decoded pixels; a tag should lie about parallel to that plane.
    ids : sequence of int
        The marks wanted: those of the tags in use.
    skip_mm : sequence of (x, y, width, height)
        Boxes of the card's plane in whose middle parts no tag lies: the card's own patches.

    Returns
    -------
    tuple of TagMark
        Sorted by number, each once.
    """
    if not len(ids):
        return ()
    wanted = tuple(sorted(set(ids)))
    best: dict[int, TagMark] = {}
    for centre, angle in _candidates(grey, to_px, skip_mm):
        mark = _read(grey, to_px, centre, angle, wanted)
        known = best.get(mark.id) if mark else None
        if mark and (known is None or known.correlation < mark.correlation):
            best[mark.id] = mark
    return tuple(best[number] for number in sorted(best))


def marked_tags(
    grey: Grey, to_px: Matrix, *, ids: Sequence[int], skip_mm: Sequence[Box] = ()
) -> tuple[Tag, ...]:
    """Find reusable tags by their marks, each by its name ("T17"); as `find_tag_marks`."""
    found = find_tag_marks(grey, to_px, ids=ids, skip_mm=skip_mm)
    return tuple(Tag(name=tag_of_number(one.id), corners_mm=one.corners_mm) for one in found)


def boxes_of_card(card: Card) -> list[Box]:
    """Give the places of a card's own patches and markers: left, top, width, height, mm."""
    boxes = []
    for patch in card.patches:
        (x, y), (width, height) = patch.centre_mm, patch.size_mm
        boxes.append((x - width / 2, y - height / 2, width, height))
    for marker in card.markers:
        (left, top), (right, bottom) = marker.corners_mm[0], marker.corners_mm[2]
        boxes.append((left, top, right - left, bottom - top))
    return boxes


def _candidates(
    grey: Grey, to_px: Matrix, skip_mm: Sequence[Box]
) -> list[tuple[npt.NDArray[np.float64], float]]:
    """Centres (card mm) and angles (degrees) of dark patches about as large as a mark."""
    back = np.asarray(np.linalg.inv(to_px), np.float64)
    rows, cols = grey.shape
    centre = project(back, np.array([[cols / 2, rows / 2]]))
    middle = project(to_px, np.concatenate([centre, centre + np.array([[1.0, 0.0]])]))
    px_per_mm = float(np.linalg.norm(middle[1] - middle[0]))
    shrink = min(1.0, 4.0 / px_per_mm)  # pixels a millimetre that are enough to find one
    size = (max(1, round(cols * shrink)), max(1, round(rows * shrink)))
    small = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.uint8)
    scale = px_per_mm * shrink
    found: list[tuple[float, npt.NDArray[np.float64], float]] = []
    for window_mm in (8.0, 14.0, 24.0):
        window = 2 * round(window_mm * scale / 2) + 1
        dark = cv2.adaptiveThreshold(
            small, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, window, 5
        )
        for open_mm in (0.0, 0.7):
            patches = dark
            if open_mm:
                side = max(2, round(open_mm * scale))
                patches = cv2.morphologyEx(dark, cv2.MORPH_OPEN, np.ones((side, side), np.uint8))
            outlines, _ = cv2.findContours(patches, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
            for outline in outlines:
                _, _, width, height = cv2.boundingRect(outline)
                if not 6 * scale < max(width, height) < 26 * scale:
                    continue
                points = (outline.reshape(-1, 2) + 0.5) / shrink - 0.5
                on_card = project(back, points.astype(np.float64)).astype(np.float32)
                (x, y), (w, h), angle = cv2.minAreaRect(on_card)
                if min(w, h) < 6 or max(w, h) > 19:
                    continue
                off = abs(w - MARK_MM) + abs(h - MARK_MM)
                found.append((off, np.array([x, y]), float(angle)))
    found.sort(key=lambda one: one[0])
    kept: list[tuple[npt.NDArray[np.float64], float]] = []
    for _, centre, angle in found:
        if any(x <= centre[0] <= x + w and y <= centre[1] <= y + h for x, y, w, h in skip_mm):
            continue
        if all(np.abs(centre - other).max() > 1.0 for other, _ in kept):
            kept.append((centre, angle))
    return kept[:MOST_CANDIDATES]


@cache
def _frame() -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Middles of the 28 border modules and the 36 of the rim, shares of the side about 0."""
    at = (np.arange(-1, MODULES + 1) + 0.5) / MODULES - 0.5
    x, y = np.meshgrid(at, at)
    ring = np.maximum(np.abs(x), np.abs(y)) * MODULES
    border = np.stack([x[np.isclose(ring, 3.5)], y[np.isclose(ring, 3.5)]], axis=1)
    rim = np.stack([x[np.isclose(ring, 4.5)], y[np.isclose(ring, 4.5)]], axis=1)
    return border, rim


@cache
def _inner(spots: int) -> npt.NDArray[np.float64]:
    """Sample places of the 6 x 6 inner modules, (36 x spots^2, 2), shares of the side about 0."""
    inside = (np.arange(spots) + 0.5) / spots * 0.6 + 0.2
    at = ((np.arange(1, MODULES - 1)[:, None] + inside).ravel()) / MODULES - 0.5
    x, y = np.meshgrid(at, at)
    return np.stack([x.ravel(), y.ravel()], axis=1)


@cache
def _patterns(ids: tuple[int, ...]) -> npt.NDArray[np.float64]:
    """Inner modules of the marks (ids x 4, 36), of mean 0 and length 1, by id and quarter turn."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    upright = [cv2.aruco.generateImageMarker(dictionary, mark, MODULES) > 127 for mark in ids]
    inner = np.array(
        [np.rot90(one[1:-1, 1:-1], turns).ravel() for one in upright for turns in range(4)],
        np.float64,
    )
    return _normed(inner)


def _normed(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    centred = values - values.mean(axis=-1, keepdims=True)
    return np.asarray(centred / np.maximum(np.linalg.norm(centred, axis=-1, keepdims=True), 1e-9))


def _sample(grey: Grey, to_px: Matrix, on_card: npt.NDArray[np.float64]) -> Matrix:
    """Grey levels at places (..., 2) in card mm."""
    px = project(to_px, on_card.reshape(-1, 2)).astype(np.float32)
    step = 30_000  # cv2.remap takes pictures of less than 32 768 rows
    parts = [
        cv2.remap(grey, part[:, :1], part[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        for part in np.split(px, range(step, len(px), step))
    ]
    return np.concatenate(parts).reshape(on_card.shape[:-1]).astype(np.float64)


def _placed(
    places: npt.NDArray[np.float64], poses: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Places (P, 2) of a mark in card mm for poses (N, 4): x, y, radians, side; (N, P, 2)."""
    cosine, sine = np.cos(poses[:, 2]), np.sin(poses[:, 2])
    turn = np.stack([np.stack([cosine, sine], -1), np.stack([-sine, cosine], -1)], -2)
    return np.asarray(poses[:, None, :2] + poses[:, None, 3:] * (places @ turn))


def _framed(grey: Grey, to_px: Matrix, poses: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Tell how well border and rim stand out at poses (N, 4): 0.5 by chance, 1 if all do."""
    border, rim = _frame()
    dark = _sample(grey, to_px, _placed(border, poses))
    light = _sample(grey, to_px, _placed(rim, poses))
    level = (np.median(dark, axis=1) + np.median(light, axis=1))[:, None] / 2
    parted = (dark < level).mean(axis=1) + (light > level).mean(axis=1)
    contrast = np.median(light, axis=1) - np.median(dark, axis=1)
    return np.asarray(np.where(contrast > 8, parted / 2, 0.0))


def _read(
    grey: Grey,
    to_px: Matrix,
    centre: npt.NDArray[np.float64],
    angle_deg: float,
    ids: tuple[int, ...],
) -> TagMark | None:
    """Read the mark at a candidate; None if there is none or it cannot be told which."""
    poses = np.array([(*centre, np.deg2rad(angle_deg), MARK_MM)])
    for (shifts, turns, sizes, most), least in zip(_STEPS, _LEAST_AFTER, strict=True):
        around = np.array(
            [(x, y, np.deg2rad(t), s) for x in shifts for y in shifts for t in turns for s in sizes]
        )
        tried = np.repeat(poses, len(around), axis=0)
        moves = np.tile(around, (len(poses), 1))
        tried = np.concatenate([tried[:, :3] + moves[:, :3], tried[:, 3:] * moves[:, 3:]], axis=1)
        score = _framed(grey, to_px, tried)
        order = np.argsort(score, kind="stable")[::-1][:most]
        poses = tried[order][score[order] >= least]
        if not len(poses):
            return None
    spots = 2
    samples = _sample(grey, to_px, _placed(_inner(spots), poses))
    side = MODULES - 2
    modules = (
        samples.reshape(-1, side, spots, side, spots).mean(axis=(2, 4)).reshape(len(poses), -1)
    )
    # A glint is as bright as it likes: levels past the frame's white say no more than white does.
    border, rim = _frame()
    dark = np.median(_sample(grey, to_px, _placed(border, poses)), axis=1)[:, None]
    light = np.median(_sample(grey, to_px, _placed(rim, poses)), axis=1)[:, None]
    modules = np.clip((modules - dark) / (light - dark), -0.2, 1.2)
    low, high = np.percentile(modules, (10, 90), axis=1)
    match = _normed(modules) @ _patterns(ids).T
    match[high - low < LEAST_INNER] = 0.0
    pose, which = np.unravel_index(int(match.argmax()), match.shape)
    top = float(match[pose, which])
    mark, quarter = divmod(int(which), 4)
    others = np.delete(match[pose].reshape(-1, 4).max(axis=1), mark)
    if top < LEAST_CORRELATION or (len(others) and top - float(others.max()) < LEAST_LEAD):
        return None
    if ((modules[pose] > 0.5) != (_patterns(ids)[which] > 0)).sum() > MOST_WRONG:
        return None
    corners = np.array([(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)])
    placed = _placed(corners, poses[pose][None])[0]
    return TagMark(ids[mark], np.roll(placed, quarter, axis=0), top)
