"""The tissue model: two small networks and how they were made; loading it runs nothing."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from polypward.errors import BadInputError
from polypward.labels import BACKGROUND
from polypward_vision.tissue.around import around
from polypward_vision.tissue.network import Network

__all__ = ["SURE", "TissueModel", "load_base_model", "model_from_arrays", "shown_view"]

Array = npt.NDArray[np.float32]

# A glance at the whole cut-out, GLANCE_MM a pixel, finds where tissue is likelier than HINT; that,
# with MARGIN_MM around it, is looked at closely, CLOSE_MM a pixel. The networks were trained on
# pixels of 0.6 and 0.2 mm. (docs/accuracy.md tells what other numbers cost.)
GLANCE_MM, HINT = 0.75, 0.2
CLOSE_MM, MARGIN_MM = 0.16, 6.0
# A pixel whose best label is less likely than SURE is unsure. Where over DOUBTED of what is
# likelier specimen than ground is so, it is looked at again, upside down, and the mean counts.
SURE, DOUBTED = 0.6, 0.02
# What is said where nothing is shown.
NOTHING = np.array([1, 0, 0, 0], np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class TissueModel:
    """Labels each pixel of a corrected cut-out: a glance, a close look, in doubt a second one.

    `glance` finds where `network` looks closely. `version` names the model in the ward's audit;
    `provenance` says how it was made.
    """

    network: Network
    glance: Network
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
        lab, valid = shown_view(lab, valid=valid, mm_per_px=mm_per_px)
        ground = self.glance(lab, scale=mm_per_px / GLANCE_MM)[..., BACKGROUND]
        near = _surroundings(np.where(valid, 1 - ground, 0), round(MARGIN_MM / mm_per_px))
        chances = np.empty((*valid.shape, len(NOTHING)), np.float32)
        chances[:] = NOTHING
        chances[near] = self._looked_closely(lab[near], scale=mm_per_px / CLOSE_MM)
        chances[~valid] = NOTHING
        return chances

    def _looked_closely(self, lab: Array, *, scale: float) -> Array:
        """Give what one close look says, or the mean of two where one leaves doubt."""
        first = self.network(lab, scale=scale)
        if not _in_doubt(first):
            return first
        second = self.network(lab[::-1, ::-1], scale=scale)[::-1, ::-1]
        return (first + second) / np.float32(2)

    def to_arrays(self) -> dict[str, npt.NDArray[Any]]:
        """Return the arrays of an .npz file from which `model_from_arrays` makes the model."""
        return {
            "network": np.frombuffer(self.network.onnx, np.uint8),
            "glance": np.frombuffer(self.glance.onnx, np.uint8),
        }


def _in_doubt(chances: Array) -> bool:
    """Tell whether a close look (rows, cols, 4) leaves much of a specimen without a sure label."""
    specimen = chances[chances[..., BACKGROUND] < 1 / 2]
    return len(specimen) > 0 and float((specimen.max(axis=1) < SURE).mean()) > DOUBTED


def _surroundings(tissue: Array, margin: int) -> tuple[slice, slice]:
    """Rows and columns of what might be tissue (rows, cols), `margin` px more on each side.

    All of them where nothing might be.
    """
    # A lone pixel is noise.
    there = (cv2.blur(tissue, (5, 5)) > HINT).astype(np.uint8)
    return around(there, room=margin) if there.any() else (slice(None), slice(None))


def shown_view(
    lab: Array, *, valid: npt.NDArray[np.bool_] | None, mm_per_px: float
) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Check a cut-out; return it with a plain colour where nothing is shown, and where it shows.

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
        lab = lab.copy()
        lab[~valid] = plain
    return lab, valid


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
        If one of its networks is missing or no plain array of bytes.
    """
    return TissueModel(
        network=Network(_bytes(arrays, "network")),
        glance=Network(_bytes(arrays, "glance")),
        version=version,
        provenance=dict(provenance or {}),
    )


def _bytes(arrays: Mapping[str, npt.NDArray[Any]], name: str) -> bytes:
    try:
        array = arrays[name]
    except KeyError:
        raise BadInputError(f"tissue model: the array {name} is missing") from None
    except Exception as error:  # refused to unpickle; a damaged archive raises almost anything
        raise BadInputError(f"tissue model: {name} is not a plain array ({error})") from error
    if not isinstance(array, np.ndarray) or array.dtype != np.uint8 or array.ndim != 1:
        raise BadInputError(f"tissue model: {name} must be a one-dimensional array of bytes")
    return array.tobytes()


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
