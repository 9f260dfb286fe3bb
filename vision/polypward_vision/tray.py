"""Several small specimens in one photo, each with its own tag: which body belongs to which tag.

A body belongs to a tag if it is clearly the nearest to it, and the tag clearly the nearest to the
body. Where that is not clear nothing is guessed: the tag is left out and told.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from polypward.errors import PhotoRejectedError
from polypward.labels import BACKGROUND
from polypward_vision.codes import Tag
from polypward_vision.corrected import CorrectedMap
from polypward_vision.result import LeftOut, PhotoResult
from polypward_vision.tile import MM_PER_PX, Tile, TileFrame
from polypward_vision.tissue import Labeller, TissueMap, map_bodies
from polypward_vision.tissue.holes import holes

__all__ = ["measure_tray", "without_tags"]

Lab = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

# Side of the cut-out around a tag in which its specimen is looked for.
AROUND_MM = 120.0
# A specimen lies at most so far from its tag's code.
FARTHEST_MM = 30.0
# The next body, or the next tag, must be this much farther off than the nearest: times, and mm.
CLEARLY_TIMES, CLEARLY_MM = 1.5, 3.0
# What is left of the surroundings of a specimen in its cut-out.
MARGIN_MM = 8.0
# White paper round a tag's code: so many modules of 21 at least, farther where it is as white.
QUIET_MODULES, PAPER_DE, PAPER_SIDES = 4, 14.0, 1.6
# Of the surroundings that far, paper covers this share at most.
MOST_PAPER = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """The specimen of a tag: its cut-out, colours and map."""

    tag: Tag
    tile: Tile
    lab: Lab
    tissue: TissueMap


def measure_tray(
    tags: Sequence[Tag],
    *,
    cut: Callable[[TileFrame], Tile],
    colours: Callable[[Tile], Lab],
    finish: Callable[[Tile, Lab, TissueMap, str], PhotoResult],
    model: Labeller,
    corrected: Mapping[str, CorrectedMap],
) -> PhotoResult:
    """Measure the specimen of every tag.

    Parameters
    ----------
    tags : sequence of Tag
        Two or more, in card mm.
    cut, colours, finish : callables
        Cut a frame of the specimens' plane out; its CIELAB; the result of one specimen, with the
        name of its tag.
    model : Labeller
        Labels the cut-outs.
    corrected : mapping of str to CorrectedMap
        People's maps by tag; they are taken as they are.

    Returns
    -------
    PhotoResult
        Of the first tag that is clear, the others in `others` and `left_out`.

    Raises
    ------
    PhotoRejectedError
        ``tag-unclear`` if no tag's specimen is clear.
    """
    found: list[_Found] = []
    left_out: list[LeftOut] = []
    for tag in tags:
        tile = cut(_around(tag))
        if not tile.valid.any():
            left_out.append(LeftOut(tag.name, "tag-unclear", "its surroundings are not in view"))
            continue
        lab = colours(tile)
        if tag.name in corrected:
            tissue = corrected[tag.name].on(tile)
            found.append(_Found(tag=tag, tile=tile, lab=lab, tissue=tissue))
            continue
        tile = without_tags(tile, lab, tags)
        bodies = map_bodies(lab, valid=tile.valid, mm_per_px=tile.frame.mm_per_px, model=model)
        tissue, why = _own(tag, tags, tile, bodies)
        if why:
            left_out.append(LeftOut(tag.name, "tag-unclear", why))
        else:
            found.append(_Found(tag=tag, tile=tile, lab=lab, tissue=tissue))
    twice = {name for one in found for name in _claimed_too(one, found)}
    results = []
    for one in found:
        if one.tag.name in twice:
            why = "another tag has the same specimen nearest to it"
            left_out.append(LeftOut(one.tag.name, "tag-unclear", why))
            continue
        try:
            results.append(finish(*_cropped(one), one.tag.name))
        except PhotoRejectedError as error:
            left_out.append(LeftOut(one.tag.name, error.code, error.detail))
    left_out.sort(key=lambda one: one.tag)
    if not results:
        raise PhotoRejectedError(
            "tag-unclear", "; ".join(f"{one.tag}: {one.detail or one.code}" for one in left_out)
        )
    return replace(results[0], others=tuple(results[1:]), left_out=tuple(left_out))


def _around(tag: Tag) -> TileFrame:
    x, y = tag.corners_mm.mean(axis=0)
    count = round(AROUND_MM / MM_PER_PX)
    return TileFrame(
        x_mm=float(x) - AROUND_MM / 2, y_mm=float(y) - AROUND_MM / 2, rows=count, cols=count
    )


def without_tags(tile: Tile, lab: Lab, tags: Sequence[Tag]) -> Tile:
    """Take the tags, code and white paper, out of what a cut-out shows."""
    valid = tile.valid.copy()
    for tag in tags:
        valid &= ~_paper(tile.frame, lab, tag)
    return replace(tile, valid=valid)


def _paper(frame: TileFrame, lab: Lab, tag: Tag) -> Mask:
    """Find the pixels of a tag: its code with a margin, and paper as white that goes on from it."""
    middle = tag.corners_mm.mean(axis=0)
    share = 1 + 2 * QUIET_MODULES / 21
    code = frame.polygon(middle + (tag.corners_mm - middle) * share)
    if not code.any():
        return code
    ring = code & ~frame.polygon(middle + (tag.corners_mm - middle) * (1 + 2 / 21))
    white = np.median(lab[ring], axis=0) if ring.any() else np.array([95.0, 0, 0])
    near = frame.polygon(middle + (tag.corners_mm - middle) * (1 + 2 * PAPER_SIDES))
    alike = near & (np.linalg.norm(lab - white.astype(np.float32), axis=2) < PAPER_DE)
    if np.count_nonzero(alike) > MOST_PAPER * np.count_nonzero(near):
        alike = code  # the ground is as white as the paper
    paper = (code | alike).astype(np.uint8)
    _, numbered = cv2.connectedComponents(paper, connectivity=4)
    own = np.isin(numbered, np.unique(numbered[code])) & (numbered > 0)
    # Print on the paper is a hole in it.
    tool = np.ones((3, 3), np.uint8)
    own = cv2.morphologyEx(own.astype(np.uint8), cv2.MORPH_OPEN, tool) > 0
    inside, printed, _ = holes(own)
    whole = (own | code | printed[inside]).astype(np.uint8)
    return np.asarray(cv2.dilate(whole, tool, iterations=2) > 0)


def _own(
    tag: Tag, tags: Sequence[Tag], tile: Tile, bodies: Sequence[TissueMap]
) -> tuple[TissueMap, str]:
    """Choose the body that is clearly the tag's own; or say why there is none."""
    nothing = TissueMap(
        labels=np.zeros(tile.valid.shape, np.uint8),
        unsure=None,
        unsure_map=np.zeros(tile.valid.shape, np.float32),
    )
    apart = _apart_mm(tile.frame, tag)
    near = sorted(
        ((float(apart[body.labels != BACKGROUND].min()), n) for n, body in enumerate(bodies)),
    )
    near = [one for one in near if one[0] <= FARTHEST_MM * CLEARLY_TIMES + CLEARLY_MM]
    if not near or near[0][0] > FARTHEST_MM:
        return nothing, f"no specimen within {FARTHEST_MM:.0f} mm of it"
    first, number = near[0]
    enough = first * CLEARLY_TIMES + CLEARLY_MM
    if len(near) > 1 and near[1][0] < enough:
        return nothing, f"two specimens near it, {first:.0f} and {near[1][0]:.0f} mm away"
    body = bodies[number]
    mask = body.labels != BACKGROUND
    for other in tags:
        if other.name == tag.name:
            continue
        away = float(_apart_mm(tile.frame, other)[mask].min())
        if away < enough:
            return nothing, (
                f"the specimen {first:.0f} mm from it is {away:.0f} mm from the tag {other.name}"
            )
    if body.touches_edge or _cut_off(mask, tile):
        return nothing, "its specimen is not wholly in view"
    return body, ""


def _cut_off(mask: Mask, tile: Tile) -> bool:
    """Tell whether a body touches what lies outside the picture."""
    rim = cv2.dilate(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return bool((rim & ~tile.valid & ~mask).mean() > 0 and _outside(tile)[rim].any())


def _outside(tile: Tile) -> Mask:
    """Find the pixels of a cut-out that lie outside the picture: invalid ones joined to its rim."""
    _, numbered = cv2.connectedComponents((~tile.valid).astype(np.uint8), connectivity=4)
    rim = np.concatenate([numbered[0], numbered[-1], numbered[:, 0], numbered[:, -1]])
    return np.asarray(np.isin(numbered, rim[rim > 0]))


def _apart_mm(frame: TileFrame, tag: Tag) -> npt.NDArray[np.float64]:
    """Distance of each pixel of a frame from a tag's code, mm, 0 on it."""
    points = (tag.corners_mm - (frame.x_mm, frame.y_mm)) / frame.mm_per_px - 0.5
    row, col = np.mgrid[: frame.rows, : frame.cols]
    best = np.full(row.shape, np.inf)
    for start, end in zip(points, np.roll(points, -1, axis=0), strict=True):
        along = end - start
        t = ((col - start[0]) * along[0] + (row - start[1]) * along[1]) / (along @ along)
        t = np.clip(t, 0, 1)
        gap = np.hypot(col - start[0] - t * along[0], row - start[1] - t * along[1])
        np.minimum(best, gap, out=best)
    best[frame.polygon(tag.corners_mm)] = 0
    return np.asarray(best * frame.mm_per_px)


def _claimed_too(one: _Found, found: Sequence[_Found]) -> list[str]:
    """Name the tag of `one` if another tag's specimen covers the same place."""
    mine = _middle_mm(one)
    for other in found:
        if other is not one and np.linalg.norm(_middle_mm(other) - mine) < CLEARLY_MM:
            return [one.tag.name]
    return []


def _middle_mm(one: _Found) -> npt.NDArray[np.float64]:
    rows, cols = np.nonzero(one.tissue.labels)
    frame = one.tile.frame
    if not len(rows):
        return np.full(2, np.nan)
    at = np.array([cols.mean() + 0.5, rows.mean() + 0.5]) * frame.mm_per_px
    return np.asarray(at + np.array([frame.x_mm, frame.y_mm]), np.float64)


def _cropped(one: _Found) -> tuple[Tile, Lab, TissueMap]:
    """Cut a specimen's cut-out to it, with a margin."""
    tile, tissue = one.tile, one.tissue
    frame, margin = tile.frame, round(MARGIN_MM / tile.frame.mm_per_px)
    rows, cols = np.nonzero(tissue.labels)
    if not len(rows):
        return tile, one.lab, tissue
    r0, r1 = max(rows.min() - margin, 0), min(rows.max() + 1 + margin, frame.rows)
    c0, c1 = max(cols.min() - margin, 0), min(cols.max() + 1 + margin, frame.cols)
    part = (slice(r0, r1), slice(c0, c1))
    small = replace(
        frame,
        x_mm=frame.x_mm + float(c0) * frame.mm_per_px,
        y_mm=frame.y_mm + float(r0) * frame.mm_per_px,
        rows=int(r1 - r0),
        cols=int(c1 - c0),
    )
    cut = replace(tile, frame=small, rgb=tile.rgb[part], valid=tile.valid[part])
    labelled = replace(tissue, labels=tissue.labels[part], unsure_map=tissue.unsure_map[part])
    return cut, one.lab[part], labelled
