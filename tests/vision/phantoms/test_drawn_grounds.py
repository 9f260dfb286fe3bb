"""Grounds and tiles drawn for training: of any pattern, the same from the same seed."""

import numpy as np
import pytest

from phantoms.drawn_grounds import PATTERNS, ground
from phantoms.drawn_tiles import drawn_tile
from polypward.labels import BACKGROUND, BARE, LIVE, OVERGROWN

SHAPE = (150, 170)


@pytest.mark.parametrize("name", sorted(PATTERNS))
def test_a_pattern_is_a_share_that_changes_over_the_picture(name: str) -> None:
    shares = [PATTERNS[name](np.random.default_rng(seed), SHAPE, 5.0) for seed in range(8)]
    for share in shares:
        assert share.shape == SHAPE
        assert 0 <= share.min() <= share.max() <= 1
    assert np.median([share.std() for share in shares]) > 0.05


def test_a_ground_is_a_picture_in_lab_and_the_same_from_the_same_seed() -> None:
    grounds = [ground(np.random.default_rng(seed), SHAPE, 0.2) for seed in range(30)]
    for lab in grounds:
        assert lab.shape == (*SHAPE, 3)
        assert lab.dtype == np.float32
        assert np.isfinite(lab).all()
        assert 0 <= lab[..., 0].min() <= lab[..., 0].max() <= 100
    assert np.array_equal(grounds[7], ground(np.random.default_rng(7), SHAPE, 0.2))
    # From dark to white, neutral and coloured.
    means = np.array([lab.mean(axis=(0, 1)) for lab in grounds])
    assert np.ptp(means[:, 0]) > 50
    assert np.hypot(means[:, 1], means[:, 2]).max() > 20


def test_a_drawn_tile_shows_what_its_labels_say() -> None:
    seen = set()
    for seed in range(30):
        lab, labels = drawn_tile(np.random.default_rng([seed, 6]))
        assert np.isfinite(lab).all()
        assert lab.shape[:2] == labels.shape
        seen |= set(np.unique(labels).tolist())
    assert seen == {BACKGROUND, LIVE, BARE, OVERGROWN}
