"""A ward's own model: the base model's answer, reconsidered by what people corrected in the ward.

A small perceptron sees what the base model says, at several scales, with colour and texture; its
answer and the base model's are pooled by a weighted geometric mean (Genest & Zidek 1986, Statist.
Sci. 1:114-135). With no weight it is the base model. It knows the base model by its probabilities
only, so any base model will do.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from polypward.errors import BadInputError
from polypward.labels import BACKGROUND, LABEL_NAMES
from polypward_vision.tissue.labelled import LabelledTile
from polypward_vision.tissue.mapping import Labeller
from polypward_vision.tissue.perceptron import Perceptron

__all__ = [
    "TAUGHT_FEATURES",
    "Lesson",
    "TaughtModel",
    "fit_taught",
    "lesson_of",
    "taught_from_arrays",
]

Array = npt.NDArray[np.float32]

# Box sides in mm, chosen by judgement: a septum, a polyp's rim; and those on which the base
# model's answer is averaged.
FINE_MM, SMALL_MM = 0.6, 1.4
CONTEXT_MM = (0.0, 1.5, 5.0)
# Log odds beyond this say nothing more.
FLOOR = 1e-4
# Pixels of a corrected map that are learned from, at most; those off the specimen and its
# surroundings count this much less.
PIXELS, SURROUNDINGS_MM, FAR_SHARE = 3000, 12.0, 0.2
UNITS, EPOCHS = 16, 25
# A label of which all maps together show fewer pixels than this is not learned.
FEWEST_PIXELS = 150
# Weight of the ward's own answer against the base model's where the maps do not tell a better one.
WEIGHT = 0.7

TAUGHT_FEATURES: tuple[str, ...] = (
    *(f"log odds of {name}" for name in LABEL_NAMES[1:]),
    *(f"{name} within {size:g} mm" for size in CONTEXT_MM for name in LABEL_NAMES[1:]),
    *(f"{channel} {size}" for size in ("fine", "small") for channel in "Lab"),
    "L sd small",
    "L grain small",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """A corrected cut-out as the ward's model learns from it: the base model's answer, pixels.

    `chances` (rows, cols, 4) is what the base model said of `tile`.
    """

    tile: LabelledTile
    chances: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class TaughtModel:
    """The base model with a ward's own layer on top; stands in wherever the base model does."""

    base: Labeller
    layer: Perceptron
    weight: float = WEIGHT
    # Labels that the corrected maps show; of the others the base model alone decides.
    shown: tuple[bool, ...] = (True,) * len(LABEL_NAMES)
    version: str = ""

    def probabilities(
        self,
        lab: Array,
        *,
        mm_per_px: float,
        valid: npt.NDArray[np.bool_] | None = None,
        centre_mm: tuple[float, float] | None = None,
    ) -> Array:
        """Probability of each label at each pixel; as `TissueModel.probabilities`."""
        chances = self.base.probabilities(
            lab, mm_per_px=mm_per_px, valid=valid, centre_mm=centre_mm
        )
        return self.reconsider(lab, chances, mm_per_px=mm_per_px)

    def reconsider(self, lab: Array, chances: Array, *, mm_per_px: float) -> Array:
        """Pool the base model's answer (rows, cols, 4) with the ward's own."""
        if self.weight == 0:
            return chances
        own = self.layer(_features(lab, chances, mm_per_px=mm_per_px)).reshape(chances.shape)
        shown = np.array(self.shown)
        if not shown.all():
            own = own * (1 - chances[..., ~shown].sum(axis=2, keepdims=True))
            own[..., ~shown] = chances[..., ~shown]
        pooled = np.maximum(own, np.float32(FLOOR)) ** np.float32(self.weight)
        pooled *= np.maximum(chances, np.float32(FLOOR)) ** np.float32(1 - self.weight)
        return np.asarray(pooled / pooled.sum(axis=2, keepdims=True), np.float32)

    def to_arrays(self) -> dict[str, npt.NDArray[Any]]:
        """Return the arrays from which `taught_from_arrays` makes the layer."""
        arrays: dict[str, npt.NDArray[Any]] = {
            "features": np.array(TAUGHT_FEATURES),
            "pool": np.array([self.weight], np.float32),
            "shown": np.array(self.shown),
        }
        for index, weight in enumerate(self.layer.weights):
            arrays[f"weight_{index}"] = weight
            arrays[f"bias_{index}"] = self.layer.biases[index]
        return arrays


def taught_from_arrays(
    arrays: Mapping[str, npt.NDArray[Any]], *, base: Labeller, version: str
) -> TaughtModel:
    """Put a stored layer on top of a base model.

    Raises
    ------
    BadInputError
        If an array is missing, of the wrong shape or not finite, or the layer was made for other
        features than this polypward computes.
    """
    try:
        if tuple(str(name) for name in arrays["features"]) != TAUGHT_FEATURES:
            raise BadInputError(
                "the ward's own model was made by another version; polypward teach --check makes "
                "it again"
            )
        weights = tuple(np.asarray(arrays[f"weight_{i}"], np.float32) for i in range(2))
        biases = tuple(np.asarray(arrays[f"bias_{i}"], np.float32) for i in range(2))
        pool = float(arrays["pool"][0])
        shown = tuple(bool(one) for one in arrays["shown"])
    except (KeyError, ValueError, IndexError, TypeError, OverflowError) as error:
        raise BadInputError(f"the ward's own model is damaged ({error!r})") from error
    shapes = [one.shape for one in (*weights, *biases)]
    units = biases[0].size
    labels = len(LABEL_NAMES)
    wanted = [(units, len(TAUGHT_FEATURES)), (labels, units), (units,), (labels,)]
    finite = all(np.isfinite(one).all() for one in (*weights, *biases))
    if shapes != wanted or not finite or not 0 <= pool <= 1 or len(shown) != labels:
        raise BadInputError("the ward's own model is damaged (shapes or numbers)")
    return TaughtModel(
        base=base,
        layer=Perceptron(weights, biases),
        weight=pool,
        shown=shown,
        version=version,
    )


def lesson_of(tile: LabelledTile, base: Labeller) -> Lesson:
    """Ask the base model about a corrected cut-out."""
    chances = base.probabilities(
        tile.lab, mm_per_px=tile.mm_per_px, valid=tile.valid, centre_mm=tile.centre_mm
    )
    return Lesson(tile=tile, chances=chances)


def fit_taught(
    lessons: Sequence[Lesson], *, base: Labeller, seed: int = 0, version: str = ""
) -> TaughtModel:
    """Fit the ward's own layer to corrected cut-outs (scikit-learn's MLPClassifier).

    A label of which the maps show too little keeps the base model's probability.

    Raises
    ------
    ValueError
        If there is no lesson.
    """
    if not lessons:
        raise ValueError("at least one corrected map is needed, got none")
    rng = np.random.default_rng(seed)
    pixels, labels = [], []
    for lesson in lessons:
        places = _pixels(lesson.tile, rng)
        seen = _features(lesson.tile.lab, lesson.chances, mm_per_px=lesson.tile.mm_per_px)
        pixels.append(seen[:, places].T)
        labels.append(lesson.tile.labels.ravel()[places])
    x, y = np.concatenate(pixels), np.concatenate(labels)
    shown = np.bincount(y, minlength=len(LABEL_NAMES)) >= FEWEST_PIXELS
    if shown.sum() < 3:  # a map of one label on its ground, or of nothing
        return TaughtModel(base=base, layer=_nothing(), weight=0.0, version=version)
    told = shown[y]
    layer = _fit(x[told], y[told], seed=seed)
    return TaughtModel(base=base, layer=layer, shown=tuple(map(bool, shown)), version=version)


def _nothing() -> Perceptron:
    """Say nothing of any label."""
    shapes = [(UNITS, len(TAUGHT_FEATURES)), (len(LABEL_NAMES), UNITS)]
    return Perceptron(
        tuple(np.zeros(shape, np.float32) for shape in shapes),
        tuple(np.zeros(shape[0], np.float32) for shape in shapes),
    )


def _pixels(tile: LabelledTile, rng: np.random.Generator) -> npt.NDArray[np.int64]:
    """Choose flat indices: the specimen and its surroundings evenly, the rest thinly."""
    away = cv2.distanceTransform(
        (tile.labels == BACKGROUND).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE
    )
    near = np.asarray(away * tile.mm_per_px <= SURROUNDINGS_MM)
    chance = np.where(near, 1.0, FAR_SHARE) * tile.valid
    places = np.flatnonzero(chance)
    count = min(PIXELS, len(places))
    share = chance.ravel()[places]
    return np.asarray(rng.choice(places, count, replace=False, p=share / share.sum()), np.int64)


def _fit(x: Array, y: npt.NDArray[np.uint8], *, seed: int) -> Perceptron:
    """Fit a perceptron to the labels in `y`; its standardisation is folded in."""
    import warnings

    from sklearn.exceptions import ConvergenceWarning
    from sklearn.neural_network import MLPClassifier

    mean, spread = x.mean(axis=0, dtype=float), x.std(axis=0, dtype=float) + 1e-3
    network = MLPClassifier(
        (UNITS,), alpha=1e-2, batch_size=min(256, len(x)), max_iter=EPOCHS, random_state=seed
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # stopped early on purpose
        network.fit(((x - mean) / spread).astype(np.float32), y)
    weights = [np.asarray(layer, float).T for layer in network.coefs_]
    biases = [np.asarray(bias, float) for bias in network.intercepts_]
    biases[0] = biases[0] - weights[0] @ (mean / spread)
    weights[0] = weights[0] / spread
    # Outputs in the order of all labels; those not fitted stay out of the running.
    out_weight, out_bias = np.zeros((len(LABEL_NAMES), UNITS)), np.full(len(LABEL_NAMES), -50.0)
    out_weight[network.classes_], out_bias[network.classes_] = weights[1], biases[1]
    return Perceptron(
        (weights[0].astype(np.float32), out_weight.astype(np.float32)),
        (biases[0].astype(np.float32), out_bias.astype(np.float32)),
    )


def _features(lab: Array, chances: Array, *, mm_per_px: float) -> Array:
    """Features in the order of `TAUGHT_FEATURES`, (features, rows * cols)."""
    planes: list[Array] = []
    likely = np.clip(chances, FLOOR, 1)
    ground = np.log(likely[..., BACKGROUND])
    planes += [np.log(likely[..., label]) - ground for label in range(1, len(LABEL_NAMES))]
    for side_mm in CONTEXT_MM:
        around = _box(chances, side_mm, mm_per_px) if side_mm else chances
        planes += [around[..., label] for label in range(1, len(LABEL_NAMES))]
    fine = _box(np.ascontiguousarray(lab, np.float32), FINE_MM, mm_per_px)
    small = _box(fine, SMALL_MM, mm_per_px)
    planes += [blurred[..., channel] for blurred in (fine, small) for channel in range(3)]
    light = np.ascontiguousarray(fine[..., 0])
    mean = _box(light, SMALL_MM, mm_per_px)
    planes.append(np.sqrt(np.maximum(_box(light * light, SMALL_MM, mm_per_px) - mean * mean, 0)))
    planes.append(_box(np.abs(lab[..., 0] - light), SMALL_MM, mm_per_px))
    return np.stack([plane.ravel() for plane in planes]).astype(np.float32)


def _box(plane: Array, side_mm: float, mm_per_px: float) -> Array:
    """Mean over a square of about side_mm, an odd number of pixels, three at least."""
    side = max(3, 2 * round(side_mm / mm_per_px / 2 - 0.5) + 1)
    return np.asarray(cv2.blur(plane, (side, side), borderType=cv2.BORDER_REFLECT), np.float32)
