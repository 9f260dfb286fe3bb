"""Tags in a photo without a card: one was photographed alone, to name the photos after it.

Nothing tells the scale here, so a tag must fill a good part of the picture and lie about parallel
to it, as it does when somebody photographs it on purpose.
"""

from collections.abc import Sequence
from functools import cache
from typing import Any

import cv2
import numpy as np

from polypward.tags import tag_of_number
from polypward_vision.codes import read_tags
from polypward_vision.find_card import Grey

__all__ = ["read_loose_tags"]

# Pixels along the longer side in which marks are looked for: a tag that fills a tenth of the
# picture has 16 of them a module.
SEARCH_PX = 1280


def read_loose_tags(grey: Grey, *, ids: Sequence[int] = ()) -> tuple[str, ...]:
    """Names on tags in a photo that shows no card.

    Parameters
    ----------
    grey : uint8 array of shape (rows, cols)
        The decoded photo.
    ids : sequence of int
        Marks of the reusable tags in use; none other is believed.

    Returns
    -------
    tuple of str
        Names of name labels, then of reusable tags ("T17"), each once.
    """
    names = list(read_tags(grey, np.eye(3)))
    if len(ids):
        names += [tag_of_number(number) for number in _marks(grey) if number in set(ids)]
    return tuple(dict.fromkeys(names))


def _marks(grey: Grey) -> list[int]:
    """Numbers of the markers that OpenCV finds, sorted."""
    shrink = min(1.0, SEARCH_PX / max(grey.shape))
    size = (round(grey.shape[1] * shrink), round(grey.shape[0] * shrink))
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA) if shrink < 1 else grey
    _, found, _ = _detector().detectMarkers(small)
    return sorted({int(number) for number in np.ravel(found)}) if found is not None else []


@cache
def _detector() -> Any:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    return cv2.aruco.ArucoDetector(dictionary)
