"""Temperature scaling: what it leaves alone, and that it finds a temperature that was laid on."""

import numpy as np
import pytest

from phantoms.temperature import doubtful_pixels, fit_temperature, tempered


def drawn(rng, *, sharpness):
    """Probabilities that are true by construction, then sharpened: p**sharpness, renormalised."""
    honest = rng.dirichlet([0.6] * 4, 40_000).astype(np.float32)
    labels = (honest.cumsum(axis=1) < rng.random((len(honest), 1))).sum(axis=1)
    told = honest**sharpness
    told /= told.sum(axis=1, keepdims=True)
    return told.astype(np.float32), np.minimum(labels, 3).astype(np.uint8)


@pytest.mark.parametrize("sharpness", [0.7, 1.0, 1.8])
def test_the_temperature_that_was_laid_on_is_found(sharpness) -> None:
    rng = np.random.default_rng(3)
    # Dividing the logarithms by the sharpness undoes it, so that is the best temperature. With
    # 40 000 draws it scatters by about 1 %.
    found = fit_temperature([drawn(rng, sharpness=sharpness)])
    assert found == pytest.approx(sharpness, rel=0.04)


def test_the_likeliest_label_stays_and_sums_stay_one() -> None:
    rng = np.random.default_rng(4)
    chances = rng.dirichlet([1.0] * 4, (30, 50)).astype(np.float32)
    for temperature in (0.5, 1.0, 2.5):
        other = tempered(chances, temperature)
        assert (other.argmax(axis=2) == chances.argmax(axis=2)).all()
        assert other.sum(axis=2) == pytest.approx(1.0, abs=1e-5)
    assert tempered(chances, 2.5).max() < chances.max() < tempered(chances, 0.5).max()


def test_a_temperature_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        tempered(np.full((2, 4), 0.25, np.float32), 0.0)
    with pytest.raises(ValueError, match="no pixel"):
        fit_temperature([])


def test_the_zone_is_the_specimen_and_three_millimetres_round_it() -> None:
    found, true = np.zeros((60, 80), np.uint8), np.zeros((60, 80), np.uint8)
    found[20:30, 20:30], true[20:30, 25:40] = 1, 3
    zone = doubtful_pixels(found, true, mm_per_px=0.5)
    assert zone[20:30, 20:40].all()
    assert zone[25, 40 + 5]  # 5 pixels = 2.5 mm to the right
    assert not zone[25, 40 + 7]  # 3.5 mm
