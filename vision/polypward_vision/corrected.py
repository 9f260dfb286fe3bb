"""A person's tissue map, and measuring a kept cut-out again by it, without the photo."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from polypward.errors import BadInputError, PhotoRejectedError
from polypward.labels import BACKGROUND
from polypward.records import Reading
from polypward_vision.colour.apply import Correction
from polypward_vision.measure import AreaSd, check_labels, measure
from polypward_vision.tile import Tile, TileFrame
from polypward_vision.tissue import TissueMap
from polypward_vision.tissue_light import tissue_light

__all__ = ["CorrectedMap", "measure_again", "moved"]

Labels = npt.NDArray[np.uint8]
Matrix = npt.NDArray[np.float64]

# Notes that follow from the map; a new map earns them anew.
_OF_THE_MAP = frozenset(
    {"clipped-some", "glare-some", "unsure-some", "edge-reached", "map-corrected"}
)
# Relative SD of areas of a reading that tells none: print scale, height and corners at their usual.
_USUAL_RSD = 0.03


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CorrectedMap:
    """A person's labels (rows, cols) in the frame of the cut-out that was corrected.

    `to_full` is that cut-out's homography from card mm to pixels of the full-size photo, so that
    the map fits the photo however it is measured later; None = only the very same frame fits.
    """

    labels: Labels
    frame: TileFrame
    to_full: Matrix | None = None

    def on(self, tile: Tile) -> TissueMap:
        """Give the map in the frame of a cut-out of the same photo.

        Raises
        ------
        BadInputError
            If it holds other values than labels, or cannot be brought into that frame.
        """
        if not check_labels(self.labels):
            raise BadInputError("the corrected map must hold labels 0 to 3 only")
        if self.labels.shape != (self.frame.rows, self.frame.cols):
            raise BadInputError(
                f"the corrected map has the shape {self.labels.shape}, its cut-out "
                f"{(self.frame.rows, self.frame.cols)}"
            )
        labels = self.labels
        if self.to_full is not None:
            to_old = np.linalg.inv(self.to_full @ self.frame.to_mm())
            labels = moved(labels, to_old @ tile.to_full @ tile.frame.to_mm(), tile.valid.shape)
        elif self.frame != tile.frame:
            raise BadInputError(
                "the corrected map was drawn on another cut-out of this photo; export and correct "
                "it again"
            )
        found = bool(labels.any())
        return TissueMap(
            labels=labels,
            unsure=0.0 if found else None,
            unsure_map=np.zeros(labels.shape, np.float32),
            problem="" if found else "nothing-found",
        )


def moved(labels: Labels, to_old: Matrix, shape: tuple[int, ...]) -> Labels:
    """Labels under each pixel's middle of a new frame; `to_old` leads to indices of the old."""
    if np.allclose(to_old / to_old[2, 2], np.eye(3), atol=1e-6) and labels.shape == shape:
        return labels
    return np.asarray(
        cv2.warpPerspective(
            labels,
            to_old,
            (shape[1], shape[0]),
            flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
            borderValue=BACKGROUND,
        ),
        np.uint8,
    )


def measure_again(
    tile: npt.NDArray[np.uint8],
    labels: Labels,
    *,
    frame: TileFrame,
    correction: Mapping[str, Any],
    reading: Reading,
) -> Reading:
    """Measure a kept cut-out by a person's map; what does not hang on the map stays.

    Parameters
    ----------
    tile : uint8 array of shape (rows, cols, 3)
        The cut-out in the photo's own values.
    labels : uint8 array of shape (rows, cols)
        The person's map in its frame.
    frame : TileFrame
        Of both.
    correction : mapping
        As `PhotoResult.correction`.
    reading : Reading
        What stood before.

    Raises
    ------
    BadInputError
        If the map does not fit the cut-out or shows no specimen, or the photo's light does not
        allow the new map to be measured.
    """
    if labels.shape != tile.shape[:2] or not check_labels(labels):
        raise BadInputError(
            f"the corrected map must hold labels 0 to 3 in {tile.shape[0]} rows and "
            f"{tile.shape[1]} columns, it has the shape {labels.shape}"
        )
    if not labels.any():
        raise BadInputError(
            "the corrected map shows no specimen at all; to take the photo out: polypward assign "
            "PHOTO --drop"
        )
    coloured = reading.colour_grade not in (None, "refused")
    fitted = Correction.from_json(correction)
    lab = fitted.to_lab(tile, x_mm=frame.x_mm, y_mm=frame.y_mm, mm_per_px=frame.mm_per_px)
    try:
        light = tissue_light(
            labels, tile, lab if coloured else None, mm_per_px=frame.mm_per_px, unsure=0.0
        )
    except PhotoRejectedError as error:
        raise BadInputError(f"by this map the photo would be rejected ({error})") from error
    coloured = coloured and not light.spoiled
    measures = measure(
        labels,
        mm_per_px=frame.mm_per_px,
        rsd=AreaSd(corners=float(correction.get("area_rsd", _USUAL_RSD)), print_scale=0, height=0),
        lab=lab if coloured else None,
        left_out=light.left_out,
    )
    mean = measures.mean_lab or (None, None, None)
    kept = tuple(code for code in reading.reasons if code not in _OF_THE_MAP)
    rim = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    edge = ("edge-reached",) if rim.any() else ()
    return replace(
        reading,
        reasons=tuple(dict.fromkeys([*kept, *edge, "map-corrected", *light.notes])),
        live_mm2=measures.live_mm2,
        live_mm2_sd=measures.live_mm2_sd,
        bare_mm2=measures.bare_mm2,
        overgrown_mm2=measures.overgrown_mm2,
        live_cover=measures.live_cover,
        live_cover_sd=measures.live_cover_sd,
        colour_grade="refused" if light.spoiled else reading.colour_grade,
        L=mean[0],
        a=mean[1],
        b=mean[2],
        unsure=0.0,
        bare_lab=measures.bare_lab,
        perimeter_mm=measures.perimeter_mm,
        live_palette=measures.palette,
    )
