"""Segmenters without a network, to compare with: pixels or superpixels, then smoothed or not.

All work at 0.4 mm per pixel. None of them is part of polypward.
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from polypward.labels import LABEL_NAMES
from polypward_vision.tissue import LabelledTile
from polypward_vision.tissue.model import NOTHING, shown_view

__all__ = [
    "Pixelwise",
    "Superpixelwise",
    "by_cut",
    "by_walker",
    "fit_boosting",
    "fit_perceptron",
    "fit_trees",
]

Array = npt.NDArray[np.float32]
Smoother = Callable[[Array, Array], Array]

COARSE_MM = 0.4
# No label is ruled out.
FLOOR = np.float32(1e-6)
MEANS_MM = (1.2, 3.0, 8.0, 24.0)
SPREADS_MM = (1.2, 3.0, 8.0)
RIM_MM = 8.0  # what lies this near the cut-out's rim is taken for the ground
SUPERPIXEL_MM = 2.4
COMPACTNESS = 8.0
# Seeds of the random walker; stiffness of the cut and the Lab difference that it yields to.
SEED_CHANCE, WALKER_BETA = 0.7, 130.0
CUT_WEIGHT, CUT_DE = 1.5, 8.0


def _coarse(
    lab: Array, *, valid: npt.NDArray[np.bool_] | None, mm_per_px: float
) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Return a cut-out at 0.4 mm and where it shows something."""
    lab, valid = shown_view(lab, valid=valid, mm_per_px=mm_per_px)
    factor = max(1, round(COARSE_MM / mm_per_px))
    size = (max(1, round(lab.shape[1] / factor)), max(1, round(lab.shape[0] / factor)))
    coarse = np.asarray(cv2.resize(lab, size, interpolation=cv2.INTER_AREA), np.float32)
    shown = cv2.resize(valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    return coarse, np.asarray(shown if shown.any() else ~shown, bool)


def _box(plane: Array, side_mm: float) -> Array:
    side = max(3, 2 * round(side_mm / COARSE_MM / 2 - 0.5) + 1)
    return np.asarray(cv2.blur(plane, (side, side), borderType=cv2.BORDER_REFLECT), np.float32)


def pixel_features(lab: Array, aim_mm: tuple[float, float] | None) -> Array:
    """Colour at several scales, texture, difference from the ground, distance from the aim.

    Returns
    -------
    float32 array of shape (rows * cols, features)
    """
    rows, cols = lab.shape[:2]
    planes = [lab, *(_box(lab, size) for size in MEANS_MM)]
    light = np.ascontiguousarray(lab[..., 0])
    for size in SPREADS_MM:
        mean = _box(light, size)
        planes.append(np.sqrt(np.maximum(_box(light * light, size) - mean * mean, 0)))
    planes.append(_box(np.abs(light - _box(light, 1.2)), 3.0))
    rim = round(RIM_MM / COARSE_MM)
    ground = np.ones((rows, cols), bool)
    ground[rim:-rim, rim:-rim] = False
    for share in (0.2, 0.5, 0.8):
        colour = np.quantile(lab[ground], share, axis=0).astype(np.float32)
        planes.append(np.linalg.norm(planes[1] - colour, axis=2))
    row, col = np.mgrid[:rows, :cols].astype(np.float32) * np.float32(COARSE_MM)
    x, y = aim_mm or (cols * COARSE_MM / 2, rows * COARSE_MM / 2)
    planes.append(np.hypot(col - np.float32(x), row - np.float32(y)))
    return np.concatenate([plane.reshape(rows * cols, -1) for plane in planes], axis=1)


def superpixels(lab: Array) -> npt.NDArray[np.int64]:
    """SLIC regions of a cut-out, numbered from 0 (Achanta et al. 2012, IEEE TPAMI 34:2274)."""
    from skimage.segmentation import slic

    count = round(lab.shape[0] * lab.shape[1] * (COARSE_MM / SUPERPIXEL_MM) ** 2)
    found = slic(
        lab.astype(np.float64) / 100, n_segments=count, compactness=COMPACTNESS / 100,
        convert2lab=False, channel_axis=-1, start_label=0,
    )  # fmt: skip
    return np.asarray(found, np.int64)


def _means(values: Array, regions: npt.NDArray[np.int64]) -> Array:
    """Mean of each column of (pixels, columns) over each region."""
    flat = regions.ravel()
    count = np.maximum(np.bincount(flat), 1)
    columns = [np.bincount(flat, weights=values[:, k]) / count for k in range(values.shape[1])]
    return np.stack(columns, axis=1).astype(np.float32)


def region_features(lab: Array, regions: npt.NDArray[np.int64], pixels: Array) -> Array:
    """Mean features of each region, and the spread of its colours."""
    own = lab.reshape(-1, 3)
    spread = np.sqrt(np.maximum(_means(own * own, regions) - _means(own, regions) ** 2, 0))
    return np.concatenate([_means(pixels, regions), spread], axis=1)


@dataclass(kw_only=True)
class Pixelwise:
    """A classifier of pixels, and what is done to its answer.

    `memo` may be shared by labellers with the same classifier: what it said of a cut-out, and the
    CPU time that took. `seconds` is the CPU time of all cut-outs, remembered ones included.
    """

    classifier: Any
    smooth: Smoother | None = None
    memo: dict[int, tuple[Array, float]] = field(default_factory=dict)
    seconds: float = 0.0

    def look(self, lab: Array, aim_mm: tuple[float, float] | None) -> Array:
        """Probabilities (rows, cols, 4) of a cut-out at 0.4 mm per pixel."""
        chances = self.classifier.predict_proba(pixel_features(lab, aim_mm))
        return np.asarray(chances, np.float32).reshape(*lab.shape[:2], len(LABEL_NAMES))

    def probabilities(
        self,
        lab: Array,
        *,
        mm_per_px: float,
        valid: npt.NDArray[np.bool_] | None = None,
        centre_mm: tuple[float, float] | None = None,
    ) -> Array:
        """As `polypward_vision.tissue.TissueModel.probabilities`."""
        key = hash(lab.tobytes())
        start = time.process_time()
        coarse, shown = _coarse(lab, valid=valid, mm_per_px=mm_per_px)
        if key not in self.memo:
            chances = self.look(coarse, centre_mm)
            self.memo[key] = (chances, time.process_time() - start)
            start = time.process_time()
        chances, before = self.memo[key]
        if self.smooth is not None:
            chances = self.smooth(coarse, chances)
        chances = np.where(shown[..., None], chances, NOTHING)
        fine = np.maximum(cv2.resize(chances, (lab.shape[1], lab.shape[0])), FLOOR)
        fine /= fine.sum(axis=2, keepdims=True)
        self.seconds += before + time.process_time() - start
        return np.asarray(fine, np.float32)


@dataclass(kw_only=True)
class Superpixelwise(Pixelwise):
    """A classifier of SLIC regions."""

    def look(self, lab: Array, aim_mm: tuple[float, float] | None) -> Array:
        """Probabilities (rows, cols, 4), the same all over a region."""
        regions = superpixels(lab)
        seen = region_features(lab, regions, pixel_features(lab, aim_mm))
        return np.asarray(self.classifier.predict_proba(seen), np.float32)[regions]


def by_walker(lab: Array, chances: Array) -> Array:
    """Let sure pixels walk to the others (Grady 2006, IEEE TPAMI 28:1768; scikit-image)."""
    from skimage.segmentation import random_walker

    best = chances.argmax(axis=2)
    seeds = np.where(chances.max(axis=2) >= SEED_CHANCE, best + 1, 0)
    present = np.unique(seeds[seeds > 0])
    if len(present) < 2 or (seeds > 0).all():
        return chances
    found = random_walker(
        lab.astype(np.float64), seeds, beta=WALKER_BETA, mode="cg_j", tol=1e-2, channel_axis=-1,
        return_full_prob=True,
    )  # fmt: skip
    out = np.zeros_like(chances)
    out[..., present - 1] = np.moveaxis(np.asarray(found, np.float32), 0, -1)
    return out


def by_cut(lab: Array, chances: Array) -> Array:
    """Cut the graph of superpixels by alpha-expansion (Boykov, Veksler & Zabih 2001).

    The Potts model: a region's cost is minus the log of its mean probabilities times its size, a
    border between labels costs its length, less where the colours differ.
    """
    regions = superpixels(lab)
    size = np.bincount(regions.ravel())
    mean = _means(chances.reshape(-1, len(LABEL_NAMES)), regions)
    costs = np.asarray(-np.log(np.maximum(mean, 1e-3)) * size[:, None], np.float64)
    pairs = np.concatenate(
        [
            np.stack([regions[:, 1:].ravel(), regions[:, :-1].ravel()], axis=1),
            np.stack([regions[1:].ravel(), regions[:-1].ravel()], axis=1),
        ]
    )
    pairs = np.sort(pairs[pairs[:, 0] != pairs[:, 1]], axis=1)
    pairs, length = np.unique(pairs, axis=0, return_counts=True)
    colour = _means(lab.reshape(-1, 3), regions)
    apart = np.linalg.norm(colour[pairs[:, 0]] - colour[pairs[:, 1]], axis=1)
    weights = CUT_WEIGHT * length * np.exp(-0.5 * (apart / CUT_DE) ** 2)
    labels = costs.argmin(axis=1)
    for _ in range(2):
        before = labels.copy()
        for label in range(len(LABEL_NAMES)):
            labels = _expanded(labels, label, costs, pairs, weights)
        if (before == labels).all():
            break
    # The label that the cut chose is the likeliest, the others keep their order.
    out = 0.5 * mean
    out[np.arange(len(labels)), labels] += 0.5
    return np.asarray(out, np.float32)[regions]


def _expanded(
    labels: npt.NDArray[np.intp],
    label: int,
    costs: npt.NDArray[np.float64],
    pairs: npt.NDArray[np.int64],
    weights: npt.NDArray[np.float64],
) -> npt.NDArray[np.intp]:
    """Let one label take what lowers the energy (Kolmogorov & Zabih 2004, IEEE TPAMI 26:147)."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import breadth_first_order, maximum_flow

    count = len(labels)
    take = costs[:, label] - costs[np.arange(count), labels]  # cost of taking it
    p, q = pairs.T
    both, one, other = (
        weights * (labels[p] != labels[q]),
        weights * (labels[p] != label),
        weights * (labels[q] != label),
    )
    np.add.at(take, p, other - both)
    np.add.at(take, q, -other)
    between = np.maximum(one + other - both, 0)
    source, sink = count, count + 1
    nodes = np.arange(count)
    rows = np.concatenate([np.full(count, source), nodes, p])
    cols = np.concatenate([nodes, np.full(count, sink), q])
    capacity = np.concatenate([np.maximum(take, 0), np.maximum(-take, 0), between])
    whole = np.round(np.minimum(capacity, 1e5) * 100).astype(np.int32)
    graph = coo_matrix((whole, (rows, cols)), shape=(count + 2, count + 2)).tocsr()
    flow = maximum_flow(graph, source, sink).flow
    left = graph - flow
    left.data = np.maximum(left.data, 0)
    left.eliminate_zeros()
    reached = np.zeros(count + 2, bool)
    reached[breadth_first_order(left, source, return_predecessors=False)] = True
    return np.where(reached[:count], labels, label)


def _pixels(
    tiles: Sequence[LabelledTile], *, per_label: int, seed: int
) -> tuple[Array, npt.NDArray[np.uint8]]:
    """Features and labels of as many pixels of each label of each tile."""
    rng = np.random.default_rng(seed)
    seen, labels = [], []
    for tile in tiles:
        coarse, shown = _coarse(tile.lab, valid=tile.valid, mm_per_px=tile.mm_per_px)
        size = (coarse.shape[1], coarse.shape[0])
        true = cv2.resize(tile.labels, size, interpolation=cv2.INTER_NEAREST).ravel()
        shown_at = shown.ravel()
        places = np.concatenate(
            [
                rng.permutation(np.flatnonzero((true == label) & shown_at))[
                    : per_label * (3 if label == 0 else 1)
                ]
                for label in range(len(LABEL_NAMES))
            ]
        )
        seen.append(pixel_features(coarse, tile.centre_mm)[places])
        labels.append(true[places])
    return np.concatenate(seen), np.concatenate(labels)


def fit_boosting(tiles: Sequence[LabelledTile], *, per_label: int = 60, seed: int = 7) -> Any:
    """Fit histogram gradient boosting to pixels."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    x, y = _pixels(tiles, per_label=per_label, seed=seed)
    return HistGradientBoostingClassifier(
        max_iter=120, learning_rate=0.12, max_leaf_nodes=31, random_state=seed,
        early_stopping=False,
    ).fit(x, y)  # fmt: skip


def fit_perceptron(tiles: Sequence[LabelledTile], *, per_label: int = 130, seed: int = 7) -> Any:
    """Fit a perceptron of 48 hidden units to pixels."""
    from sklearn.neural_network import MLPClassifier
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler

    x, y = _pixels(tiles, per_label=per_label, seed=seed)
    network = MLPClassifier((48,), alpha=1e-3, batch_size=512, max_iter=14, random_state=seed)
    return make_pipeline(StandardScaler(), network).fit(x, y)


def fit_trees(tiles: Sequence[LabelledTile], *, seed: int = 7) -> Any:
    """Fit extremely randomised trees to superpixels, each with the label most of it has."""
    from sklearn.ensemble import ExtraTreesClassifier

    seen, labels = [], []
    for tile in tiles:
        coarse, shown = _coarse(tile.lab, valid=tile.valid, mm_per_px=tile.mm_per_px)
        size = (coarse.shape[1], coarse.shape[0])
        true = cv2.resize(tile.labels, size, interpolation=cv2.INTER_NEAREST)
        regions = superpixels(coarse)
        share = _means(np.eye(len(LABEL_NAMES), dtype=np.float32)[true.ravel()], regions)
        shown_share = _means(shown.reshape(-1, 1).astype(np.float32), regions)[:, 0]
        keep = (shown_share > 0.9) & (share.max(axis=1) > 0.7)
        pixels = pixel_features(coarse, tile.centre_mm)
        seen.append(region_features(coarse, regions, pixels)[keep])
        labels.append(share.argmax(axis=1)[keep])
    return ExtraTreesClassifier(
        100, min_samples_leaf=4, max_features="sqrt", class_weight="balanced_subsample",
        random_state=seed,
    ).fit(np.concatenate(seen), np.concatenate(labels))  # fmt: skip
