"""From a corrected cut-out to the tissue map of one specimen."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import cv2
import numpy as np
import numpy.typing as npt

from polypward.labels import BACKGROUND, BARE, LIVE, OVERGROWN
from polypward_vision.tissue.around import around
from polypward_vision.tissue.body import all_bodies, pick_body
from polypward_vision.tissue.holes import holes
from polypward_vision.tissue.model import SURE

__all__ = ["Labeller", "TissueMap", "map_bodies", "map_tissue"]

Plane = npt.NDArray[np.float32]

# Neighbours within this width vote together.
SMOOTH_MM = 0.6
# Lines of bare or overgrown thinner than this are edges, not losses. On 40 held-out phantoms 0.6 mm
# costs no overlap; 1.0 mm would cost 0.01 of bare and of overgrown.
SLIVER_MM = 0.6
# Ground counts for this share of its likelihood against what a specimen shows: with all of it the
# live areas of 140 held-out cut-outs read 0.3 to 0.6 % too small (median), with this 0.1 % off.
GROUND_COUNTS = 0.8
# Where ground is likelier than this, no other label can win.
MAYBE_TISSUE = 1 / (1 + GROUND_COUNTS) + 0.01
# Ground within a specimen, of this area and more, is a part of it if less likely than this.
HOLE_MM2, SURE_HOLE = 10.0, 0.8


class Labeller(Protocol):
    """Anything that tells labels: the base model, a ward's own (see `TissueModel`)."""

    def probabilities(
        self,
        lab: npt.NDArray[np.float32],
        *,
        mm_per_px: float,
        valid: npt.NDArray[np.bool_] | None = None,
        centre_mm: tuple[float, float] | None = None,
    ) -> npt.NDArray[np.float32]:
        """Probability of each label at each pixel, (rows, cols, 4)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TissueMap:
    """The labels of one specimen and how sure they are.

    `labels` is uint8 (rows, cols), values of `polypward.labels`, 0 off the specimen. `unsure` is
    the share (0..1) of the specimen's pixels whose best label has a low probability, None without a
    specimen; `unsure_map` is float32 (rows, cols), 1 minus the best label's probability.
    `sides` is the share of the specimen's area that the map itself expects on the wrong side of
    live and not live. `problem` is "" or the reason code ``nothing-found`` or
    ``several-specimens``.
    """

    labels: npt.NDArray[np.uint8]
    unsure: float | None
    unsure_map: npt.NDArray[np.float32]
    problem: str = ""
    bodies: int = 1
    touches_edge: bool = False
    sides: float = 0.0


def map_tissue(
    lab: npt.NDArray[np.float32],
    *,
    valid: npt.NDArray[np.bool_],
    mm_per_px: float,
    model: Labeller,
    aim_mm: tuple[float, float] | None = None,
    aim_decides: bool = False,
    outline: npt.NDArray[np.bool_] | None = None,
) -> TissueMap:
    """Label every pixel of a cut-out and keep the one specimen in it.

    Parameters
    ----------
    lab : float32 array of shape (rows, cols, 3)
        Corrected CIELAB D50.
    valid : bool array of shape (rows, cols)
        False where the cut-out shows nothing: outside the picture, the card itself.
    mm_per_px : float
        Side of a pixel in mm.
    model : Labeller
        The base model or a ward's own.
    aim_mm : (x, y), optional
        Where the specimen is expected, mm from the cut-out's top left corner: the window's centre,
        or some way along a strip's arrow. Default the middle.
    aim_decides : bool
        True beside a strip, whose arrow chooses among several bodies.
    outline : bool array of shape (rows, cols), optional
        A person's outline: the specimen is what the model finds inside it, however many parts.

    Raises
    ------
    ValueError
        As `tissue_features`.
    """
    inside = valid if outline is None else valid & outline
    look = _looked(lab, valid=valid, inside=inside, mm_per_px=mm_per_px, model=model, aim_mm=aim_mm)
    if outline is not None:
        found = look.labels != BACKGROUND
        return look.of(found, problem="" if found.any() else "nothing-found", bodies=found.any())
    body = pick_body(look.labels, mm_per_px=mm_per_px, aim_mm=aim_mm, aim_decides=aim_decides)
    return look.of(
        body.mask, problem=body.problem, bodies=body.count, touches_edge=body.touches_edge
    )


def map_bodies(
    lab: npt.NDArray[np.float32],
    *,
    valid: npt.NDArray[np.bool_],
    mm_per_px: float,
    model: Labeller,
) -> list[TissueMap]:
    """Label every pixel of a cut-out and give each body in it a map of its own; as `map_tissue`."""
    look = _looked(lab, valid=valid, inside=valid, mm_per_px=mm_per_px, model=model, aim_mm=None)
    maps = []
    for mask in all_bodies(look.labels, mm_per_px=mm_per_px):
        rim = np.concatenate([mask[0], mask[-1], mask[:, 0], mask[:, -1]])
        maps.append(look.of(mask, touches_edge=bool(rim.any())))
    return maps


@dataclass(frozen=True, slots=True)
class _Look:
    """A whole cut-out, all arrays (rows, cols).

    Labels, 1 minus their probability, the likeliest label that is not ground, and the probability
    that a pixel is on the other side of live and not live.
    """

    labels: npt.NDArray[np.uint8]
    unsure_map: npt.NDArray[np.float32]
    any_tissue: npt.NDArray[np.uint8]
    other_side: npt.NDArray[np.float32]

    def of(
        self,
        mask: npt.NDArray[np.bool_],
        *,
        problem: str = "",
        bodies: int = 1,
        touches_edge: bool = False,
    ) -> TissueMap:
        """Map of one body; pinholes take the likeliest label that is not background."""
        part = around(mask.view(np.uint8), room=0)
        its, within = mask[part], np.zeros(mask.shape, np.uint8)
        within[part] = np.where(its, self.any_tissue[part], np.uint8(BACKGROUND))
        return TissueMap(
            labels=within,
            unsure=_share(self.unsure_map[part], its),
            unsure_map=self.unsure_map,
            problem=problem,
            bodies=int(bodies),
            touches_edge=touches_edge,
            sides=float(self.other_side[part][its].mean()) if its.any() else 0.0,
        )


def _looked(
    lab: npt.NDArray[np.float32],
    *,
    valid: npt.NDArray[np.bool_],
    inside: npt.NDArray[np.bool_],
    mm_per_px: float,
    model: Labeller,
    aim_mm: tuple[float, float] | None,
) -> _Look:
    """Label what is `inside`."""
    chances = model.probabilities(lab, mm_per_px=mm_per_px, valid=valid, centre_mm=aim_mm)
    look = _Look(
        labels=np.full(inside.shape, BACKGROUND, np.uint8),
        unsure_map=np.zeros(inside.shape, np.float32),
        any_tissue=np.full(inside.shape, LIVE, np.uint8),
        other_side=np.zeros(inside.shape, np.float32),
    )
    side = max(3, 2 * round(SMOOTH_MM / mm_per_px / 2 - 0.5) + 1)
    # Where the ground is certain all around, smoothing makes nothing else of it.
    doubted = (chances[..., BACKGROUND] < 1).astype(np.uint8)
    _look_at(look, around(doubted, room=side), chances, inside, mm_per_px=mm_per_px, side=side)
    return look


def _look_at(
    look: _Look,
    part: tuple[slice, slice],
    chances: Plane,
    inside: npt.NDArray[np.bool_],
    *,
    mm_per_px: float,
    side: int,
) -> None:
    """Label one part of a cut-out, in place."""
    labels, unsure_map, inside = look.labels[part], look.unsure_map[part], inside[part]
    planes = [_blurred(plane, side) for plane in cv2.split(chances[part])]
    unsure_map[:] = np.where(inside, 1 - planes[BACKGROUND], np.float32(0))
    maybe = (planes[BACKGROUND] < MAYBE_TISSUE).astype(np.uint8)
    within = around(maybe, room=2 * round(SLIVER_MM / mm_per_px) + 1)
    planes = [plane[within] for plane in planes]
    _fade_slivers(planes, mm_per_px=mm_per_px)
    best, likeliest, any_tissue = _best(planes)
    _fill_doubtful_holes(best, any_tissue, planes[BACKGROUND], mm_per_px=mm_per_px)
    labels[within] = np.where(inside[within], best, np.uint8(BACKGROUND))
    unsure_map[within] = np.where(inside[within], 1 - likeliest, np.float32(0))
    look.any_tissue[part][within] = any_tissue
    look.other_side[part][within] = np.where(
        any_tissue == LIVE, planes[BARE] + planes[OVERGROWN], planes[LIVE]
    )


def _blurred(plane: Any, side: int) -> Plane:
    return np.asarray(cv2.blur(plane, (side, side), borderType=cv2.BORDER_REFLECT), np.float32)


def _fade_slivers(planes: Sequence[Plane], *, mm_per_px: float) -> None:
    """Take bare and overgrown out of the running, in place, where they form a thin line only.

    The soft edge between tissue and a light ground looks like skeleton, that to a dark ground like
    growth. What is thinner than SLIVER_MM takes the likelier of the other labels.
    """
    side = round(SLIVER_MM / mm_per_px)
    if side < 2:
        return
    tool = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    best = _best(planes)[0]
    for label in (BARE, OVERGROWN):
        mask = (best == label).astype(np.uint8)
        thick = cv2.morphologyEx(mask, cv2.MORPH_OPEN, tool)
        # The edge of something thick stays.
        thin = (mask > 0) & (cv2.dilate(thick, tool) == 0)
        rest = np.maximum(1 - planes[label][thin], 1e-6)
        planes[label][thin] = 0
        for plane in planes:
            plane[thin] /= rest


def _fill_doubtful_holes(
    best: npt.NDArray[np.uint8],
    any_tissue: npt.NDArray[np.uint8],
    ground: Plane,
    *,
    mm_per_px: float,
) -> None:
    """Take large patches of ground that a specimen encloses for its own where they are doubtful.

    In place; `ground` is the probability of background, all arrays (rows, cols).
    """
    numbered, enclosed, sizes = holes(best != BACKGROUND)
    likely = np.bincount(numbered.ravel(), ground.ravel(), len(sizes)) / np.maximum(sizes, 1)
    filled = enclosed & (likely < SURE_HOLE) & (sizes * mm_per_px**2 >= HOLE_MM2)
    if filled.any():
        where = filled.take(numbered)
        best[where] = any_tissue[where]


def _best(
    planes: Sequence[Plane],
) -> tuple[npt.NDArray[np.uint8], Plane, npt.NDArray[np.uint8]]:
    """Likeliest label, its probability, and the likeliest label that is not background.

    `planes` are the probabilities of the labels, (rows, cols) each.
    """
    any_tissue = np.full(planes[0].shape, LIVE, np.uint8)
    highest = planes[LIVE]
    for label in (BARE, OVERGROWN):
        np.putmask(any_tissue, planes[label] > highest, label)
        highest = np.maximum(highest, planes[label])
    best = any_tissue.copy()
    np.putmask(best, GROUND_COUNTS * planes[BACKGROUND] > highest, BACKGROUND)
    return best, np.maximum(planes[BACKGROUND], highest), any_tissue


def _share(unsure_map: npt.NDArray[np.float32], mask: npt.NDArray[np.bool_]) -> float | None:
    """Share of a mask's pixels that are unsure."""
    return float((unsure_map[mask] > 1 - SURE).mean()) if mask.any() else None
