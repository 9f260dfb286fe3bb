"""A labelled cut-out: what models are trained on and judged by."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["LabelledTile"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelledTile:
    """A corrected cut-out (rows, cols, 3), where it shows something, and its true labels."""

    lab: npt.NDArray[np.float32]
    valid: npt.NDArray[np.bool_]
    labels: npt.NDArray[np.uint8]
    mm_per_px: float
    centre_mm: tuple[float, float] | None = None
