"""What measuring one photo gives back."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from polypward.records import Reading

__all__ = ["LeftOut", "PhotoResult"]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A tag in a tray photo without a reading: the reason's code and what was seen."""

    tag: str
    code: str
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhotoResult:
    """A reading with its cut-out, tissue map and correction.

    Attributes
    ----------
    reading : Reading
        The measures; photo, sha256, specimen and taken_at are left to the caller.
    tile : uint8 array of shape (rows, cols, 3)
        The cut-out, RGB in the photo's own values (16-bit photos: their upper 8 bits).
    mask : uint8 array of shape (rows, cols)
        Labels of `polypward.labels`.
    valid : bool array of shape (rows, cols)
        False where the cut-out shows nothing of the specimen's surroundings: outside the picture,
        the card.
    unsure_map : float32 array of shape (rows, cols)
        1 minus the probability of the label.
    correction : mapping
        JSON values: how colour is made from the cut-out's values (see
        `polypward_vision.colour.correct.Correction.to_json`).
    patch_residuals : float array of shape (P, 3), or None
        Corrected minus nominal Lab of the card's patches in the card's order, before any print
        residuals were taken off; NaN for a patch that could not be read. None without a card, or
        where colour was refused.
    tags : tuple of str
        Specimen names on tags in view. Of a tray photo, the one whose specimen this is.
    others : tuple of PhotoResult
        Of a tray photo, the other specimens, each with its one tag.
    left_out : tuple of LeftOut
        Of a tray photo, the tags whose specimen was not measured.
    """

    reading: Reading
    tile: npt.NDArray[np.uint8]
    mask: npt.NDArray[np.uint8]
    valid: npt.NDArray[np.bool_]
    unsure_map: npt.NDArray[np.float32]
    correction: Mapping[str, Any]
    patch_residuals: npt.NDArray[np.float64] | None = None
    tags: tuple[str, ...] = ()
    others: tuple["PhotoResult", ...] = ()
    left_out: tuple[LeftOut, ...] = ()
