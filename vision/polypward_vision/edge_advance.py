"""How far the edge of the live tissue moved between two visits, on the rigid skeleton.

The later tissue map is laid over the earlier one by the skeleton (`registration`), since the
outline of the flesh moves within the hour. What turned from live to skeleton, less what healed,
over the length of the edge, is its advance: a linear rate, which varies less than one of areas
(Neely 2024, Front. Mar. Sci. 11:1348929).
"""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from polypward.labels import BARE, LIVE, OVERGROWN
from polypward_vision.registration import Light, Matrix, Outlined, Registration, register
from polypward_vision.tile import TileFrame

__all__ = ["EdgeAdvance", "edge_advance", "outline_of"]

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
_EDGE_BLUR_PX = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeAdvance:
    """Advance of the edge, mm, positive where tissue is lost, one SD; or why there is none.

    `lost_mm2` and `healed_mm2` are what turned from live to skeleton and back, `edge_mm` the length
    of the edge, `score` how well the skeletons fit, 0..1. `missing` says why it is not available.
    """

    advance_mm: float | None = None
    sd_mm: float | None = None
    lost_mm2: float | None = None
    healed_mm2: float | None = None
    edge_mm: float | None = None
    score: float | None = None
    missing: str = ""

    def per_week(self, days: float) -> tuple[float, float] | None:
        """Advance and its SD, mm per week, over a number of days; None where not available."""
        if self.advance_mm is None or self.sd_mm is None or days <= 0:
            return None
        return 7 * self.advance_mm / days, 7 * self.sd_mm / days


def outline_of(labels: Labels, frame: TileFrame) -> tuple[tuple[float, float], ...]:
    """Outline of the largest body of a tissue map, card mm; empty where there is none."""
    body = (labels > 0).astype(np.uint8)
    contours, _ = cv2.findContours(body, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return ()
    at = max(contours, key=cv2.contourArea)[:, 0, :].astype(np.float64)
    points = (at + 0.5) * frame.mm_per_px + (frame.x_mm, frame.y_mm)
    return tuple((float(x), float(y)) for x, y in points)


def edge_advance(
    before: tuple[Light, Labels, TileFrame], after: tuple[Light, Labels, TileFrame]
) -> EdgeAdvance:
    """Advance of the live edge between two cut-outs of one specimen and view.

    Parameters
    ----------
    before, after : tuples of (lightness, labels, frame)
        `registration.lightness` of the cut-out and its tissue map, both uint8 (rows, cols), and
        where they lie. Scales and places may differ, the specimen may be turned.

    Returns
    -------
    EdgeAdvance
        Not available where the skeleton does not register, or no edge between live tissue and
        skeleton is in sight on either visit.
    """
    light, labels, frame = before
    outline = outline_of(labels, frame)
    if len(outline) < 3:
        return EdgeAdvance(missing="no specimen in the earlier cut-out")
    known = Outlined(light=light, labels=labels, frame=frame, outline_mm=outline)
    found: Registration | None = register(known, after[0], after[2])
    if found is None or not found.sure:
        return EdgeAdvance(
            score=None if found is None else found.score,
            missing="the skeleton of the two visits could not be laid over each other",
        )
    laid = _laid(after[1], after[2], frame, found.move, labels.shape)
    edges = [_edge_mm(labels, frame.mm_per_px), _edge_mm(laid, frame.mm_per_px)]
    edges = [edge for edge in edges if edge >= LEAST_EDGE_MM]
    if not edges:
        return EdgeAdvance(
            score=found.score, missing="no edge between live tissue and skeleton is in sight"
        )
    edge = float(np.mean(edges))
    lost, healed = _changed(labels, laid, frame.mm_per_px)
    advance = (lost - healed) / edge
    misses = []
    for shift in ((SHIFT_MM, 0.0), (-SHIFT_MM, 0.0), (0.0, SHIFT_MM), (0.0, -SHIFT_MM)):
        off = np.eye(3)
        off[:2, 2] = shift
        moved = _laid(after[1], after[2], frame, off @ found.move, labels.shape)
        gone, back = _changed(labels, moved, frame.mm_per_px)
        misses.append((gone - back) / edge - advance)
    drawn = EDGE_MM * np.sqrt(2 / max(1.0, edge / STRETCH_MM))
    return EdgeAdvance(
        advance_mm=float(advance),
        sd_mm=float(np.hypot(drawn, np.sqrt(np.mean(np.square(misses))))),
        lost_mm2=lost,
        healed_mm2=healed,
        edge_mm=edge,
        score=found.score,
    )


def _laid(
    labels: Labels, frame: TileFrame, onto: TileFrame, move: Matrix, shape: tuple[int, ...]
) -> Labels:
    """Lay the later map over the earlier cut-out; `move` leads from earlier to later card mm."""
    warp = (np.linalg.inv(frame.to_mm()) @ move @ onto.to_mm())[:2]
    flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(labels, warp, shape[::-1], flags=flags), np.uint8)


def _changed(before: Labels, after: Labels, mm_per_px: float) -> tuple[float, float]:
    """Areas that turned from live to skeleton and from skeleton to live, mm²."""
    was, now = (np.isin(labels, (BARE, OVERGROWN)) for labels in (before, after))
    lost = np.count_nonzero((before == LIVE) & now)
    healed = np.count_nonzero(was & (after == LIVE))
    return float(lost * mm_per_px**2), float(healed * mm_per_px**2)


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
