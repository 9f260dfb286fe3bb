"""Our colour fit on real photographs of a published 24-patch chart, taken by others.

Two photographs are outputs of the example notebook in the package colour-checker-detection 0.1.2
(BSD-3-Clause; colour-science developers): raw files developed without correction, with an orange
cast. The package's own segmentation asks for older libraries, so the centres of the four corner
patches were read from the pictures by hand and stand here as constants; the others follow by a
homography. Which edition the photographed charts are is not said: the values since November 2014
are taken, and the two editions differ by 0.85 dE00 on the mean.
"""

import base64
import importlib.util
import json
from pathlib import Path

import chart
import cv2
import numpy as np
import pytest

from polypward_vision.colour.correct import ColourFit, fit_colour
from polypward_vision.colour.patches import PatchSamples, sample_patches
from polypward_vision.colour.science import SRGB_TO_XYZ_D50, delta_e_2000, lab_to_xyz, xyz_to_lab
from polypward_vision.load import DecodedPhoto, decode, load_photo

LAB = chart.published_lab()
CARD = chart.card_of(LAB)
WHITE = 18
Corners = tuple[tuple[float, float], ...]

# Pixels (x, y) of dark skin, bluish green, black and white in each picture; number = which of the
# notebook's pictures.
NOTEBOOK: dict[int, Corners] = {
    0: ((582, 456), (583, 243), (713, 243), (712, 457)),
    1: ((328, 218), (742, 231), (733, 472), (322, 461)),
}
# Photographs of plants with the chart (repository danforthcenter/plantcv at 3ffe3d8, MPL-2.0), kept
# outside this repository: small, contrasty, white clipped and black crushed.
PLANTS: dict[str, Corners] = {
    "source1_img.png": ((232.9, 166.2), (231.6, 272.9), (168.9, 272.0), (169.8, 165.8)),
    "target_img.png": ((233.8, 170.2), (231.6, 276.0), (168.9, 275.1), (171.1, 168.9)),
}


def notebook_photo(number: int) -> DecodedPhoto:
    """Picture `number` of the notebook; skips where the package is not installed."""
    found = importlib.util.find_spec("colour_checker_detection")
    if found is None or not found.submodule_search_locations:
        pytest.skip("colour-checker-detection is not installed (tests/outside/chart-photos.txt)")
    package = Path(next(iter(found.submodule_search_locations)))
    notebook = json.loads((package / "examples" / "examples_detection.ipynb").read_text("utf-8"))
    pictures = [
        output["data"]["image/png"]
        for cell in notebook["cells"]
        for output in cell.get("outputs", ())
        if "image/png" in output.get("data", {})
    ]
    return decode(base64.b64decode(pictures[number]))


def fitted(photo: DecodedPhoto, corners: Corners) -> tuple[PatchSamples, ColourFit]:
    centres = np.array([CARD.patches[index].centre_mm for index in (0, 5, 23, 18)], np.float32)
    to_px = cv2.getPerspectiveTransform(centres, np.array(corners, np.float32) / photo.scale)
    samples = sample_patches(photo, CARD, np.asarray(to_px, np.float64))
    return samples, fit_colour(photo, samples, CARD)


def white_balanced_error(samples: PatchSamples) -> float:
    """Mean dE00 when only the white patch is used: each channel scaled to its Y, sRGB primaries."""
    used = samples.usable & samples.usable[WHITE]
    if not used.any():
        return float("inf")
    white = samples.linear[WHITE] / lab_to_xyz(np.array([LAB[WHITE, 0], 0, 0]))[1]
    balanced = xyz_to_lab(samples.linear / white @ SRGB_TO_XYZ_D50.T)
    return float(delta_e_2000(balanced, LAB)[used].mean())


def raw_error(samples: PatchSamples) -> float:
    """Mean dE00 of the photo as it is, taken for sRGB."""
    return float(delta_e_2000(xyz_to_lab(samples.linear @ SRGB_TO_XYZ_D50.T), LAB).mean())


@pytest.mark.parametrize("number", NOTEBOOK)
def test_notebook_photo(number: int) -> None:
    """Left-out error plausible for a real photo (white light, no filter) and far under unfitted."""
    samples, fit = fitted(notebook_photo(number), NOTEBOOK[number])
    assert samples.usable.sum() >= 18
    assert fit.grade == "measured", fit.why
    assert fit.de00_mean is not None
    assert fit.de00_max is not None
    # Simulated fits of this chart leave 0.7 to 2.3 on the mean without noise.
    assert 0.3 < fit.de00_mean < 2.3
    assert fit.de00_max < 7
    assert raw_error(samples) > 10
    assert fit.de00_mean < raw_error(samples) / 6
    if np.isfinite(white_balanced_error(samples)):
        assert fit.de00_mean < white_balanced_error(samples) / 2


@pytest.mark.parametrize("number", NOTEBOOK)
def test_patches_in_the_wrong_order_are_refused(number: int) -> None:
    """The chart read upside down is no fit: the figures above are no accident of flexibility."""
    corners = NOTEBOOK[number]
    _, fit = fitted(notebook_photo(number), corners[2:] + corners[:2])
    assert fit.grade == "refused"


@pytest.mark.parametrize("name", PLANTS)
def test_plant_photo_is_refused_or_far_better_than_unfitted(real_photos: Path, name: str) -> None:
    """With four greys left of six the ramp cannot be told: a refusal with a reason is right."""
    samples, fit = fitted(load_photo(real_photos / "colour_charts" / name), PLANTS[name])
    assert not samples.usable[WHITE]
    if fit.grade == "refused":
        assert fit.why
    else:
        assert fit.de00_mean is not None
        assert fit.de00_mean < raw_error(samples) / 2
