"""The paling index: how far live colour has moved towards bare-skeleton white."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from polypward.course.settings import Lab

__all__ = ["Axis", "pale_mm2"]

# A bin of tissue counts as pale from half the way to white.
_PALE_FROM: Final = 0.5


@dataclass(frozen=True, slots=True)
class Axis:
    """The line in CIELAB from the rich colour reference to bare-skeleton white."""

    rich: Lab
    white: Lab

    @property
    def length_lab(self) -> float:
        """Distance of the ends, Lab units."""
        return math.dist(self.rich, self.white)

    def place(self, lab: Sequence[float]) -> tuple[float, float]:
        """Place a colour on the axis.

        Parameters
        ----------
        lab : sequence of 3 floats
            CIELAB D50.

        Returns
        -------
        index : float
            0 at the rich end, 1 at the white end, not clipped.
        off_axis_lab : float
            Distance from the axis, Lab units.

        Examples
        --------
        >>> Axis((40.0, 0.0, 10.0), (90.0, 0.0, 10.0)).place((65.0, 3.0, 14.0))
        (0.5, 5.0)
        """
        along = [w - r for w, r in zip(self.white, self.rich, strict=True)]
        moved = [x - r for x, r in zip(lab, self.rich, strict=True)]
        square = math.fsum(d * d for d in along)
        index = math.fsum(d * m for d, m in zip(along, moved, strict=True)) / square
        rest = [m - index * d for d, m in zip(along, moved, strict=True)]
        return index, math.sqrt(math.fsum(x * x for x in rest))

    def index_sd(self, lab_sd: float) -> float:
        """SD of the index from the SD of a colour along one direction (Lab units)."""
        return lab_sd / self.length_lab


def clip(index: float) -> float:
    """Clip the index to 0..1, as it is told."""
    return min(1.0, max(0.0, index))


def pale_mm2(palette: npt.NDArray[np.float32], axis: Axis) -> float:
    """Area of live tissue that is at least half way to white.

    Parameters
    ----------
    palette : float array, shape (K, 4)
        L, a, b and mm² of each bin of live tissue.
    axis : Axis
        The specimen's axis.

    Returns
    -------
    float
        mm².

    Raises
    ------
    ValueError
        The palette has not four columns.
    """
    bins = np.asarray(palette, float)
    if bins.ndim != 2 or bins.shape[1] != 4:
        raise ValueError(f"palette must have shape (K, 4), got {bins.shape}")
    along = np.subtract(axis.white, axis.rich)
    index = (bins[:, :3] - np.asarray(axis.rich)) @ along / float(along @ along)
    return float(bins[index >= _PALE_FROM, 3].sum())
