"""Our colour fit on a published chart seen through measured camera sensitivities.

Chart, cameras and lamps as colour-science carries them (see chart.py). Expected left-out errors are
of a plain 3x3 least squares on the same spectra, computed apart from this code with numpy and
colour-science; our fit linearises by the six greys first, which costs some of it: with a ramp that
has to be found from the photo the mean under D65 was 1.09 where a truly linear one gave 0.81.
"""

import chart
import colour
import numpy as np
import pytest

from polypward_vision.colour.apply import features
from polypward_vision.colour.correct import fit_colour
from polypward_vision.colour.science import delta_e_2000

LAB = chart.lab_of(chart.spectra())
CARD = chart.card_of(LAB)

# Lamp: left-out dE00 mean and max of the plain linear fit, no noise.
LINEAR = {
    "D65": (0.81, 1.94),
    "A": (2.29, 6.56),
    "LED-B3": (1.05, 2.56),
    "blue-25": (0.74, 1.96),
    "blue-50": (0.86, 2.05),
    "blue-75": (1.05, 2.99),
    "blue-90": (1.73, 4.30),
    "blue-95": (2.94, 7.43),
}
# Root-polynomial of degree 2 on the same; with more blue than this the lamp is refused anyway.
ROOT = {"D65": 0.54, "A": 1.45, "LED-B3": 0.73, "blue-25": 0.59, "blue-50": 0.68}
# What the found ramp and the weighting may add to the mean, and take from it.
ALLOWED = (-0.1, 0.40)


@pytest.mark.parametrize("light", LINEAR)
def test_left_out_error_of_the_linear_fit(light: str) -> None:
    fit = fit_colour(
        chart.no_photo(), chart.samples_of(chart.exposed(chart.spectra(), light)), CARD
    )
    mean, largest = LINEAR[light]
    assert fit.de00_mean is not None
    assert fit.de00_max is not None
    assert ALLOWED[0] <= fit.de00_mean - mean <= ALLOWED[1]
    assert fit.de00_max <= largest + 1.2


@pytest.mark.parametrize("light", ROOT)
def test_left_out_error_of_the_root_polynomial_fit(light: str) -> None:
    fit = fit_colour(
        chart.no_photo(),
        chart.samples_of(chart.exposed(chart.spectra(), light)),
        CARD,
        model="root-polynomial",
    )
    assert fit.de00_mean is not None
    assert ALLOWED[0] <= fit.de00_mean - ROOT[light] <= ALLOWED[1]


def test_pure_blue_is_refused() -> None:
    """Under 450 nm alone colours are not seen: the plain fit misses by 23 on the mean."""
    fit = fit_colour(
        chart.no_photo(), chart.samples_of(chart.exposed(chart.spectra(), "blue-100")), CARD
    )
    assert fit.grade == "refused"
    assert "colour-refused" in fit.notes


@pytest.mark.parametrize("light", ["D50", "D65", "LED-B3", "blue-25"])
def test_white_light_is_not_refused(light: str) -> None:
    """With noise of 0.001 of full scale on each patch mean, as a phone at base sensitivity has."""
    rng = np.random.default_rng(4)
    for _ in range(10):
        raw = chart.exposed(chart.spectra(), light)
        fit = fit_colour(
            chart.no_photo(), chart.samples_of(raw + rng.normal(0, 0.001, raw.shape)), CARD
        )
        assert fit.grade == "measured", fit.why
        assert fit.de00_mean is not None
        assert fit.de00_mean < 2


@pytest.mark.parametrize("light", ["blue-95", "blue-100"])
def test_noisy_blue_is_refused(light: str) -> None:
    """Noise of 0.001 makes the plain left-out mean 11 at 95 % blue, 32 at 100 %."""
    rng = np.random.default_rng(4)
    grades = []
    for _ in range(20):
        raw = chart.exposed(chart.spectra(), light)
        noisy = np.maximum(raw + rng.normal(0, 0.001, raw.shape), 1e-4)
        grades.append(fit_colour(chart.no_photo(), chart.samples_of(noisy), CARD).grade)
    assert grades.count("refused") >= 19


@pytest.mark.parametrize("gamma", [1 / 2.2, 1 / 1.8, 1.3])
@pytest.mark.parametrize("light", ["D65", "LED-B3"])
def test_any_tone_curve_gives_the_same(light: str, gamma: float) -> None:
    """A power law on all three channels is undone by the greys: the same error as without."""
    raw = chart.exposed(chart.spectra(), light)
    plain = fit_colour(chart.no_photo(), chart.samples_of(raw), CARD)
    curved = fit_colour(chart.no_photo(), chart.samples_of(raw**gamma), CARD)
    assert plain.de00_mean is not None
    assert curved.de00_mean == pytest.approx(plain.de00_mean, abs=0.05)


def test_left_out_error_stands_for_unseen_colours() -> None:
    """Under LED-B3 the 99 colours of CIE 224:2017 are missed as much as left-out patches are."""
    rng = np.random.default_rng(9)
    raw = chart.exposed(chart.spectra(), "LED-B3")
    unseen = chart.exposed(chart.unseen_spectra(), "LED-B3")
    fit = fit_colour(
        chart.no_photo(), chart.samples_of(raw + rng.normal(0, 0.001, raw.shape)), CARD
    )
    assert fit.correction is not None
    assert fit.de00_mean is not None
    tile = np.round(np.clip(colour.models.eotf_inverse_sRGB(unseen), 0, 1) * 65535)
    found = fit.correction.to_lab(
        tile.astype(np.uint16)[:, None], x_mm=60.0, y_mm=40.0, mm_per_px=1e-6
    )[:, 0]
    missed = delta_e_2000(found.astype(float), chart.lab_of(chart.unseen_spectra()))
    assert float(np.mean(missed)) == pytest.approx(fit.de00_mean, abs=0.6)
    assert float(np.mean(missed)) < 2


@pytest.mark.parametrize("kind", ["linear", "root-polynomial"])
def test_exposure_invariance(kind: str) -> None:
    """f(k RGB) = k f(RGB), exactly: shade on the specimen must not change its colour.

    Finlayson, Mackiewicz & Hurlbert 2015, IEEE Transactions on Image Processing 24(5):1460-1470.
    """
    raw = chart.exposed(chart.spectra(), "LED-B3")
    xyz = colour.Lab_to_XYZ(LAB, colour.XYZ_to_xy([0.9642, 1.0, 0.8249]))
    matrix, *_ = np.linalg.lstsq(features(raw, kind), xyz, rcond=None)
    for k in (0.5, 0.7, 1.6):
        np.testing.assert_allclose(
            features(k * raw, kind) @ matrix / k, features(raw, kind) @ matrix, atol=1e-9
        )


def test_plain_polynomial_would_not_be_invariant() -> None:
    """The nine-term polynomial misses by 2 dE00 at half exposure: why it is not offered."""
    raw = chart.exposed(chart.spectra(), "LED-B3")
    xyz = colour.Lab_to_XYZ(LAB, colour.XYZ_to_xy([0.9642, 1.0, 0.8249]))

    def nine(rgb: chart.Array) -> chart.Array:
        r, g, b = rgb.T
        return np.stack([r, g, b, r * g, r * b, g * b, r * r, g * g, b * b], axis=1)

    matrix, *_ = np.linalg.lstsq(nine(raw), xyz, rcond=None)
    white = colour.XYZ_to_xy([0.9642, 1.0, 0.8249])
    half = colour.XYZ_to_Lab(nine(0.5 * raw) @ matrix / 0.5, white)
    assert float(delta_e_2000(half, colour.XYZ_to_Lab(nine(raw) @ matrix, white)).max()) > 1.5


def test_root_polynomial_terms_of_another_library() -> None:
    """Same least squares as colour-science's Finlayson 2015 of degree 2, whatever the order."""
    raw = chart.exposed(chart.spectra(), "D65")
    xyz = colour.Lab_to_XYZ(LAB, colour.XYZ_to_xy([0.9642, 1.0, 0.8249]))
    theirs = colour.characterisation.matrix_colour_correction_Finlayson2015(raw, xyz, 2, True)
    expected = colour.characterisation.polynomial_expansion_Finlayson2015(raw, 2, True) @ theirs.T
    ours, *_ = np.linalg.lstsq(features(raw, "root-polynomial"), xyz, rcond=None)
    np.testing.assert_allclose(features(raw, "root-polynomial") @ ours, expected, atol=1e-9)


@pytest.mark.parametrize("over", [1.15, 1.3, 1.6])
def test_clipped_patches_are_dropped(over: float) -> None:
    """Overexposed: fitting the clipped patches gives 1.6 to 6.7 on the mean, dropping them 0.9."""
    raw = over / 0.9 * chart.exposed(chart.spectra(), "D65")
    clipped = tuple(int(index) for index in np.flatnonzero((raw >= 0.96).any(axis=1)))
    assert clipped
    fitted = fit_colour(chart.no_photo(), chart.samples_of(np.minimum(raw, 1)), CARD)
    dropped = fit_colour(
        chart.no_photo(), chart.samples_of(np.minimum(raw, 1), unusable=clipped), CARD
    )
    assert dropped.grade == "measured", dropped.why
    assert dropped.de00_mean is not None
    assert dropped.de00_mean < 1.6
    assert dropped.patch_lab is not None
    assert np.isnan(dropped.patch_lab[list(clipped)]).all()
    # Not told of the clipping, the robust fit may find most of it: never better by more than 0.1.
    assert fitted.de00_mean is None or dropped.de00_mean < fitted.de00_mean + 0.1


def test_uneven_light_is_taken_out() -> None:
    """20 % over the chart's width: about 2 dE00 on the mean if ignored, near 1 if fitted."""
    raw = chart.exposed(chart.spectra(), "D65")
    x = np.array([patch.centre_mm[0] for patch in CARD.patches])
    y = np.array([patch.centre_mm[1] for patch in CARD.patches])
    light = 1 + 0.2 * (x - 60) / 100 + 0.1 * (y - 40) / 60
    fit = fit_colour(chart.no_photo(), chart.samples_of(raw * light[:, None]), CARD)
    assert fit.de00_mean is not None
    assert fit.de00_mean < 1.5
