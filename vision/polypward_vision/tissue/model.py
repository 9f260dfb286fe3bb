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
from polypward_vision.tissue.network import MULTIPLE, Network

__all__ = ["LOOKS", "SURE", "TissueModel", "load_base_model", "model_from_arrays", "shown_view"]

Array = npt.NDArray[np.float32]

# A glance at the whole cut-out, GLANCE_MM a pixel, finds where tissue is likelier than HINT; that,
# with about MARGIN_MM around it, is looked at closely: CLOSE_MM a pixel, up to LEAST_CLOSE_MM where
# it would be more than MOST_PX. The networks were trained on pixels of 0.6 and 0.2 mm.
# (docs/accuracy.md tells what other numbers cost.)
GLANCE_MM, HINT = 0.75, 0.2
MARGIN_MM, CLOSE_MM, LEAST_CLOSE_MM, MOST_PX = 4.0, 0.16, 0.175, 130_000
# Where the close look sees specimen along over RIM_MM of a side, the glance has cut it off; the
# look is then widened to the cut-out's end.
RIM_MM = 2.0
# A pixel whose best label is less likely than SURE is unsure. Where over DOUBTED of what is
# likelier specimen than ground is so, it is looked at again, upside down, and the mean counts.
SURE, DOUBTED = 0.6, 0.02
# What the glance says counts for this share of a close look: it is another network, and often right
# where the close one is in doubt (docs/accuracy.md).
GLANCE_COUNTS = 0.15
# What else than its networks makes a model say what it says.
LOOKS = (
    (GLANCE_MM, HINT, MARGIN_MM, CLOSE_MM, LEAST_CLOSE_MM, MOST_PX),
    (RIM_MM, SURE, DOUBTED, GLANCE_COUNTS),
)
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
        glanced = self.glance(lab, scale=mm_per_px / GLANCE_MM)
        tissue = np.where(valid, 1 - glanced[..., BACKGROUND], 0)
        near, close_mm = _surroundings(tissue, mm_per_px=mm_per_px)
        chances = np.zeros((*valid.shape, len(NOTHING)), np.float32)
        chances[..., BACKGROUND] = 1
        looked = self._looked_closely(lab[near], scale=mm_per_px / close_mm)
        wider = _widened(near, looked, rim_px=RIM_MM / mm_per_px, shape=valid.shape)
        if wider != near:
            near, looked = wider, self._looked_closely(lab[wider], scale=mm_per_px / close_mm)
        glanced = np.ascontiguousarray(glanced[near])
        share = GLANCE_COUNTS / (1 + GLANCE_COUNTS)
        chances[near] = cv2.addWeighted(looked, 1 - share, glanced, share, 0)
        chances[near][~valid[near]] = NOTHING
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
    ground, *others = cv2.split(chances)
    specimen = ground < 1 / 2
    unsure = specimen & (np.maximum.reduce([ground, *others]) < SURE)
    return bool(np.count_nonzero(unsure) > DOUBTED * np.count_nonzero(specimen))


def _surroundings(tissue: Array, *, mm_per_px: float) -> tuple[tuple[slice, slice], float]:
    """Rows and columns of what might be tissue (rows, cols), and mm per pixel to look at it.

    With a margin; all of them where nothing might be tissue.
    """
    # A lone pixel is noise.
    there = (cv2.blur(tissue, (5, 5)) > HINT).astype(np.uint8)
    if not there.any():
        return (slice(0, tissue.shape[0]), slice(0, tissue.shape[1])), CLOSE_MM
    parts = around(there, room=round(MARGIN_MM / mm_per_px))
    area_mm2 = np.prod([part.stop - part.start for part in parts]) * mm_per_px**2
    close_mm = float(np.clip(np.sqrt(area_mm2 / MOST_PX), CLOSE_MM, LEAST_CLOSE_MM))
    step = MULTIPLE * close_mm / mm_per_px
    rows, cols = (
        _whole(part, step, count) for part, count in zip(parts, tissue.shape, strict=True)
    )
    return (rows, cols), close_mm


def _widened(
    near: tuple[slice, slice], looked: Array, *, rim_px: float, shape: tuple[int, ...]
) -> tuple[slice, slice]:
    """Widen a part of a cut-out to the end on each side along which specimen is seen there."""
    specimen = looked[..., BACKGROUND] < 1 / 2
    wider = []
    for part, lines, count in zip(near, (specimen, specimen.T), shape, strict=True):
        first, last = (np.count_nonzero(lines[end]) > rim_px for end in (0, -1))
        wider.append(slice(0 if first else part.start, count if last else part.stop))
    return wider[0], wider[1]


def _whole(part: slice, step: float, count: int) -> slice:
    """Widen or narrow a part of `count` pixels to whole steps, so that nothing is padded.

    Only its margin changes: a part that reaches the end of what there is stays as it is.
    """
    length = int(max(1, round((part.stop - part.start) / step)) * step + 1e-6)
    first = (part.start + part.stop - length) // 2
    if part.start == 0 or part.stop >= count or first < 0 or first + length > count:
        return part
    return slice(first, first + length)


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
        some = lab[::8, ::8][valid[::8, ::8]]
        plain = np.median(some, axis=0) if len(some) else (50, 50, 50)
        hidden = cv2.merge([np.full(valid.shape, value, np.float32) for value in plain])
        lab = np.asarray(cv2.copyTo(lab, valid.view(np.uint8), hidden), np.float32)
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
