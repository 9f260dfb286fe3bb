"""Fitting: a model learns what its tiles show, is the same each time, and says what is missing."""

import numpy as np
import numpy.typing as npt
import pytest

from polypward.labels import BACKGROUND, BARE, LIVE, OVERGROWN
from polypward_vision.tissue import LabelledTile, fit_tissue_model, load_base_model
from polypward_vision.tissue.network import Network
from polypward_vision.tissue.training import labelled_pixels

COLOURS = {BACKGROUND: (60, 0, 0), LIVE: (45, 8, 26), BARE: (88, 0, 7), OVERGROWN: (30, -10, 15)}


def tile(seed: int, *, without: int | None = None) -> LabelledTile:
    """Draw four bands in the colours of the four labels."""
    rng = np.random.default_rng(seed)
    labels = np.zeros((80, 100), np.uint8)
    for place, label in enumerate(rng.permutation([LIVE, BARE, OVERGROWN])):
        labels[20:60, 20 + 20 * place : 40 + 20 * place] = label
    if without is not None:
        labels[labels == without] = LIVE
    lab = np.array([COLOURS[label] for label in range(4)], np.float32)[labels]
    lab += rng.normal(0, 2, lab.shape).astype(np.float32)
    return LabelledTile(lab=lab, valid=np.ones(labels.shape, bool), labels=labels, mm_per_px=0.4)


class Undecided(Network):
    """A first look that takes every label for equally likely."""

    def __call__(self, lab: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        return np.full((*lab.shape[:2], 4), 0.25, np.float32)


@pytest.fixture(scope="module")
def first() -> Network:
    return load_base_model().first


def test_a_model_learns_its_tiles() -> None:
    tiles = [tile(seed) for seed in range(6)]
    model = fit_tissue_model(tiles, first=Undecided(b""), seed=1, units=8, epochs=25)
    new = tile(99)
    found = model.probabilities(new.lab, mm_per_px=0.4).argmax(axis=2)
    # The four colours are 20 noise SDs apart; what is lost are edges, 320 px of 8000 a pixel wide.
    assert (found == new.labels).mean() > 0.95


def test_the_same_seed_gives_the_same_model(first: Network) -> None:
    tiles = [tile(seed) for seed in range(2)]
    one, two = (
        fit_tissue_model(tiles, first=first, seed=4, units=6, epochs=2).to_arrays()
        for _ in range(2)
    )
    assert all(np.array_equal(one[name], two[name]) for name in one)


def test_a_missing_label_is_said(first: Network) -> None:
    tiles = [tile(seed, without=BARE) for seed in range(2)]
    with pytest.raises(ValueError, match="all four labels"):
        fit_tissue_model(tiles, first=first, seed=1, epochs=1)


def test_no_tile_is_not_enough(first: Network) -> None:
    with pytest.raises(ValueError, match="at least one labelled tile is needed"):
        fit_tissue_model([], first=first, seed=1)


def test_pixels_are_taken_in_their_shares_and_only_where_shown() -> None:
    labels = np.zeros((30, 40), np.uint8)
    labels[:, 20:] = LIVE
    labels[:2, :2] = BARE
    valid = np.ones(labels.shape, bool)
    valid[:, 30:] = False
    chosen = labelled_pixels(labels, valid, per_label=50, rng=np.random.default_rng(2))
    assert np.array_equal(np.bincount(labels.ravel()[chosen]), [150, 50, 4])
    assert len(np.unique(chosen)) == len(chosen)
    assert valid.ravel()[chosen].all()
