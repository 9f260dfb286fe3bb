"""A perceptron as plain arrays: the forward pass of a ward's own layer."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from polypward.labels import LABEL_NAMES

__all__ = ["Perceptron"]

Array = npt.NDArray[np.float32]

# Pixels per block of the forward pass: the block's hidden units stay in the processor's cache.
BLOCK_PX = 8192


@dataclass(frozen=True, slots=True)
class Perceptron:
    """Rectified hidden units, softmax output over the four labels of `polypward.labels`.

    `weights[i]` has the shape (units out, units in), `biases[i]` (units out,). The first layer
    takes the features as they are: their standardisation is folded in.
    """

    weights: tuple[Array, ...]
    biases: tuple[Array, ...]

    def __call__(self, features: npt.NDArray[np.floating[Any]]) -> Array:
        """Probabilities, float32 (n, 4), of features of shape (n features, n)."""
        out = np.empty((features.shape[1], len(LABEL_NAMES)), np.float32)
        last = len(self.weights) - 1
        for start in range(0, features.shape[1], BLOCK_PX):
            block = features[:, start : start + BLOCK_PX].astype(np.float32, copy=False)
            for index, (weight, bias) in enumerate(zip(self.weights, self.biases, strict=True)):
                block = weight @ block + bias[:, None]
                if index < last:
                    np.maximum(block, 0, out=block)
            block -= block.max(axis=0)
            np.exp(block, out=block)
            block /= block.sum(axis=0)
            out[start : start + BLOCK_PX] = block.T
        return out
