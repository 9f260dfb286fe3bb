"""The tissue model: a small perceptron kept as plain arrays, so loading it executes nothing."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from typing import Any

import numpy as np
import numpy.typing as npt

from polypward.errors import BadInputError
from polypward.labels import LABEL_NAMES
from polypward_vision.tissue.features import FEATURE_NAMES, tissue_features

__all__ = ["TissueModel", "load_base_model", "model_from_arrays"]

# Pixels per block of the forward pass: the block's hidden units stay in the processor's cache.
BLOCK_PX = 8192


@dataclass(frozen=True, slots=True, kw_only=True)
class TissueModel:
    """A perceptron with rectified hidden units and softmax output over the four labels.

    `weights[i]` has the shape (units out, units in), `biases[i]` (units out,); the first layer
    takes the features as they are (their standardisation is folded in), the last has four units
    in the order of `polypward.labels`. `version` names the model in the ward's audit.
    """

    weights: tuple[npt.NDArray[np.float32], ...]
    biases: tuple[npt.NDArray[np.float32], ...]
    version: str = ""
    provenance: Mapping[str, Any] = field(default_factory=dict)

    def probabilities(
        self,
        lab: npt.NDArray[np.float32],
        *,
        mm_per_px: float,
        valid: npt.NDArray[np.bool_] | None = None,
        centre_mm: tuple[float, float] | None = None,
    ) -> npt.NDArray[np.float32]:
        """Probability of each label at each pixel, float32 (rows, cols, 4), sums are 1.

        Takes what `tissue_features` takes and raises what it raises.
        """
        stack = tissue_features(lab, mm_per_px=mm_per_px, valid=valid, centre_mm=centre_mm)
        flat = self.forward(stack.reshape(len(stack), -1))
        return np.ascontiguousarray(flat.T).reshape(*lab.shape[:2], len(LABEL_NAMES))

    def forward(self, features: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        """Probabilities, float32 (4, n), of features of shape (n features, n)."""
        out = np.empty((len(LABEL_NAMES), features.shape[1]), np.float32)
        for start in range(0, features.shape[1], BLOCK_PX):
            block = features[:, start : start + BLOCK_PX]
            last = len(self.weights) - 1
            for index, (weight, bias) in enumerate(zip(self.weights, self.biases, strict=True)):
                block = weight @ block + bias[:, None]
                if index < last:
                    np.maximum(block, 0, out=block)
            block -= block.max(axis=0)
            np.exp(block, out=block)
            block /= block.sum(axis=0)
            out[:, start : start + BLOCK_PX] = block
        return out

    def to_arrays(self) -> dict[str, npt.NDArray[Any]]:
        """Return the arrays of an .npz file from which `model_from_arrays` makes the model again."""
        arrays: dict[str, npt.NDArray[Any]] = {"feature_names": np.array(FEATURE_NAMES)}
        for index, (weight, bias) in enumerate(zip(self.weights, self.biases, strict=True)):
            arrays[f"weight_{index}"] = weight
            arrays[f"bias_{index}"] = bias
        return arrays


def model_from_arrays(
    arrays: Mapping[str, npt.NDArray[Any]],
    *,
    version: str = "",
    provenance: Mapping[str, Any] | None = None,
) -> TissueModel:
    """Make a model from the arrays of an .npz file (open it with ``allow_pickle=False``).

    Raises
    ------
    BadInputError
        If an array is missing or has the wrong shape or type, a number is not finite, or the
        model was trained on other features than this polypward computes.
    """
    names = tuple(str(name) for name in _array(arrays, "feature_names", "U", 1))
    if names != FEATURE_NAMES:
        raise BadInputError(
            "the tissue model was made for other features than this polypward computes; "
            "make it again with this version"
        )
    weights: list[npt.NDArray[np.float32]] = []
    biases: list[npt.NDArray[np.float32]] = []
    units = len(FEATURE_NAMES)
    while f"weight_{len(weights)}" in arrays or not weights:
        index = len(weights)
        weight = _array(arrays, f"weight_{index}", "f", 2)
        bias = _array(arrays, f"bias_{index}", "f", 1)
        if weight.shape[1] != units or weight.shape[0] != bias.shape[0]:
            raise BadInputError(
                f"tissue model: weight_{index} of shape {weight.shape} and bias_{index} of shape "
                f"{bias.shape} do not follow {units} inputs"
            )
        if not (np.isfinite(weight).all() and np.isfinite(bias).all()):
            raise BadInputError(f"tissue model: weight_{index} or bias_{index} is not finite")
        weights.append(np.ascontiguousarray(weight, np.float32))
        biases.append(np.ascontiguousarray(bias, np.float32))
        units = weight.shape[0]
    if units != len(LABEL_NAMES):
        raise BadInputError(f"tissue model: {units} outputs instead of {len(LABEL_NAMES)}")
    return TissueModel(
        weights=tuple(weights),
        biases=tuple(biases),
        version=version,
        provenance=dict(provenance or {}),
    )


def _array(
    arrays: Mapping[str, npt.NDArray[Any]], name: str, kind: str, ndim: int
) -> npt.NDArray[Any]:
    """One array of the file, its kind of numbers and dimensions checked."""
    try:
        array = arrays[name]
    except KeyError:
        raise BadInputError(f"tissue model: the array {name} is missing") from None
    except ValueError as error:  # numpy refuses to unpickle
        raise BadInputError(f"tissue model: {name} is not a plain array ({error})") from error
    if array.dtype.kind != kind or array.ndim != ndim:
        raise BadInputError(
            f"tissue model: {name} must be a {ndim}-dimensional array of kind {kind!r}, got "
            f"{array.dtype} of shape {array.shape}"
        )
    return array


def load_base_model() -> TissueModel:
    """Load the model that comes with polypward, trained on rendered specimens.

    Raises
    ------
    BadInputError
        If the packaged files are damaged.
    """
    folder = resources.files("polypward_vision.tissue") / "data"
    provenance = json.loads((folder / "base_model.json").read_text(encoding="utf-8"))
    with (
        (folder / "base_model.npz").open("rb") as file,
        np.load(file, allow_pickle=False) as arrays,  # noqa: TID251  (packaged, not a user's file)
    ):
        return model_from_arrays(arrays, version=provenance["version"], provenance=provenance)
