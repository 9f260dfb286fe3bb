"""A decoded photo: its pixels and what its file says about them."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
import numpy.typing as npt

from polypward_vision.colour.icc import Encoding

__all__ = ["DecodedPhoto", "Pixels"]

Pixels = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DecodedPhoto:
    """An upright photo in its own values.

    `rgb` is uint8 or uint16 of shape (rows, cols, 3). It may be smaller than the file's picture:
    `scale` (1, 2 or 4) is full-size pixels per decoded pixel along each axis, so that pixel centres
    correspond by ``x_full = (x + 0.5) * scale - 0.5``; `full_size` is (rows, cols) of the whole.
    `icc` says what the values mean. `taken_at` has a time zone only if the file names one;
    `gps_at` is the time of the satellite fix, which may be older than the photo.
    `focal_35mm` is the focal length that gives the same diagonal field of view on a 36 x 24 mm
    frame. `finer` decodes the same file at full size; None where `scale` is 1.
    """

    rgb: Pixels
    scale: int = 1
    full_size: tuple[int, int]
    icc: Encoding = field(default_factory=Encoding)
    taken_at: datetime | None = None
    gps_at: datetime | None = None
    focal_35mm: float | None = None
    camera: str = ""
    finer: Callable[[], "DecodedPhoto"] | None = None

    @property
    def top(self) -> float:
        """Largest value a pixel can have, 255 or 65535."""
        return self.icc.top
