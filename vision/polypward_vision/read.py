"""One photo to one reading: the straight line through all stages."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from polypward.records import Card, PhotoSettings
from polypward_vision.photo import DecodedPhoto
from polypward_vision.result import PhotoResult
from polypward_vision.tissue import TissueModel

__all__ = ["measure_photo"]


def measure_photo(
    photo: DecodedPhoto,
    *,
    settings: PhotoSettings,
    cards: Sequence[Card] = (),
    model: TissueModel,
    print_residuals: Mapping[str, npt.NDArray[np.floating[Any]]] | None = None,
    corrected_map: npt.NDArray[np.uint8] | None = None,
) -> PhotoResult:
    """Measure the specimen in a photo of it beside a card.

    Parameters
    ----------
    photo : DecodedPhoto
        From `polypward_vision.load`.
    settings : PhotoSettings
        Height, water, lamp, scale, outline: what is known besides the pixels.
    cards : sequence of Card
        The ward's own cards; a card in view with the serial of one of them takes its values and
        print scale, any other the nominal layout.
    model : TissueModel
        Labels the cut-out.
    print_residuals : mapping of serial to array of shape (P, 3), optional
        What a serial's patches missed their nominal Lab by in earlier photos, on the mean: its
        printer's error, which is no fault of this photo.
    corrected_map : uint8 array of shape (rows, cols), optional
        A person's tissue map in the cut-out's frame; it replaces the model's.

    Returns
    -------
    PhotoResult
        Areas in mm², lengths in mm, CIELAB D50.

    Raises
    ------
    PhotoRejectedError
        With the reason's code and what was seen.
    """
    raise NotImplementedError
