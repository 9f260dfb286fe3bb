"""Which part of a label map is the specimen: one connected body, specks and growth apart."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from polypward.labels import BACKGROUND, BARE, LIVE
from polypward_vision.tissue.around import around
from polypward_vision.tissue.holes import holes

__all__ = ["Body", "all_bodies", "pick_body"]

# Parts closer than this belong together: branches of one specimen seen from above, a polyp's gap.
JOIN_MM = 4.0
# Specks smaller than this are no part of any specimen.
SPECK_MM2 = 4.0
# A body smaller than this is no specimen.
SMALLEST_MM2 = 25.0
# A second body counts as another specimen from this share of the first.
RIVAL_SHARE = 0.2
# Holes up to this size in a body are glints or shadow, not gaps.
PINHOLE_MM2 = 2.0
# How far, in mm, a body's nearest pixel may lie off the aim before another body is preferred.
AIM_MM = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """The specimen's pixels, bool (rows, cols), or why there is no single one.

    `problem` is "" or the reason code ``nothing-found`` or ``several-specimens``; `mask` then is
    empty or holds the likeliest body. `count` is the number of bodies found.
    """

    mask: npt.NDArray[np.bool_]
    problem: str = ""
    count: int = 1
    touches_edge: bool = False


def pick_body(
    labels: npt.NDArray[np.uint8],
    *,
    mm_per_px: float,
    aim_mm: tuple[float, float] | None = None,
    aim_decides: bool = False,
) -> Body:
    """Find the one specimen in a label map.

    Parameters
    ----------
    labels : uint8 array of shape (rows, cols)
        Labels of `polypward.labels`; 0 where nothing is shown.
    mm_per_px : float
        Side of a pixel in mm.
    aim_mm : (x, y), optional
        Where the specimen is expected, mm from the top left corner; default the middle.
    aim_decides : bool
        True beside a strip, whose arrow chooses among several bodies; in a frame's window several
        bodies are never chosen from.
    """
    mask = np.zeros(labels.shape, bool)
    part = _part(labels, mm_per_px=mm_per_px)
    groups, group_count, area_mm2, bodies = _bodies(labels[part], mm_per_px=mm_per_px)
    if not bodies:
        return Body(mask=mask, problem="nothing-found", count=0)
    aim_px = np.array(aim_mm) / mm_per_px if aim_mm else np.array(labels.shape[::-1]) / 2
    aim_px -= (part[1].start, part[0].start)
    distance_mm = _distances_px(groups, group_count, aim_px) * mm_per_px
    # Large and near: a body AIM_MM off the aim must be e times as large to be preferred.
    chosen = max(bodies, key=lambda body: np.log(area_mm2[body]) - distance_mm[body] / AIM_MM)
    rivals = [
        body
        for body in bodies
        if body != chosen and area_mm2[body] >= RIVAL_SHARE * area_mm2[chosen]
    ]
    if aim_decides:
        rivals = [body for body in rivals if distance_mm[body] < distance_mm[chosen] + AIM_MM / 2]
    mask[part] = _without_pinholes(groups == chosen, largest_px=PINHOLE_MM2 / mm_per_px**2)
    return Body(
        mask=mask,
        problem="several-specimens" if rivals else "",
        count=len(rivals) + 1,
        touches_edge=bool(mask[0].any() or mask[-1].any() or mask[:, 0].any() or mask[:, -1].any()),
    )


def all_bodies(labels: npt.NDArray[np.uint8], *, mm_per_px: float) -> list[npt.NDArray[np.bool_]]:
    """Find every body in a label map that may be a specimen, bool (rows, cols) each."""
    part = _part(labels, mm_per_px=mm_per_px)
    groups, _, _, bodies = _bodies(labels[part], mm_per_px=mm_per_px)
    masks = [np.zeros(labels.shape, bool) for _ in bodies]
    for mask, body in zip(masks, bodies, strict=True):
        mask[part] = _without_pinholes(groups == body, largest_px=PINHOLE_MM2 / mm_per_px**2)
    return masks


def _part(labels: npt.NDArray[np.uint8], *, mm_per_px: float) -> tuple[slice, slice]:
    """Rows and columns, from even ones on, of all labels, with room for parts to be joined in."""
    rows, cols = around(labels, room=int(JOIN_MM / mm_per_px) + 2)
    return slice(rows.start // 2 * 2, rows.stop), slice(cols.start // 2 * 2, cols.stop)


def _bodies(
    labels: npt.NDArray[np.uint8], *, mm_per_px: float
) -> tuple[npt.NDArray[np.int32], int, npt.NDArray[np.floating[Any]], list[int]]:
    """Tell groups of parts (rows, cols) and their count, areas in mm2, and those large enough."""
    px_mm2 = mm_per_px * mm_per_px
    parts = _without_specks(labels != BACKGROUND, smallest_px=SPECK_MM2 / px_mm2)
    groups, group_count = _joined(parts, gap_px=JOIN_MM / mm_per_px)
    # Growth alone is a plug or a rack unless tissue or skeleton is part of it or close by; only
    # when there is no tissue and no skeleton at all may a body be all overgrown.
    own_px = np.bincount(groups[(labels == LIVE) | (labels == BARE)], minlength=group_count)
    genuine = own_px * px_mm2 >= SPECK_MM2
    genuine[0] = False
    if genuine.any():
        groups = np.where(genuine, np.arange(group_count, dtype=np.int32), 0).take(groups)
    area_mm2 = np.bincount(groups.ravel(), minlength=group_count) * px_mm2
    bodies = [group for group in range(1, group_count) if area_mm2[group] >= SMALLEST_MM2]
    return groups, group_count, area_mm2, bodies


def _without_specks(mask: npt.NDArray[np.bool_], *, smallest_px: float) -> npt.NDArray[np.bool_]:
    count, numbered = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    keep = np.bincount(numbered.ravel(), minlength=count) >= smallest_px
    keep[0] = False
    return np.asarray(keep.take(np.asarray(numbered)))


def _without_pinholes(mask: npt.NDArray[np.bool_], *, largest_px: float) -> npt.NDArray[np.bool_]:
    """Fill the small holes of a mask; what opens to the rim of the array is no hole."""
    numbered, enclosed, sizes = holes(mask)
    return np.asarray(mask | (enclosed & (sizes <= largest_px)).take(numbered))


def _joined(mask: npt.NDArray[np.bool_], *, gap_px: float) -> tuple[npt.NDArray[np.int32], int]:
    """Give the parts of a mask numbers, parts closer than `gap_px` sharing a number."""
    apart = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5)
    grown = (apart <= gap_px / 2).astype(np.uint8)
    count, numbered = cv2.connectedComponents(grown, connectivity=8)
    return np.where(mask, numbered, 0).astype(np.int32), count


def _distances_px(
    groups: npt.NDArray[np.int32], count: int, aim_px: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Distance of each group's nearest pixel from the aim; every second pixel is looked at."""
    thin = groups[::2, ::2]
    row, col = np.nonzero(thin)
    nearest = np.full(count, np.inf)
    away = np.hypot(2 * col + 0.5 - aim_px[0], 2 * row + 0.5 - aim_px[1])
    np.minimum.at(nearest, thin[row, col], away)
    return nearest
