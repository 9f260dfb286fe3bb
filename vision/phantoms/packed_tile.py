"""A labelled tile in bytes: what the network is trained on."""

import numpy as np
import numpy.typing as npt

from polypward_vision.tissue import LabelledTile

__all__ = ["MM_PER_PX", "MOST_PX", "packed"]

Bytes = npt.NDArray[np.uint8]

# Side of a pixel of all that the network is trained on, and pixels along its largest tiles.
MM_PER_PX = 0.2
MOST_PX = round(115.2 / MM_PER_PX)


def packed(tile: LabelledTile) -> tuple[Bytes, Bytes]:
    """Pack a tile: bytes of 2.3 L, 1.2 a + 128, 1.2 b + 128, and labels, 255 where none."""
    scaled = np.round(tile.lab * np.array([2.3, 1.2, 1.2]) + np.array([0, 128, 128]))
    colour = np.clip(scaled, 0, 255).astype(np.uint8)
    return colour, np.where(tile.valid, tile.labels, 255).astype(np.uint8)
