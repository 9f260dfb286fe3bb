"""The paling index: how far live colour has moved towards bare-skeleton white."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from polypward.course.settings import Lab

__all__ = ["Axis", "pale_mm2"]

# A bin of tissue counts as pale from half the way to white.
_PALE_FROM: Final = 0.5
# How much a and b count beside L on the chart, so that colourful bleaching does not pass for
# health: of 0, 0.3, 0.5 and 1 the one that finds both kinds of paling in ``bench/calibration.py``.
_CHROMA_WEIGHT: Final = 0.3
# Where that makes the SD so many times larger, lightness is too small a part of the axis to go by.
_MOST_SD_FACTOR: Final = 1.2


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
        (x0, y0, z0), (x1, y1, z1), (x, y, z) = self.rich, self.white, lab
        dx, dy, dz = x1 - x0, y1 - y0, z1 - z0
        x, y, z = x - x0, y - y0, z - z0
        square = math.fsum((dx * dx, dy * dy, dz * dz))
        index = math.fsum((dx * x, dy * y, dz * z)) / square
        x, y, z = x - index * dx, y - index * dy, z - index * dz
        return index, math.sqrt(math.fsum((x * x, y * y, z * z)))

    def lean(self, lab: Sequence[float]) -> tuple[float, float]:
        """Place a colour on the axis by lightness first, for the chart.

        Bleached tissue may turn more colourful (Bollati et al. 2020, Current Biology 30:2433-2445),
        which a plain projection takes for rich colour. Here a and b count for less; a
        colour on the axis is placed where `place` puts it. On an axis along which the colour fades
        and hardly gets lighter it is that projection.

        Parameters
        ----------
        lab : sequence of 3 floats
            CIELAB D50.

        Returns
        -------
        shift_lab : float
            From the rich end, in units of the axis, 0 .. `length_lab`.
        sd_factor : float
            What an SD of one Lab channel is multiplied by to become that of the shift.
        """
        (x0, y0, z0), (x1, y1, z1), (x, y, z) = self.rich, self.white, lab
        weight = _CHROMA_WEIGHT**2
        dx, dy, dz = x1 - x0, weight * (y1 - y0), weight * (z1 - z0)
        square = math.fsum((dx * (x1 - x0), dy * (y1 - y0), dz * (z1 - z0)))
        shift = math.fsum((dx * (x - x0), dy * (y - y0), dz * (z - z0)))
        scale = self.length_lab / square
        sd_factor = scale * math.sqrt(math.fsum((dx * dx, dy * dy, dz * dz)))
        if sd_factor > _MOST_SD_FACTOR:
            return self.place(lab)[0] * self.length_lab, 1.0
        return scale * shift, sd_factor

    def index_sd(self, lab_sd: float) -> float:
        """SD of the index from the SD of a colour along one direction (Lab units)."""
        return lab_sd / self.length_lab


def clip(index: float) -> float:
    """Clip the index to 0..1, as it is told."""
    return min(1.0, max(0.0, index))


@lru_cache(maxsize=8)
def _line(axis: Axis) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], float]:
    """Rich end, the way from there to white, and its square: kept, a specimen's photos share it."""
    along = np.subtract(axis.white, axis.rich)
    return np.asarray(axis.rich), along, float(along @ along)


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
    rich, along, square = _line(axis)
    index = (bins[:, :3] - rich) @ along / square
    return float(bins[index >= _PALE_FROM, 3].sum())
