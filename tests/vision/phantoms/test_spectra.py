"""Reflectances and lamps: what they must add up to."""

import numpy as np
import pytest

from phantoms.cameras import SENSORS, colour_matrix, response
from phantoms.lights import actinic, lamp, reef
from phantoms.spectra import WAVELENGTHS_NM, lab_of, reflectance, xyz_matrix


@pytest.mark.parametrize(
    "lab", [(95.0, 0.0, -2.0), (42.0, 10.0, 26.0), (40.0, 26.0, -22.0), (17.0, 0.5, 0.5)]
)
def test_a_reflectance_has_the_colour_it_was_made_for(lab: tuple[float, float, float]) -> None:
    spectrum = reflectance(lab)
    assert spectrum.shape == WAVELENGTHS_NM.shape
    assert spectrum.min() > 0
    assert spectrum.max() < 1
    # The solver stops at 1e-8 of its unknowns; Lab is at most some hundred times as steep.
    np.testing.assert_allclose(lab_of(spectrum @ xyz_matrix()), lab, atol=1e-4)


def test_a_colour_no_surface_has_keeps_lightness_and_hue() -> None:
    L, a, b = lab_of(reflectance((50, 120, 0)) @ xyz_matrix())  # noqa: N806
    assert pytest.approx(50, abs=1e-4) == L
    assert b == pytest.approx(0, abs=1e-4)
    assert 30 < a < 119


def test_impossible_lightness_is_refused() -> None:
    with pytest.raises(ValueError, match="L in 1"):
        reflectance((100.5, 0, 0))


def test_half_blue_by_power_is_half_blue() -> None:
    white, mixed = lamp("LED-B4"), reef(0.5)
    assert mixed.spectrum.sum() == pytest.approx(1)
    np.testing.assert_allclose(mixed.spectrum, (white.spectrum + actinic().spectrum) / 2)
    with pytest.raises(ValueError, match="blue_share"):
        reef(1.2)


def test_actinic_is_half_as_strong_ten_nanometres_off_its_peak() -> None:
    blue = dict(zip(WAVELENGTHS_NM, actinic().spectrum, strict=True))
    assert blue[440.0] / blue[450.0] == pytest.approx(0.5)  # full width at half height is 20 nm


@pytest.mark.parametrize("sensor", SENSORS)
def test_white_is_balanced_under_white_light_and_blue_under_blue(sensor: str) -> None:
    np.testing.assert_allclose(response(sensor, lamp("D65")).sum(axis=0), 1)
    np.testing.assert_allclose(colour_matrix(sensor).sum(axis=0), 1)  # keeps white white
    red, green, blue = response(sensor, actinic()).sum(axis=0)
    assert blue == pytest.approx(1)
    # Gain stops at four-fold: not enough for red in any of these sensors.
    assert red < 0.6
    assert red < green
