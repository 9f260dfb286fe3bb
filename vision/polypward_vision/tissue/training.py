"""Fitting the second look to labelled cut-outs: for the base model, and for a ward's own."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from polypward.labels import BACKGROUND, BARE, LABEL_NAMES, LIVE, OVERGROWN
from polypward_vision.tissue.features import second_features
from polypward_vision.tissue.model import NOTHING, Perceptron, TissueModel, coarse_view
from polypward_vision.tissue.network import Network

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
    first: Network,
    seed: int,
    units: int = 32,
    per_label: int = 250,
    epochs: int = 20,
    version: str = "",
) -> TissueModel:
    """Fit the second look to labelled tiles, given the first.

    Parameters
    ----------
    tiles : sequence of LabelledTile
        All four labels must occur. The first look should not have been trained on them: the
        second would trust it more than it will deserve.
    first : Network
        The first look; it stays as it is.
    seed : int
        Same tiles and seed, same model (on one machine and library version).
    units : int
        Hidden units of the second look.
    per_label : int
        Pixels taken from each label of each tile, at most.
    epochs : int
        Passes over the pixels.

    Raises
    ------
    ValueError
        If there is no tile or a label is missing.
    """
    if not tiles:
        raise ValueError("at least one labelled tile is needed, got none")
    rng = np.random.default_rng(seed)
    pixels, labels = [], []
    for tile in tiles:
        places = labelled_pixels(tile.labels, tile.valid, per_label=per_label, rng=rng)
        lab, coarse, valid, _ = coarse_view(tile.lab, valid=tile.valid, mm_per_px=tile.mm_per_px)
        found = np.where(valid[..., None], first(coarse), NOTHING)
        seen = second_features(lab, found, coarse=coarse, mm_per_px=tile.mm_per_px)
        pixels.append(seen[:, places].T)
        labels.append(tile.labels.ravel()[places])
    second = _fit(np.concatenate(pixels), np.concatenate(labels), units, epochs=epochs, seed=seed)
    second.biases[-1][BACKGROUND] += np.float32(GROUND_LEAN)
    return TissueModel(first=first, second=second, version=version)


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
