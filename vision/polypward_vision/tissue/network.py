"""The tissue model's arithmetic: a small convolutional network in the ONNX format, run by OpenCV.

ONNX describes arithmetic only: loading it executes nothing.
"""

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from polypward.errors import BadInputError
from polypward.labels import LABEL_NAMES

__all__ = ["MULTIPLE", "Network"]

Array = npt.NDArray[np.float32]
# Pixels across a place. The networks halve a picture of places four times at most.
PLACE = 2
MULTIPLE = 16 * PLACE
LARGEST_BYTES = 8_000_000


@dataclass(slots=True)
class Network:
    """A network from CIELAB to the log odds of the four labels of `polypward.labels`.

    It sees and answers places of 2 x 2 pixels, so that none of its convolutions runs at full scale.
    Its input ``lab`` is (1, 12, rows / 2, cols / 2): L / 50 - 1 of a place's four pixels, row by
    row, then a / 50, then b / 50, at the scale it was trained on, sides in multiples of 16; its
    output (1, 16, rows / 2, cols / 2), label by label. `onnx` is the file's bytes; the network is
    opened on first use, in each process that uses it.
    """

    onnx: bytes
    _net: Any = field(default=None, repr=False, compare=False)

    def __call__(self, lab: Array, *, scale: float = 1.0) -> Array:
        """Probabilities of each label at each pixel.

        Parameters
        ----------
        lab : float32 array of shape (rows, cols, 3)
            CIELAB D50.
        scale : float
            How many times larger the network shall see it.

        Returns
        -------
        float32 array of shape (rows, cols, 4)

        Raises
        ------
        BadInputError
            If the bytes are no network of this kind.
        """
        if scale == 1:
            return self._look(lab)
        rows, cols = lab.shape[:2]
        size = (max(1, round(cols * scale)), max(1, round(rows * scale)))
        how = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
        seen = np.asarray(cv2.resize(lab, size, interpolation=how), np.float32)
        return np.asarray(cv2.resize(self._look(seen), (cols, rows)), np.float32)

    def _look(self, lab: Array) -> Array:
        """Probabilities of a picture as it is, shapes as in `__call__`."""
        rows, cols = lab.shape[:2]
        below, right = (-side % MULTIPLE for side in (rows, cols))
        wide = cv2.copyMakeBorder(lab, 0, below, 0, right, cv2.BORDER_REPLICATE)
        down, along = wide.shape[0] // PLACE, wide.shape[1] // PLACE
        places = wide.reshape(down, PLACE, along, PLACE, 3).transpose(4, 1, 3, 0, 2)
        scaled = np.ascontiguousarray(places / np.float32(50))
        scaled[0] -= 1
        # The network reads these numbers when it runs: they must live until then.
        blob = scaled.reshape(1, -1, down, along)
        try:
            if self._net is None:
                self._net = _opened(self.onnx)
            self._net.setInput(blob)
            logits = np.asarray(self._net.forward(), np.float32)
        except cv2.error as error:
            raise BadInputError(f"tissue model: the network cannot be run ({error})") from error
        labels = len(LABEL_NAMES)
        expected = (1, labels * PLACE**2, down, along)
        if logits.shape != expected:
            raise BadInputError(
                f"tissue model: the network gives an array of shape {logits.shape} instead of "
                f"{expected}"
            )
        return _probabilities(logits.reshape(labels, PLACE, PLACE, down, along))[:rows, :cols]

    def __getstate__(self) -> bytes:
        """Travel to another process as bytes."""
        return self.onnx

    def __setstate__(self, state: bytes) -> None:
        """Come back from bytes."""
        self.onnx = state
        self._net = None


def _probabilities(logits: Array) -> Array:
    """Probabilities (rows, cols, labels) of the log odds of places (labels, 2, 2, rows, cols)."""
    chances = np.exp(logits - np.maximum.reduce(list(logits)))
    chances /= np.add.reduce(list(chances))
    labels, _, _, down, along = logits.shape
    planes = np.empty((labels, PLACE * down, PLACE * along), np.float32)
    for row in range(PLACE):
        for col in range(PLACE):
            planes[:, row::PLACE, col::PLACE] = chances[:, row, col]
    return np.asarray(cv2.merge(list(planes)), np.float32)


def _opened(onnx: bytes) -> Any:
    if not onnx or len(onnx) > LARGEST_BYTES:
        raise BadInputError(f"tissue model: a network of {len(onnx)} bytes")
    return cv2.dnn.readNetFromONNX(np.frombuffer(onnx, np.uint8))
