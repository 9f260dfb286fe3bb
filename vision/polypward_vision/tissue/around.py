"""The part of a cut-out in which something lies."""

import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["around"]


def around(there: npt.NDArray[np.uint8], *, room: int) -> tuple[slice, slice]:
    """Rows and columns of all that is not 0 in (rows, cols), up to `room` px more on each side."""
    x, y, width, height = cv2.boundingRect(there)
    return (
        slice(max(0, y - room), min(there.shape[0], y + height + room)),
        slice(max(0, x - room), min(there.shape[1], x + width + room)),
    )
