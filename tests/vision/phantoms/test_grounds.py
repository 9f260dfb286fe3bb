"""Grounds: photographs laid true to their scale, the same from the same seed."""

import numpy as np
import pytest
from skimage import data

from phantoms.grounds import GROUNDS, PHOTOGRAPHS, ground_map
from phantoms.scene import Ground

FIELD_MM = (0.0, 0.0, 120.0, 90.0)


@pytest.mark.parametrize("kind", sorted(GROUNDS))
def test_a_ground_mixes_two_materials_and_repeats_by_seed(kind: str) -> None:
    ground = Ground(kind=kind, seed=4)
    mix, materials, shade = ground_map(ground, FIELD_MM, px_mm=0.5)
    again, _, _ = ground_map(ground, FIELD_MM, px_mm=0.5)
    other, _, _ = ground_map(Ground(kind=kind, seed=5), FIELD_MM, px_mm=0.5)
    assert mix.shape == shade.shape == (181, 241)
    assert materials.shape == (2, 31)
    assert 0 <= mix.min() < mix.max() <= 1
    assert shade.min() > 0
    np.testing.assert_array_equal(mix, again)
    assert not np.array_equal(mix, other)


@pytest.mark.parametrize("kind", sorted(PHOTOGRAPHS))
def test_a_photographed_ground_is_as_light_and_as_uneven_as_its_photograph(kind: str) -> None:
    light = (getattr(data, kind)().astype(float) / 255) ** 2.2
    light = np.clip(light / light.mean(), 0.15, 2)
    shades = [ground_map(Ground(kind=kind, seed=seed), FIELD_MM, px_mm=0.1)[2] for seed in range(4)]
    # A part of it at another scale: its mean and its spread, not its pixels.
    assert np.mean(shades) == pytest.approx(light.mean(), rel=0.1)
    assert np.mean([shade.std() for shade in shades]) == pytest.approx(light.std(), rel=0.25)
