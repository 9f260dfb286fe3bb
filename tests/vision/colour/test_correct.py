"""The correction on spectra: known cards, unseen colours, printers' errors, and blue lamps.

Truth: reflectances and camera sensitivities of colour-science and of invented phones through CIE
lamps; what the correction never sees is the reflectances' colour under D50.
"""

from dataclasses import replace

import numpy as np
import pytest

from phantoms.cameras import _sensitivities, colour_matrix, response
from phantoms.cardprint import printed_labs
from phantoms.lights import lamp, reef
from phantoms.scene import Printed
from phantoms.spectra import lab_of, reflectance, xyz_matrix
from polypward.cards import load_layout
from polypward_vision.colour.apply import Correction, features, plain_correction
from polypward_vision.colour.correct import fit_colour
from polypward_vision.colour.gate import blue_shares
from polypward_vision.colour.patches import PatchSamples
from polypward_vision.colour.science import delta_e_2000, lab_to_xyz, linear_to_srgb
from polypward_vision.photo import DecodedPhoto

PHOTO = DecodedPhoto(rgb=np.zeros((1, 1, 3), np.uint8), full_size=(1, 1))
RNG = np.random.default_rng(8)
UNSEEN = np.stack([RNG.uniform(28, 88, 40), RNG.normal(0, 16, 40), RNG.normal(8, 18, 40)], axis=1)


def spectra_of(labs):
    return np.stack([reflectance(tuple(float(v) for v in lab)) for lab in labs])


def expose(spectra, light, *, sensor="phone-a", matrix=True, shine=1.0, s_curve=0.25, seed=0):
    """8-bit values (N, 50, 3) that a phone makes of patches, with a sensor's noise."""
    rng = np.random.default_rng(seed)
    raw = (spectra @ response(sensor, light)) * 0.75 * np.reshape(shine, (-1, 1))
    pixels = raw[:, None] + rng.normal(0, 0.006, (len(raw), 50, 3))
    if matrix:
        pixels = np.clip(pixels, 0, 1) @ colour_matrix(sensor)
    v = linear_to_srgb(np.clip(pixels, 0, 1))
    v = v + s_curve * v * (1 - v) * (2 * v - 1)
    return np.round(255 * np.clip(v, 0, 1)).astype(np.uint8)


def samples_of(values):
    linear = PHOTO.icc.to_linear(values).astype(float)
    return PatchSamples(
        linear=linear.mean(axis=1),
        noise=linear.std(axis=1),
        high=(values >= 250).any(axis=2).mean(axis=1),
        low=(values <= 5).any(axis=2).mean(axis=1),
        inside=np.ones(len(values), bool),
        even=np.ones(len(values), bool),
    )


def card_of(layout, error_de, *, seed=0, measured=False):
    """A printed card and the reflectances of its patches."""
    card = load_layout(layout)
    spectra = spectra_of(printed_labs(Printed(card=card, error_de=error_de, seed=seed)))
    if measured:
        labs = lab_of(spectra @ xyz_matrix())
        patches = [
            replace(p, lab_d50=tuple(lab)) for p, lab in zip(card.patches, labs, strict=True)
        ]
        card = replace(card, patches=tuple(patches), values="measured")
    return card, spectra


def shine_over(card, strength):
    """Light that falls off smoothly over the card, 1 in its middle."""
    at = np.array([patch.centre_mm for patch in card.patches]) / np.array(card.size_mm) * 2 - 1
    return np.exp(at @ (strength, -strength / 2) - 0.3 * strength * (at**2).sum(axis=1))


@pytest.mark.parametrize("layout", ["frame", "strip"])
@pytest.mark.parametrize("light", ["LED-B1", "LED-B3", "LED-B5", "D50", "D65", "D75"])
@pytest.mark.parametrize("model", ["linear", "root-polynomial"])
def test_unseen_colours_on_a_measured_card(layout, light, model) -> None:
    """A badly printed card, measured: colours never fitted, median 1.5 and 95 % within 4."""
    card, spectra = card_of(layout, 6.0, measured=True)
    values = expose(spectra, lamp(light), shine=shine_over(card, 0.1))
    fit = fit_colour(PHOTO, samples_of(values), card, model=model)
    assert fit.grade == "measured"
    unseen = spectra_of(UNSEEN)
    tile = np.round(expose(unseen, lamp(light)).mean(axis=1)).astype(np.uint8)[None]
    middle = np.array(card.size_mm) / 2
    lab = fit.correction.to_lab(tile, x_mm=middle[0] - 4, y_mm=middle[1], mm_per_px=0.2)[0]
    error = delta_e_2000(lab, lab_of(unseen @ xyz_matrix()))
    assert np.median(error) <= 1.5
    assert np.quantile(error, 0.95) <= 4.0


@pytest.mark.parametrize("layout", ["frame", "strip"])
@pytest.mark.parametrize("error_de", [0, 3, 6, 9])
@pytest.mark.parametrize("matrix", [True, False])
def test_white_light_is_never_taken_for_blue(layout, error_de, matrix) -> None:
    """First photo of a nominal card, whatever its printer did: `relative`."""
    for seed, light in enumerate(("LED-B2", "LED-B4", "LED-B5", "D65")):
        card, spectra = card_of(layout, error_de, seed=seed)
        values = expose(spectra, lamp(light), sensor=f"phone-{'abcd'[seed]}", matrix=matrix)
        fit = fit_colour(PHOTO, samples_of(values), card)
        assert fit.grade == "relative", (light, seed, fit.why)


@pytest.mark.parametrize("layout", ["frame", "strip"])
@pytest.mark.parametrize("error_de", [0, 9])
@pytest.mark.parametrize("blue", [0.8, 0.9, 1.0])
@pytest.mark.parametrize("matrix", [True, False])
def test_blue_lamps_are_refused(layout, error_de, blue, matrix) -> None:
    for seed, sensor in enumerate(("Nikon 5100 (NPL)", "phone-b")):
        card, spectra = card_of(layout, error_de, seed=seed)
        values = expose(spectra, reef(blue), sensor=sensor, matrix=matrix)
        fit = fit_colour(PHOTO, samples_of(values), card)
        assert fit.grade == "refused"
        assert fit.why
        assert "colour-refused" in fit.notes


def test_print_error_is_learnt() -> None:
    """A 9 dE print reads a large left-out error once; with its residuals taken off, a small one."""
    card, spectra = card_of("frame", 9.0, seed=4)
    nominal = np.array([patch.lab_d50 for patch in card.patches])
    first = fit_colour(PHOTO, samples_of(expose(spectra, lamp("LED-B4"))), card)
    assert first.de00_mean > 3
    again = expose(spectra, lamp("D65"), sensor="phone-c", seed=5)
    second = fit_colour(PHOTO, samples_of(again), card, residuals=first.patch_lab - nominal)
    assert second.de00_mean < 2
    assert second.de00_max < 15
    assert second.de00_mean < first.de00_mean / 2


@pytest.mark.parametrize("hidden", [("tan left", "white top", "mist grey top", "plum right")])
def test_covered_patches_are_left_out(hidden) -> None:
    """Tissue over four patches changes neither the grade nor the colour of the others much."""
    card, spectra = card_of("frame", 0.0)
    values = expose(spectra, lamp("LED-B3"))
    for index, patch in enumerate(card.patches):
        if patch.name in hidden:
            values[index] = (70, 150, 60)
    fit = fit_colour(PHOTO, samples_of(values), card)
    assert fit.grade == "relative"
    assert fit.de00_mean < 1.5
    nominal = np.array([patch.lab_d50 for patch in card.patches])
    shown = [patch.name not in hidden for patch in card.patches]
    assert np.nanmean(delta_e_2000(fit.patch_lab, nominal)[shown]) < 1.5


def test_clipped_white_is_left_out() -> None:
    """Overexposed whites are dropped, not fitted: fitted they would cost 5 dE00 and more."""
    card, spectra = card_of("frame", 0.0)
    values = expose(spectra, lamp("D65"), shine=1.5)
    samples = samples_of(values)
    white = np.array([patch.name.startswith("white") for patch in card.patches])
    assert not samples.usable[white].any()
    fit = fit_colour(PHOTO, samples, card)
    assert fit.de00_mean < 1.5
    assert np.isnan(fit.patch_lab[white]).all()


def test_too_few_patches() -> None:
    card, spectra = card_of("strip", 0.0)
    values = expose(spectra, lamp("D65"))
    values[4:] = 255
    fit = fit_colour(PHOTO, samples_of(values), card)
    assert (fit.grade, fit.correction) == ("refused", None)


@pytest.mark.parametrize("kind", ["linear", "root-polynomial"])
def test_exposure_invariance(kind) -> None:
    """f(k RGB) = k f(RGB), exactly, so a specimen in half the card's light keeps its hue."""
    light = RNG.uniform(0.02, 0.9, (20, 3))
    np.testing.assert_allclose(features(0.5 * light, kind), 0.5 * features(light, kind), rtol=1e-12)


def test_shares_of_a_faithful_camera() -> None:
    """A camera that sees linear sRGB follows red by red, green by green, blue by blue."""
    card = load_layout("frame")
    xyz = lab_to_xyz(np.array([patch.lab_d50 for patch in card.patches]))
    from polypward_vision.colour.science import SRGB_TO_XYZ_D50

    light = xyz @ np.linalg.inv(SRGB_TO_XYZ_D50).T
    np.testing.assert_allclose(blue_shares(light, xyz), np.eye(3), atol=1e-9)


def test_correction_round_trip() -> None:
    card, spectra = card_of("strip", 0.0)
    fit = fit_colour(PHOTO, samples_of(expose(spectra, lamp("D65"))), card)
    kept = Correction.from_json(fit.correction.to_json())
    tile = RNG.integers(10, 240, (30, 40, 3)).astype(np.uint8)
    at = {"x_mm": 3.0, "y_mm": -20.0, "mm_per_px": 0.2}
    np.testing.assert_allclose(
        kept.to_lab(tile, **at), fit.correction.to_lab(tile, **at), atol=0.05
    )
    # 16-bit values of the same light give the same colour.
    deep = kept.to_lab(tile.astype(np.uint16) * 257, **at)
    np.testing.assert_allclose(deep, kept.to_lab(tile, **at), atol=0.1)


def test_damaged_correction_is_refused() -> None:
    from polypward.errors import BadInputError

    good = plain_correction(PHOTO.icc).to_json()
    for key in ("curves", "matrix", "kind"):
        with pytest.raises(BadInputError):
            Correction.from_json({k: v for k, v in good.items() if k != key})
        with pytest.raises(BadInputError):
            Correction.from_json(good | {key: [1, 2]})


def test_measured_sensor_is_there() -> None:
    """The measured camera that colour-science carries has three positive channels."""
    assert _sensitivities("Nikon 5100 (NPL)").min() >= 0
