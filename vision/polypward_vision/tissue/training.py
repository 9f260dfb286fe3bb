"""Fitting a tissue model to labelled cut-outs: for the base model, and for a ward's own."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from polypward.labels import BACKGROUND, BARE, LABEL_NAMES, LIVE, OVERGROWN
from polypward_vision.tissue.features import first_features, second_features
from polypward_vision.tissue.model import NOTHING, Perceptron, TissueModel, coarse_view

__all__ = ["LabelledTile", "fit_tissue_model", "labelled_pixels"]

Array = npt.NDArray[np.float32]
# Of a cut-out most is background still, so at an edge the second look leans to it: log odds, part
# of the difference between its share of cut-outs and its share of the pixels that are looked at.
GROUND_LEAN = 0.8
# Background is the most varied label by far: more of it is looked at.
TIMES = {BACKGROUND: 3, LIVE: 1, BARE: 1, OVERGROWN: 1}

Labels = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelledTile:
    """A corrected cut-out (rows, cols, 3), where it shows something, and its true labels."""

    lab: Array
    valid: npt.NDArray[np.bool_]
    labels: Labels
    mm_per_px: float
    centre_mm: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class _View:
    """A tile as both looks see it, and the pixels chosen from it."""

    tile: LabelledTile
    first: Array
    coarse: Array
    coarse_valid: npt.NDArray[np.bool_]


def labelled_pixels(
    labels: Labels, valid: npt.NDArray[np.bool_], *, per_label: int, rng: np.random.Generator
) -> npt.NDArray[np.int64]:
    """Choose flat indices of valid pixels of each label, at most `per_label` times its `TIMES`."""
    flat, shown = labels.ravel(), valid.ravel()
    chosen = []
    for label in range(len(LABEL_NAMES)):
        places = np.flatnonzero((flat == label) & shown)
        most = per_label * TIMES[label]
        chosen.append(rng.choice(places, min(most, len(places)), replace=False))
    return np.concatenate(chosen)


def fit_tissue_model(
    tiles: Sequence[LabelledTile],
    *,
    seed: int,
    units: tuple[int, int] = (64, 32),
    per_label: int = 250,
    epochs: int = 20,
    folds: int = 2,
    version: str = "",
) -> TissueModel:
    """Fit both looks to labelled tiles.

    The second look learns from what a first look says about tiles that it was not fitted to, so
    that it does not trust the first more than it will deserve.

    Parameters
    ----------
    tiles : sequence of LabelledTile
        At least `folds` tiles; all four labels must occur in each fold.
    seed : int
        Same tiles and seed, same model (on one machine and library version).
    units : (int, int)
        Hidden units of the first and of the second look.
    per_label : int
        Pixels taken from each label of each tile, at most.
    epochs, folds : int
        Passes over the pixels; parts the tiles are split into for the second look.

    Raises
    ------
    ValueError
        If there are fewer tiles than folds or a label is missing.
    """
    if len(tiles) < folds:
        raise ValueError(f"at least {folds} labelled tiles are needed, got {len(tiles)}")
    rng = np.random.default_rng(seed)
    views = [_view(tile) for tile in tiles]
    pixels, labels, group = [], [], []
    for index, view in enumerate(views):
        truth = _coarse_labels(view)
        places = labelled_pixels(truth, view.coarse_valid, per_label=per_label, rng=rng)
        pixels.append(view.first[:, places].T)
        labels.append(truth.ravel()[places])
        group.append(np.full(len(places), index % folds))
    x, y, fold = np.concatenate(pixels), np.concatenate(labels), np.concatenate(group)
    second_x, second_y = [], []
    for held in range(folds):
        first = _fit(x[fold != held], y[fold != held], units[0], epochs=epochs, seed=seed)
        for view in views[held::folds]:
            places = labelled_pixels(
                view.tile.labels, view.tile.valid, per_label=per_label, rng=rng
            )
            second_x.append(_second(view, first)[:, places].T)
            second_y.append(view.tile.labels.ravel()[places])
    second = _fit(
        np.concatenate(second_x), np.concatenate(second_y), units[1], epochs=epochs, seed=seed
    )
    second.biases[-1][BACKGROUND] += np.float32(GROUND_LEAN)
    return TissueModel(
        first=_fit(x, y, units[0], epochs=epochs, seed=seed), second=second, version=version
    )


def _view(tile: LabelledTile) -> _View:
    rows, cols = tile.labels.shape
    lab, coarse, coarse_valid, coarse_mm = coarse_view(
        tile.lab, valid=tile.valid, mm_per_px=tile.mm_per_px
    )
    centre = tile.centre_mm or (cols * tile.mm_per_px / 2, rows * tile.mm_per_px / 2)
    return _View(
        tile=LabelledTile(lab=lab, valid=tile.valid, labels=tile.labels, mm_per_px=tile.mm_per_px),
        first=first_features(coarse, valid=coarse_valid, mm_per_px=coarse_mm, centre_mm=centre),
        coarse=coarse,
        coarse_valid=coarse_valid,
    )


def _coarse_labels(view: _View) -> Labels:
    """Labels at the middle of each coarse pixel."""
    rows, cols = view.coarse_valid.shape
    height, width = view.tile.labels.shape
    row = ((np.arange(rows) + 0.5) * height / rows).astype(int)
    col = ((np.arange(cols) + 0.5) * width / cols).astype(int)
    return view.tile.labels[np.ix_(row, col)]


def _second(view: _View, first: Perceptron) -> Array:
    found = first(view.first).reshape(*view.coarse_valid.shape, len(LABEL_NAMES))
    found = np.where(view.coarse_valid[..., None], found, NOTHING)
    return second_features(view.tile.lab, found, coarse=view.coarse, mm_per_px=view.tile.mm_per_px)


def _fit(x: Array, y: Labels, units: int, *, epochs: int, seed: int) -> Perceptron:
    """Fit a perceptron and fold the standardisation of its features into its first layer."""
    import warnings

    from sklearn.exceptions import ConvergenceWarning
    from sklearn.neural_network import MLPClassifier

    if len(np.unique(y)) != len(LABEL_NAMES):
        raise ValueError("the labelled tiles must show all four labels")
    mean, spread = x.mean(axis=0, dtype=float), x.std(axis=0, dtype=float) + 1e-6
    network = MLPClassifier(
        (units,), alpha=1e-3, batch_size=512, max_iter=epochs, random_state=seed
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # stopped early on purpose
        network.fit(((x - mean) / spread).astype(np.float32), y)
    weights = [np.asarray(layer, float).T for layer in network.coefs_]
    biases = [np.asarray(bias, float) for bias in network.intercepts_]
    biases[0] = biases[0] - weights[0] @ (mean / spread)
    weights[0] = weights[0] / spread
    return Perceptron(
        tuple(weight.astype(np.float32) for weight in weights),
        tuple(bias.astype(np.float32) for bias in biases),
    )
