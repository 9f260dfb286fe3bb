"""Holes of a mask: what it encloses."""

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["holes"]


def holes(
    mask: npt.NDArray[np.bool_],
) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.bool_], npt.NDArray[np.integer[Any]]]:
    """Tell the parts of what is not in a mask, and which of them it encloses.

    Returns
    -------
    numbered : int32 array of shape (rows, cols)
        Number of each part; 0 in the mask itself.
    enclosed : bool array of shape (parts,)
        False for the mask and for what opens to the rim of the array.
    sizes : int array of shape (parts,)
        Pixels.
    """
    count, numbered = cv2.connectedComponents((~mask).astype(np.uint8), connectivity=4)
    parts = np.asarray(numbered, np.int32)
    enclosed = np.ones(count, bool)
    enclosed[0] = False
    enclosed[np.concatenate([parts[0], parts[-1], parts[:, 0], parts[:, -1]])] = False
    return parts, enclosed, np.bincount(parts.ravel(), minlength=count)
