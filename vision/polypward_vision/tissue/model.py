"""The tissue model: a small network and a perceptron as plain arrays; loading runs nothing."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from polypward.errors import BadInputError
from polypward.labels import LABEL_NAMES
from polypward_vision.tissue.features import SECOND_FEATURES, second_features
from polypward_vision.tissue.network import Network

__all__ = ["Perceptron", "TissueModel", "coarse_view", "load_base_model", "model_from_arrays"]

Array = npt.NDArray[np.float32]

# Pixels per block of the forward pass: the block's hidden units stay in the processor's cache.
BLOCK_PX = 8192
# The first look's scale: a quarter of the pixels of a 0.2 mm cut-out.
COARSE_MM = 0.4
# No label is ruled out by the first look alone.
FLOOR = np.float32(1e-6)
# What the first look is taken to say where nothing is shown.
NOTHING = np.array([1, 0, 0, 0], np.float32)


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


@dataclass(frozen=True, slots=True, kw_only=True)
class TissueModel:
    """A network's first look at a coarse scale, a perceptron's second at full scale.

    The second look knows what the first found, and puts the edges where the colours change. Their
    answers are pooled by the geometric mean (Genest & Zidek 1986, Statist. Sci. 1:114-135).

    `version` names the model in the ward's audit; `provenance` says how it was made.
    """

    first: Network
    second: Perceptron
    version: str = ""
    provenance: Mapping[str, Any] = field(default_factory=dict)

    def probabilities(
        self,
        lab: Array,
        *,
        mm_per_px: float,
        valid: npt.NDArray[np.bool_] | None = None,
        centre_mm: tuple[float, float] | None = None,
    ) -> Array:
        """Probability of each label at each pixel.

        Parameters
        ----------
        lab : float32 array of shape (rows, cols, 3)
            CIELAB D50, corrected as well as it can be.
        mm_per_px : float
            Side of a pixel in mm.
        valid : bool array of shape (rows, cols), optional
            False where the cut-out shows nothing: outside the picture, the card itself.
        centre_mm : (x, y), optional
            Where the specimen is expected, mm from the cut-out's top left corner; default its
            middle.

        Returns
        -------
        float32 array of shape (rows, cols, 4)
            In the order of `polypward.labels`; sums are 1.

        Raises
        ------
        ValueError
            If the shapes do not fit, no pixel is valid, or `mm_per_px` is not positive.
        """
        lab, coarse, coarse_valid, _ = coarse_view(lab, valid=valid, mm_per_px=mm_per_px)
        rows, cols = lab.shape[:2]
        found = np.where(coarse_valid[..., None], self.first(coarse), NOTHING)
        closer = self.second(second_features(lab, found, coarse=coarse, mm_per_px=mm_per_px))
        chances = np.sqrt(closer.reshape(rows, cols, len(LABEL_NAMES)))
        chances *= np.sqrt(np.maximum(cv2.resize(found, (cols, rows)), FLOOR))
        return np.asarray(chances / chances.sum(axis=2, keepdims=True), np.float32)

    def to_arrays(self) -> dict[str, npt.NDArray[Any]]:
        """Return the arrays of an .npz file from which `model_from_arrays` makes the model."""
        arrays: dict[str, npt.NDArray[Any]] = {
            "first_network": np.frombuffer(self.first.onnx, np.uint8),
            "second_features": np.array(SECOND_FEATURES),
        }
        for index, weight in enumerate(self.second.weights):
            arrays[f"second_weight_{index}"] = weight
            arrays[f"second_bias_{index}"] = self.second.biases[index]
        return arrays


def coarse_view(
    lab: Array, *, valid: npt.NDArray[np.bool_] | None, mm_per_px: float
) -> tuple[Array, Array, npt.NDArray[np.bool_], float]:
    """Check a cut-out and make the first look's view of it.

    Returns
    -------
    lab, coarse, coarse_valid, coarse_mm_per_px
        The cut-out with a plain colour where nothing is shown, and its coarse version.

    Raises
    ------
    ValueError
        As `TissueModel.probabilities`.
    """
    if lab.ndim != 3 or lab.shape[2] != 3:
        raise ValueError(f"lab must have the shape (rows, cols, 3), got {lab.shape}")
    if not mm_per_px > 0:
        raise ValueError(f"mm_per_px must be positive, got {mm_per_px}")
    if valid is None:
        valid = np.ones(lab.shape[:2], bool)
    if valid.shape != lab.shape[:2]:
        raise ValueError(f"valid must have the shape {lab.shape[:2]}, got {valid.shape}")
    if not valid.any():
        raise ValueError("no valid pixel in the cut-out")
    lab = np.ascontiguousarray(lab, np.float32)
    if not valid.all():
        plain = np.median(lab[::3, ::3][valid[::3, ::3]], axis=0) if valid[::3, ::3].any() else 50
        lab = np.where(valid[..., None], lab, plain).astype(np.float32)
    factor = max(1, round(COARSE_MM / mm_per_px))
    size = (max(1, round(lab.shape[1] / factor)), max(1, round(lab.shape[0] / factor)))
    coarse = np.asarray(cv2.resize(lab, size, interpolation=cv2.INTER_AREA), np.float32)
    coarse_valid = cv2.resize(valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    if not coarse_valid.any():
        coarse_valid = np.ones_like(coarse_valid)
    return lab, coarse, np.asarray(coarse_valid, bool), mm_per_px * lab.shape[0] / size[1]


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
    return TissueModel(
        first=Network(_array(arrays, "first_network", "u", 1).astype(np.uint8).tobytes()),
        second=_perceptron(arrays),
        version=version,
        provenance=dict(provenance or {}),
    )


def _perceptron(arrays: Mapping[str, npt.NDArray[Any]]) -> Perceptron:
    names = tuple(str(name) for name in _array(arrays, "second_features", "U", 1))
    if names != SECOND_FEATURES:
        raise BadInputError(
            "the tissue model was made for other features than this polypward computes; "
            "make it again with this version"
        )
    weights: list[Array] = []
    biases: list[Array] = []
    units = len(names)
    while f"second_weight_{len(weights)}" in arrays or not weights:
        index = len(weights)
        weight = _array(arrays, f"second_weight_{index}", "f", 2)
        bias = _array(arrays, f"second_bias_{index}", "f", 1)
        if weight.shape[1] != units or weight.shape[0] != bias.shape[0]:
            raise BadInputError(
                f"tissue model: second_weight_{index} of shape {weight.shape} and "
                f"second_bias_{index} of shape {bias.shape} do not follow {units} inputs"
            )
        if not (np.isfinite(weight).all() and np.isfinite(bias).all()):
            raise BadInputError(f"tissue model: layer {index} of the second look is not finite")
        weights.append(np.ascontiguousarray(weight, np.float32))
        biases.append(np.ascontiguousarray(bias, np.float32))
        units = weight.shape[0]
    if units != len(LABEL_NAMES):
        raise BadInputError(f"tissue model: {units} outputs instead of {len(LABEL_NAMES)}")
    return Perceptron(tuple(weights), tuple(biases))


def _array(
    arrays: Mapping[str, npt.NDArray[Any]], name: str, kind: str, ndim: int
) -> npt.NDArray[Any]:
    """One array of the file, its kind of numbers and dimensions checked."""
    try:
        array = arrays[name]
    except KeyError:
        raise BadInputError(f"tissue model: the array {name} is missing") from None
    except Exception as error:  # refused to unpickle; a damaged archive raises almost anything
        raise BadInputError(f"tissue model: {name} is not a plain array ({error})") from error
    if not isinstance(array, np.ndarray):
        raise BadInputError(f"tissue model: {name} is not an array")
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
