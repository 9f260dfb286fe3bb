"""A person's outline carried to a later photo by the skeleton, which is rigid.

The specimen as it was outlined is laid over the later cut-out at every turn and place (correlation
of lightness within the outline), then fitted finely, skeleton weighing more than flesh. Millimetres
are millimetres, so only a turn and a shift are free. Where the best place is not clearly the best,
nothing is carried.
"""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from polypward.labels import BARE, OVERGROWN
from polypward_vision.tile import TileFrame

__all__ = ["Outlined", "Registration", "carried", "grown", "lightness", "register"]

Light = npt.NDArray[np.uint8]
Points = npt.NDArray[np.float64]
Matrix = npt.NDArray[np.float64]
Plane = npt.NDArray[np.float32]

# Scales of the search and of the fine fit, mm per pixel.
SEARCH_MM, FIT_MM = 0.8, 0.4
TURN_STEP_DEG = 5.0
# Lightness that varies over more than this is lamp and paling, not structure, mm.
STRUCTURE_MM = 8.0
# Weight of flesh, which moves, against skeleton, which does not.
FLESH = 0.3
# The fit's correlation coefficient, and its lead over the best of the other turns and places, from
# which on it is believed. Set on rendered pairs of visits, see `docs/accuracy.md`.
LEAST_SCORE, LEAST_LEAD = 0.5, 0.06
APART_DEG, APART_MM = 20.0, 6.0
# So much of the outlined specimen must be in the later cut-out.
LEAST_SEEN = 0.7
# Flesh swells over the outline: it may reach so far beyond, mm and share of the radius.
SWELL_MM, SWELL_SHARE = 3.0, 0.25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outlined:
    """An earlier cut-out with a person's outline.

    `light` is its CIELAB lightness in 8 bits (see `lightness`), `labels` its tissue map, both
    (rows, cols); `outline_mm` (N, 2) card mm.
    """

    light: Light
    labels: npt.NDArray[np.uint8]
    frame: TileFrame
    outline_mm: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Registration:
    """How the earlier card mm lead to the later ones, (3, 3), and how well it fits, 0..1."""

    move: Matrix
    score: float
    lead: float

    @property
    def sure(self) -> bool:
        """Whether it is to be believed."""
        return self.score >= LEAST_SCORE and self.lead >= LEAST_LEAD


def lightness(lab: Plane) -> Light:
    """CIELAB lightness of (rows, cols, 3) in 8 bits, 255 = 100."""
    return np.asarray(np.clip(lab[..., 0] * 2.55 + 0.5, 0, 255), np.uint8)


def register(before: Outlined, light: Light, frame: TileFrame) -> Registration | None:
    """Find the outlined specimen in a later cut-out.

    Parameters
    ----------
    before : Outlined
        The earlier cut-out.
    light : uint8 array of shape (rows, cols)
        Lightness of the later one.
    frame : TileFrame
        Of the later one.

    Returns
    -------
    Registration or None
        None where the outline holds nothing to go by, or nothing fits. Look at `sure`.
    """
    outline = np.asarray(before.outline_mm, np.float64)
    low, high = outline.min(axis=0), outline.max(axis=0)
    middle, reach = (low + high) / 2, float(np.linalg.norm(high - low)) / 2
    starts = _search(before, light, frame, middle, reach)
    if not starts:
        return None
    fitted = [_fit(before, light, frame, start) for start in starts]
    fitted.sort(key=lambda one: -one[0])
    score, move = fitted[0]
    others = [other for other, how in fitted[1:] if _apart(move, how, middle)]
    return Registration(move=move, score=score, lead=score - max(others, default=0.0))


def carried(outlined: Outlined, light: Light, frame: TileFrame) -> npt.NDArray[np.bool_] | None:
    """Give the pixels of a later cut-out that may be the outlined specimen; None if not sure."""
    found = register(outlined, light, frame)
    if found is None or not found.sure:
        return None
    points = np.column_stack([outlined.outline_mm, np.ones(len(outlined.outline_mm))])
    moved = points @ found.move.T
    return grown(tuple((float(x), float(y)) for x, y, _ in moved), frame)


def grown(outline_mm: tuple[tuple[float, float], ...], frame: TileFrame) -> npt.NDArray[np.bool_]:
    """Pixels of a frame inside an outline or as near to it as flesh may swell."""
    inside = frame.polygon(outline_mm)
    radius_mm = float(np.sqrt(np.count_nonzero(inside) / np.pi)) * frame.mm_per_px
    away = cv2.distanceTransform((~inside).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return np.asarray(away * frame.mm_per_px <= max(SWELL_MM, SWELL_SHARE * radius_mm))


def _structure(light: Light, frame: TileFrame, step_mm: float) -> Plane:
    """Lightness without its slow changes, at `step_mm` per pixel."""
    size = (
        max(8, round(frame.cols * frame.mm_per_px / step_mm)),
        max(8, round(frame.rows * frame.mm_per_px / step_mm)),
    )
    small = np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), np.float32)
    return small - np.asarray(cv2.GaussianBlur(small, (0, 0), STRUCTURE_MM / step_mm / 2))


def _weights(before: Outlined) -> Plane:
    inside = before.frame.polygon(before.outline_mm).astype(np.float32)
    skeleton = np.isin(before.labels, (BARE, OVERGROWN))
    return inside * np.where(skeleton, np.float32(1), np.float32(FLESH))


def _to_index(frame: TileFrame, shape: tuple[int, ...]) -> Matrix:
    """Card mm to indices (column, row) of a picture of `shape` that fills the frame."""
    sx = shape[1] / (frame.cols * frame.mm_per_px)
    sy = shape[0] / (frame.rows * frame.mm_per_px)
    return np.array([[sx, 0, -frame.x_mm * sx - 0.5], [0, sy, -frame.y_mm * sy - 0.5], [0, 0, 1.0]])


def _search(
    before: Outlined, light: Light, frame: TileFrame, middle: Points, reach_mm: float
) -> list[Matrix]:
    """Give the moves (card mm to card mm) of the best turns and places, no two alike."""
    now = _structure(light, frame, SEARCH_MM)
    then = _structure(before.light, before.frame, SEARCH_MM)
    weight = np.asarray(cv2.resize(_weights(before), then.shape[::-1]), np.float32)
    side = 2 * int(np.ceil(reach_mm / SEARCH_MM)) + 3
    border = side // 2
    wide = cv2.copyMakeBorder(now, border, border, border, border, cv2.BORDER_CONSTANT, value=0)
    to_then = _to_index(before.frame, then.shape)
    to_now = _to_index(frame, now.shape)
    found: list[tuple[float, Matrix]] = []
    for turn in np.arange(0, 360, TURN_STEP_DEG):
        # Indices of the template, whose middle is the outline's, to card mm before the turn.
        spin = _turned(-turn)
        to_mm = np.eye(3)
        to_mm[:2, :2] = spin * SEARCH_MM
        to_mm[:2, 2] = middle - to_mm[:2, :2] @ (np.array([side, side]) - 1) / 2
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        warp = (to_then @ to_mm)[:2]
        template = np.asarray(cv2.warpAffine(then, warp, (side, side), flags=flags), np.float32)
        mask = np.asarray(cv2.warpAffine(weight, warp, (side, side), flags=flags), np.float32)
        if np.count_nonzero(mask > FLESH / 2) < 30:
            return []
        match = cv2.matchTemplate(wide, template, cv2.TM_CCOEFF_NORMED, mask=mask)
        match = np.nan_to_num(np.asarray(match), nan=-1, posinf=-1, neginf=-1)
        row, col = np.unravel_index(int(match.argmax()), match.shape)
        # The template's middle lies there in the later picture.
        at = np.array([col - border, row - border]) + (np.array([side, side]) - 1) / 2
        place = np.linalg.inv(to_now) @ np.array([*at, 1.0])
        move = np.eye(3)
        move[:2, :2] = _turned(turn)
        move[:2, 2] = place[:2] - move[:2, :2] @ middle
        found.append((float(match[row, col]), move))
    found.sort(key=lambda one: -one[0])
    chosen: list[Matrix] = []
    for _, move in found:
        if all(_apart(move, other, middle) for other in chosen):
            chosen.append(move)
        if len(chosen) == 4:
            break
    return chosen


def _fit(before: Outlined, light: Light, frame: TileFrame, start: Matrix) -> tuple[float, Matrix]:
    """Fit a move finely; give its correlation and the move."""
    now = _structure(light, frame, FIT_MM)
    then = _structure(before.light, before.frame, FIT_MM)
    to_then = _to_index(before.frame, then.shape)
    to_now = _to_index(frame, now.shape)
    weight = np.asarray(cv2.resize(_weights(before), then.shape[::-1]), np.float64)
    middle = np.asarray(before.outline_mm, np.float64).mean(axis=0)

    def moved(by: Points) -> Matrix:
        """Turn by degrees about the outline's middle and shift by mm, after the start."""
        more = np.eye(3)
        more[:2, :2] = _turned(by[0])
        about = (start @ [*middle, 1.0])[:2]
        more[:2, 2] = about + by[1:] - more[:2, :2] @ about
        return np.asarray(more @ start)

    def miss(by: Points) -> float:
        whole = to_now @ moved(by) @ np.linalg.inv(to_then)
        return 1 - _agreement(weight, then, now, whole[:2])

    first = np.zeros((4, 3)) + np.vstack([np.zeros(3), np.diag([TURN_STEP_DEG / 2, 0.8, 0.8])])
    found = minimize(
        miss,
        np.zeros(3),
        method="Nelder-Mead",
        options={"initial_simplex": first, "xatol": 0.02, "fatol": 1e-4, "maxfev": 150},
    )
    return 1 - float(found.fun), moved(np.asarray(found.x, np.float64))


def _agreement(weight: Points, then: Plane, now: Plane, warp: Matrix) -> float:
    """Weighted correlation of the two pictures within the outline, 0..1."""
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    # Not a number where the later picture shows nothing.
    there = cv2.warpAffine(now, warp, then.shape[::-1], flags=flags, borderValue=(np.nan,))
    seen = np.isfinite(there) & (weight > 0)
    total = weight[seen].sum()
    if total < LEAST_SEEN * weight.sum():
        return 0.0
    w, a, b = weight[seen] / total, then[seen], np.asarray(there, np.float64)[seen]
    a, b = a - (w * a).sum(), b - (w * b).sum()
    power = np.sqrt((w * a * a).sum() * (w * b * b).sum())
    return float(max(0.0, (w * a * b).sum() / max(power, 1e-9)))


def _turned(turn_deg: float) -> Matrix:
    turn = np.radians(turn_deg)
    return np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])


def _apart(one: Matrix, other: Matrix, middle: Points) -> bool:
    """Tell whether two moves put the specimen elsewhere or another way round."""
    at = np.array([*middle, 1.0])
    turn = one[:2, :2] @ other[:2, :2].T
    angle = float(np.degrees(np.arctan2(turn[1, 0], turn[0, 0])))
    return bool(np.linalg.norm((one @ at - other @ at)[:2]) > APART_MM or abs(angle) > APART_DEG)
