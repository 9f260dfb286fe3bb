"""How far the edge of the live tissue moved between two visits, on the rigid skeleton.

The later tissue map is laid over the earlier one by the skeleton (`registration`), since the
outline of the flesh moves within the hour. What turned from live to skeleton, less what healed,
over the length of the edge, is its advance: a linear rate, which varies less than one of areas
(Neely 2024, Front. Mar. Sci. 11:1348929).

A misread patch looks like an edge that ran and came back. So a pixel that the visits before and
after both read otherwise is read as they do; real loss and real healing stay, for they do not turn
round from week to week. At the ends of a series, where one of the two is missing, a change counts
only beside the edge that was there before; a patch that comes or goes as a whole is set aside.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from polypward.course.edge import EdgeAdvance
from polypward.labels import BARE, LIVE, OVERGROWN
from polypward_vision.registration import Light, Matrix, Outlined, Registration, register
from polypward_vision.tile import TileFrame

__all__ = ["EdgeAdvance", "VisitMap", "edge_advances", "outline_of"]

Labels = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]

# Error of a drawn edge, one SD: from memory, the order of what an outline repeats to.
EDGE_MM = 0.3
# Stretches of an edge this far apart are wrong independently of each other; own choice.
STRETCH_MM = 10.0
# The fit may be this far off; the advance is computed again shifted by it.
SHIFT_MM = 0.3
# A shorter edge is no edge to follow.
LEAST_EDGE_MM = 5.0
# A patch of skeleton of which more than this share came or went at once is no edge that moved.
# Own choice.
AT_ONCE = 0.8
# Unconfirmed change farther from the earlier edge than this is set aside; own choice.
BAND_MM = 8.0
# More set aside than this share of all change, and than so many mm²: no figure. Own choices.
ASIDE_SHARE, ASIDE_MM2 = 0.3, 5.0
# Share of a map's unsure pixels that err to the same side; own choice.
ONE_SIDED = 0.25
_EDGE_BLUR_PX = 2.0
_NO_FIT = "the skeleton of the two visits could not be laid over each other"
_NO_EDGE = "no edge between live tissue and skeleton is in sight"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VisitMap:
    """A visit's cut-out for following its edge.

    `light` is `registration.lightness` of it, `labels` its tissue map, both uint8 (rows, cols),
    `frame` where they lie, `unsure` the share of the map that was near a toss-up, 0..1. Scales and
    places may differ from visit to visit, the specimen may be turned.
    """

    light: Light
    labels: Labels
    frame: TileFrame
    unsure: float = 0.0


def outline_of(labels: Labels, frame: TileFrame) -> tuple[tuple[float, float], ...]:
    """Outline of the largest body of a tissue map, card mm; empty where there is none."""
    body = (labels > 0).astype(np.uint8)
    contours, _ = cv2.findContours(body, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return ()
    # Fewer points within half a pixel of all: a polygon of thousands is slow to fill.
    largest = cv2.approxPolyDP(max(contours, key=cv2.contourArea), 0.5, closed=True)
    at = largest[:, 0, :].astype(np.float64)
    points = (at + 0.5) * frame.mm_per_px + (frame.x_mm, frame.y_mm)
    return tuple((float(x), float(y)) for x, y in points)


def edge_advances(maps: Sequence[VisitMap | None], *, last: int = 0) -> list[EdgeAdvance]:
    """Advance of the live edge between each visit of a specimen and view and the one before.

    Parameters
    ----------
    maps : sequence of VisitMap or None
        In the order of time; None where a cut-out is gone.
    last : int
        Only so many of the newest steps; 0 = all.

    Returns
    -------
    list of EdgeAdvance
        One for each step, not available where the skeletons do not register, no edge between live
        tissue and skeleton is in sight on either visit, or the maps contradict each other.
    """
    fits = _Fits(maps)
    steps = len(maps) - 1
    return [_step(maps, at, fits) for at in range(max(0, steps - last) if last else 0, steps)]


class _Fits:
    """How each visit leads to the next: worked out once, and only where asked for."""

    def __init__(self, maps: Sequence[VisitMap | None]) -> None:
        self._maps = maps
        self._found: dict[int, Registration | None] = {}

    def of(self, at: int) -> Registration | None:
        """Return how visit `at` leads to the next; None at the ends and without any fit."""
        if not 0 <= at < len(self._maps) - 1:
            return None
        if at not in self._found:
            self._found[at] = _fit(self._maps[at], self._maps[at + 1])
        return self._found[at]

    def sure(self, at: int) -> Matrix | None:
        """Return the move of `of` where it is to be believed."""
        found = self.of(at)
        return found.move if found is not None and found.sure else None


def _fit(before: VisitMap | None, after: VisitMap | None) -> Registration | None:
    if before is None or after is None:
        return None
    outline = outline_of(before.labels, before.frame)
    if len(outline) < 3:
        return None
    known = Outlined(
        light=before.light, labels=before.labels, frame=before.frame, outline_mm=outline
    )
    return register(known, after.light, after.frame)


def _step(maps: Sequence[VisitMap | None], at: int, fits: _Fits) -> EdgeAdvance:
    """Return the advance from visit `at` to the next."""
    before, after = maps[at], maps[at + 1]
    if before is None or after is None:
        return EdgeAdvance(missing="a cut-out or tissue map is gone from the ward's folder")
    if not before.labels.any():
        return EdgeAdvance(missing="no specimen in the earlier cut-out")
    if all(_edge_mm(one.labels, one.frame.mm_per_px) < LEAST_EDGE_MM for one in (before, after)):
        return EdgeAdvance(missing=_NO_EDGE)  # cheap to see; laying maps over each other is not
    found = fits.of(at)
    if found is None or not found.sure:
        return EdgeAdvance(score=None if found is None else found.score, missing=_NO_FIT)
    frame = before.frame
    there = _laid(after, found.move, before)
    was, now = before.labels, there
    back, on = fits.sure(at - 1), fits.sure(at + 1)
    earlier = maps[at - 1] if at else None
    later = maps[at + 2] if at + 2 < len(maps) else None
    confirmed = back is not None and on is not None and earlier is not None and later is not None
    if back is not None and earlier is not None:
        was = _agreed(
            was, _laid(earlier, np.asarray(np.linalg.inv(back), np.float64), before), there
        )
    if on is not None and later is not None:
        now = _agreed(now, before.labels, _laid(later, on @ found.move, before))
    aside = 0.0
    if not confirmed:
        was, now, aside = _beside(was, now, frame.mm_per_px)
    lost, healed = _changed(was, now, frame.mm_per_px)
    if aside > max(ASIDE_MM2, ASIDE_SHARE * (aside + lost + healed)):
        missing = (
            f"only one of the two tissue maps shows a patch of {aside:.0f} mm2, and no other visit "
            "says yet which is right"
        )
        return EdgeAdvance(score=found.score, set_aside_mm2=aside, missing=missing)
    edges = [_edge_mm(labels, frame.mm_per_px) for labels in (was, now)]
    edges = [edge for edge in edges if edge >= LEAST_EDGE_MM]
    if not edges:
        return EdgeAdvance(score=found.score, set_aside_mm2=aside, missing=_NO_EDGE)
    edge = float(np.mean(edges))
    advance = (lost - healed) / edge
    drawn = EDGE_MM * np.sqrt(2 / max(1.0, edge / STRETCH_MM))
    body_mm2 = np.count_nonzero(before.labels) * frame.mm_per_px**2
    doubt = ONE_SIDED * np.hypot(before.unsure, after.unsure) * body_mm2 / edge
    fitted = _off_by(SHIFT_MM, was, now, frame.mm_per_px, advance * edge) / edge
    return EdgeAdvance(
        advance_mm=float(advance),
        sd_mm=float(np.linalg.norm([drawn, doubt, fitted])),
        lost_mm2=lost,
        healed_mm2=healed,
        edge_mm=edge,
        score=found.score,
        confirmed=confirmed,
        set_aside_mm2=aside,
    )


def _laid(one: VisitMap, move: Matrix, onto: VisitMap) -> Labels:
    """Lay a map over another cut-out; `move` leads from that one's card mm to this one's."""
    warp = (np.linalg.inv(one.frame.to_mm()) @ move @ onto.frame.to_mm())[:2]
    flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    size = onto.labels.shape[::-1]
    return np.asarray(cv2.warpAffine(one.labels, warp, size, flags=flags), np.uint8)


def _skeleton(labels: Labels) -> Mask:
    return np.isin(labels, (BARE, OVERGROWN))


def _agreed(labels: Labels, earlier: Labels, later: Labels) -> Labels:
    """Return the map with what the visits before and after both read otherwise read as they do."""
    alive = (labels == LIVE) & _skeleton(earlier) & _skeleton(later)
    dead = _skeleton(labels) & (earlier == LIVE) & (later == LIVE)
    return np.where(alive, later, np.where(dead, np.uint8(LIVE), labels)).astype(np.uint8)


def _beside(was: Labels, now: Labels, mm_per_px: float) -> tuple[Labels, Labels, float]:
    """Take back what came or went away from the earlier edge; give both maps and its area, mm²."""
    then, here = _skeleton(was), _skeleton(now)
    lost, healed = (was == LIVE) & here, then & (now == LIVE)
    came = lost & (_at_once(here, lost) | (_away_mm(then, mm_per_px) > BAND_MM))
    went = healed & (_at_once(then, healed) | (_away_mm(was == LIVE, mm_per_px) > BAND_MM))
    area = float(np.count_nonzero(came | went)) * mm_per_px**2
    live = np.uint8(LIVE)
    return np.where(went, live, was), np.where(came, live, now), area


def _away_mm(mask: Mask, mm_per_px: float) -> npt.NDArray[np.float32]:
    """Distance of every pixel from a mask, mm; endless where the mask is empty."""
    if not mask.any():
        return np.full(mask.shape, np.inf, np.float32)
    away = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return np.asarray(away * np.float32(mm_per_px), np.float32)


def _at_once(skeleton: Mask, changed: Mask) -> Mask:
    """Pieces of the skeleton that changed as a whole, but for a rest."""
    count, pieces = cv2.connectedComponents(skeleton.astype(np.uint8))
    size = np.bincount(pieces.ravel(), minlength=count)
    share = np.bincount(pieces[changed], minlength=count) / np.maximum(size, 1)
    share[0] = 0.0  # no skeleton
    return np.asarray((share > AT_ONCE)[pieces])


def _changed(before: Labels, after: Labels, mm_per_px: float) -> tuple[float, float]:
    """Areas that turned from live to skeleton and from skeleton to live, mm²."""
    lost = np.count_nonzero((before == LIVE) & _skeleton(after))
    healed = np.count_nonzero(_skeleton(before) & (after == LIVE))
    return float(lost * mm_per_px**2), float(healed * mm_per_px**2)


def _off_by(shift_mm: float, was: Labels, now: Labels, mm_per_px: float, net_mm2: float) -> float:
    """Root mean square change of the net loss, mm², when the later map lies off by a shift."""
    misses = []
    for right, down in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        step = shift_mm / mm_per_px
        warp = np.array([[1, 0, right * step], [0, 1, down * step]])
        moved = cv2.warpAffine(now, warp, now.shape[::-1], flags=cv2.INTER_NEAREST)
        gone, back = _changed(was, np.asarray(moved, np.uint8), mm_per_px)
        misses.append(gone - back - net_mm2)
    return float(np.sqrt(np.mean(np.square(misses))))


def _edge_mm(labels: Labels, mm_per_px: float) -> float:
    """Length of the edge between live tissue and skeleton, mm.

    The total variation of the share of live tissue in a small neighbourhood: it has no favoured
    direction, and steps of single pixels do not count.
    """
    live = cv2.GaussianBlur((labels == LIVE).astype(np.float32), (0, 0), _EDGE_BLUR_PX)
    body = cv2.GaussianBlur((labels > 0).astype(np.float32), (0, 0), _EDGE_BLUR_PX)
    share = live / np.maximum(body, np.float32(1e-3))
    down, right = np.gradient(share)
    return float(np.hypot(down, right)[labels > 0].sum() * mm_per_px)
