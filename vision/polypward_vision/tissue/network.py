"""The first look: a small convolutional network in the ONNX format, run by OpenCV.

ONNX describes arithmetic only: loading it executes nothing.
"""

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from polypward.errors import BadInputError
from polypward.labels import LABEL_NAMES

__all__ = ["Network"]

Array = npt.NDArray[np.float32]
# The network halves its picture four times.
MULTIPLE = 16
LARGEST_BYTES = 8_000_000
# The picture is looked at twice, larger than in the training and once turned about its second
# diagonal; the mean answer is nearer the truth than one look at the training's own scale (IoU of
# live tissue 0.94 instead of 0.91 on the photos that the model was chosen by, docs/accuracy.md).
LOOKS = ((1.4, False), (1.1, True))


@dataclass(slots=True)
class Network:
    """A network from CIELAB to the log odds of the four labels of `polypward.labels`.

    Its input ``lab`` is (1, 3, rows, cols): L / 50 - 1, a / 50, b / 50, at 0.4 mm per pixel, sides
    in multiples of 16; its output (1, 4, rows, cols). `onnx` is the file's bytes; the network is
    opened on first use, in each process that uses it.
    """

    onnx: bytes
    _net: Any = field(default=None, repr=False, compare=False)

    def __call__(self, lab: Array) -> Array:
        """Probabilities of each label at each pixel.

        Parameters
        ----------
        lab : float32 array of shape (rows, cols, 3)
            CIELAB D50 at 0.4 mm per pixel.

        Returns
        -------
        float32 array of shape (rows, cols, 4)

        Raises
        ------
        BadInputError
            If the bytes are no network of this kind.
        """
        rows, cols = lab.shape[:2]
        found = np.zeros((rows, cols, len(LABEL_NAMES)), np.float32)
        for scale, turned in LOOKS:
            size = (max(1, round(cols * scale)), max(1, round(rows * scale)))
            seen = np.asarray(cv2.resize(lab, size), np.float32)
            said = _turned(self._look(_turned(seen))) if turned else self._look(seen)
            found += cv2.resize(said, (cols, rows))
        return found / np.float32(len(LOOKS))

    def _look(self, lab: Array) -> Array:
        """Probabilities of one forward pass, shapes as in `__call__`."""
        rows, cols = lab.shape[:2]
        below, right = -rows % MULTIPLE, -cols % MULTIPLE
        wide = cv2.copyMakeBorder(lab, 0, below, 0, right, cv2.BORDER_REPLICATE)
        scaled = wide / np.float32(50)
        scaled[..., 0] -= 1
        blob = np.ascontiguousarray(scaled.transpose(2, 0, 1)[None])
        try:
            if self._net is None:
                self._net = _opened(self.onnx)
            self._net.setInput(blob)
            logits = np.asarray(self._net.forward(), np.float32)
        except cv2.error as error:
            raise BadInputError(f"tissue model: the network cannot be run ({error})") from error
        if logits.shape != (1, len(LABEL_NAMES), *wide.shape[:2]):
            raise BadInputError(
                f"tissue model: the network gives an array of shape {logits.shape} instead of "
                f"{(1, len(LABEL_NAMES), *wide.shape[:2])}"
            )
        chances = logits[0, :, :rows, :cols].transpose(1, 2, 0)
        chances = np.exp(chances - chances.max(axis=2, keepdims=True))
        return np.ascontiguousarray(chances / chances.sum(axis=2, keepdims=True))

    def __getstate__(self) -> bytes:
        """Travel to another process as bytes."""
        return self.onnx

    def __setstate__(self, state: bytes) -> None:
        """Come back from bytes."""
        self.onnx = state
        self._net = None


def _turned(picture: Array) -> Array:
    """Mirror at the second diagonal; twice gives the picture back."""
    return np.ascontiguousarray(picture[::-1, ::-1].transpose(1, 0, 2))


def _opened(onnx: bytes) -> Any:
    if not onnx or len(onnx) > LARGEST_BYTES:
        raise BadInputError(f"tissue model: a network of {len(onnx)} bytes")
    return cv2.dnn.readNetFromONNX(np.frombuffer(onnx, np.uint8))
