"""Stones and photographs as grounds: true to their size, the same from the same seed."""

import numpy as np
import pytest

from phantoms.natural_grounds import PICTURES, pictured, stones

SHAPE = (220, 260)
PX_MM = 0.2


def _blobs_mm(mix: np.ndarray) -> float:
    """Lag at which a picture is half like itself, mm."""
    field = mix - mix.mean()
    lags = range(1, 100)
    alike = [float((field[:, lag:] * field[:, :-lag]).mean()) for lag in lags]
    return PX_MM * next(lag for lag in lags if alike[lag - 1] < 0.5 * field.var())


def test_stones_are_shares_and_light_and_repeat_by_seed() -> None:
    for seed in range(12):
        mix, light = stones(np.random.default_rng(seed), SHAPE, PX_MM)
        assert mix.shape == light.shape == SHAPE
        assert mix.dtype == light.dtype == np.float32
        assert 0 <= mix.min() < mix.max() <= 1
        assert light.min() > 0
        assert light.std() > 0.02
        again, _ = stones(np.random.default_rng(seed), SHAPE, PX_MM)
        np.testing.assert_array_equal(mix, again)


def test_larger_stones_are_larger() -> None:
    means = [
        np.mean([_blobs_mm(stones(np.random.default_rng(s), SHAPE, PX_MM, size_mm=size)[0])
                 for s in range(6)])
        for size in (1.5, 3.5)
    ]  # fmt: skip
    assert means[1] > 1.6 * means[0]


def test_a_picture_is_its_own_structure_about_no_colour() -> None:
    spreads = []
    for seed in range(2 * len(PICTURES)):
        lab = pictured(np.random.default_rng(seed), SHAPE, PX_MM)
        assert lab.shape == (*SHAPE, 3)
        assert lab.mean(axis=(0, 1)) == pytest.approx([0, 0, 0], abs=0.01)  # sums of 32 bits
        spreads.append(lab[..., 0].std())
    assert np.median(spreads) > 3


def test_what_judges_is_not_trained_on() -> None:
    assert not {"gravel", "brick"} & set(PICTURES)
