"""What the light on a specimen spoils: pixels that its colour leaves out, or the whole colour."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from polypward.labels import BACKGROUND, LIVE
from polypward_vision.quality import BURNT, all_reach, check_tissue, glints

__all__ = ["TissueLight", "tissue_light"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TissueLight:
    """Pixels that are burnt out or shine, bool (rows, cols), and the notes on the photo.

    `spoiled` says that a colour could be given, were it not for them.
    """

    left_out: npt.NDArray[np.bool_]
    spoiled: bool
    notes: tuple[str, ...]


def tissue_light(
    labels: npt.NDArray[np.uint8],
    rgb: npt.NDArray[np.uint8],
    lab: npt.NDArray[np.float32] | None,
    *,
    mm_per_px: float,
    unsure: float | None,
    hidden: float = 0.0,
) -> TissueLight:
    """Judge the light on a mapped specimen.

    Parameters
    ----------
    labels : uint8 array of shape (rows, cols)
        The tissue map, labels of `polypward.labels`.
    rgb : uint8 array of shape (rows, cols, 3)
        The photo's own values.
    lab : float32 array of shape (rows, cols, 3), or None
        Corrected CIELAB D50; None where colour is refused.
    mm_per_px : float
        Side of a pixel in mm.
    unsure, hidden : float
        As `polypward_vision.quality.check_tissue`.

    Raises
    ------
    PhotoRejectedError
        As `polypward_vision.quality.check_tissue`.
    """
    burnt, shine = glints(rgb, lab, mm_per_px=mm_per_px)
    notes = check_tissue(
        live=labels == LIVE,
        specimen=labels != BACKGROUND,
        burnt=burnt,
        all_burnt=all_reach(rgb, BURNT),
        shine=shine,
        unsure=unsure,
        hidden=hidden,
    )
    spoiled = lab is not None and "colour-spoiled" in notes
    return TissueLight(left_out=burnt | shine, spoiled=spoiled, notes=notes)
