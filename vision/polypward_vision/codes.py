"""Square codes in a photo: the card's serial, and the tags of specimens."""

from functools import cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from polypward.cards import code_box_mm, parse_serial_code
from polypward_vision.find_card import Grey

__all__ = ["TAG_PREFIX", "read_serial", "read_tags"]

# Modules along the side of a version 1 code (ISO/IEC 18004); a serial's code is always that.
_MODULES = 21
_FINE = 8  # samples a module
_QUIET = 4  # modules of white around a code
# Text of a specimen's tag: this, then its name.
TAG_PREFIX = "PWTAG "
# Tags are looked for in a picture of about this many pixels.
TAG_SEARCH_PX = 3_200_000


@cache
def _reader() -> Any:
    return cv2.QRCodeDetector()


def read_serial(grey: Grey, *, layout: str, to_px: npt.NDArray[np.float64]) -> str | None:
    """Read a card's serial from its code, whose place on the card is known.

    The code is straightened, each module decided by its own middle, and drawn anew, so that
    the reader has a clean picture.

    Parameters
    ----------
    grey : uint8 array of shape (rows, cols)
        The decoded photo.
    layout : str
        The card's layout.
    to_px : array of shape (3, 3)
        Homography from nominal card mm to decoded pixels.

    Returns
    -------
    str or None
        None where the code cannot be read or is of another layout.
    """
    x, y, side = code_box_mm(layout)
    step = side / (_MODULES * _FINE)
    grid = np.array([[step, 0, x + step / 2], [0, step, y + step / 2], [0, 0, 1.0]])
    fine = cv2.warpPerspective(
        grey,
        to_px @ grid,
        (_MODULES * _FINE, _MODULES * _FINE),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
    )
    inner = slice(_FINE // 4, _FINE - _FINE // 4)
    modules = fine.reshape(_MODULES, _FINE, _MODULES, _FINE)[:, inner, :, inner].mean(axis=(1, 3))
    level = _between(modules)
    clean = np.pad(
        np.where(modules > level, np.uint8(255), np.uint8(0)), _QUIET, constant_values=255
    )
    clean = np.ascontiguousarray(np.kron(clean, np.ones((_FINE, _FINE), np.uint8)))
    try:
        text, _, _ = _reader().detectAndDecode(clean)
    except cv2.error:
        return None
    found = parse_serial_code(text)
    return found[1] if found is not None and found[0] == layout else None


def _between(modules: npt.NDArray[np.floating[Any]]) -> float:
    """Level halfway between dark and light modules: two means, moved until they stay."""
    level = float(modules.min() + modules.max()) / 2
    for _ in range(8):
        light = modules > level
        if not light.any() or light.all():
            break
        level = float(modules[light].mean() + modules[~light].mean()) / 2
    return level


def read_tags(grey: Grey) -> tuple[str, ...]:
    """Names on the specimens' tags in view, sorted, each once.

    Parameters
    ----------
    grey : uint8 array of shape (rows, cols)
        The decoded photo.
    """
    shrink = min(1.0, float(np.sqrt(TAG_SEARCH_PX / grey.size)))
    if shrink < 1:
        grey = np.asarray(
            cv2.resize(grey, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), np.uint8
        )
    try:
        _, texts, _, _ = _reader().detectAndDecodeMulti(grey)
    except cv2.error:
        return ()
    names = {
        text[len(TAG_PREFIX) :].strip() for text in texts if text.upper().startswith(TAG_PREFIX)
    }
    return tuple(sorted(name for name in names if name))
