"""sRGB, chromatic adaptation and CIELAB against published values.

Sources beside each table. Where only the published formula was at hand, the number is what
colour-science 0.4.7 computes from it, written here as a literal.
"""

import colour
import numpy as np
import pytest

from polypward_vision.colour.science import (
    D50_WHITE,
    D65_WHITE,
    SRGB_TO_XYZ_D50,
    bradford,
    lab_to_xyz,
    linear_to_srgb,
    srgb_to_linear,
    xyz_to_lab,
)

CHART = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
# The 24-patch chart's Lab D50 from its maker's data of November 2014, as colour-science carries it.
CHART_LAB_D50 = {
    "dark skin": (37.54, 14.37, 14.92),
    "foliage": (43.46, -12.74, 22.72),
    "blue": (28.37, 15.42, -49.80),
    "red": (42.43, 51.05, 28.62),
    "yellow": (81.80, 2.67, 80.41),
    "cyan": (49.57, -29.71, -28.32),
    "white 9.5 (.05 D)": (95.19, -1.03, 2.93),
    "neutral 8 (.23 D)": (81.29, -0.57, 0.44),
    "neutral 6.5 (.44 D)": (66.89, -0.75, -0.06),
    "neutral 5 (.70 D)": (50.76, -0.13, 0.14),
    "neutral 3.5 (1.05 D)": (35.63, -0.46, -0.48),
    "black 2 (1.5 D)": (20.64, 0.07, -0.46),
}


@pytest.mark.parametrize(
    ("encoded", "linear"),
    # IEC 61966-2-1:1999, the decoding formula.
    [(10 / 255, 0.00303527), (0.5, 0.21404114), (128 / 255, 0.21586050), (0.0, 0.0), (1.0, 1.0)],
)
def test_srgb_decoding(encoded: float, linear: float) -> None:
    decoded = float(srgb_to_linear(np.array(encoded)))
    assert decoded == pytest.approx(linear, abs=1e-7)
    assert float(linear_to_srgb(np.array(decoded))) == pytest.approx(encoded, abs=1e-9)


def test_srgb_branches_meet() -> None:
    """IEC 61966-2-1: at 0.04045 the line and the power give 0.0031308 both."""
    around = srgb_to_linear(np.array([0.04045 - 1e-9, 0.04045, 0.04045 + 1e-9]))
    np.testing.assert_allclose(around, 0.0031308, atol=1e-6)


def test_srgb_against_colour_science() -> None:
    levels = np.arange(256) / 255
    np.testing.assert_allclose(
        srgb_to_linear(levels), colour.models.eotf_sRGB(levels), rtol=0, atol=1e-12
    )


def test_bradford_of_the_icc_chadtag_note() -> None:
    """ICC Technical Note 02-2003, 'Chadtag': from its D65 to its D50, printed to 8 decimals."""
    expected = [
        [1.04790738, 0.02293338, -0.05020163],
        [0.02960596, 0.99045604, -0.01707553],
        [-0.00924679, 0.01506268, 0.75179123],
    ]
    matrix = bradford(np.array([0.9504, 1.0, 1.0889]), np.array([0.9642, 1.0, 0.8249]))
    np.testing.assert_allclose(matrix, expected, atol=1e-8)


def test_bradford_of_lindbloom() -> None:
    """B. Lindbloom, page 'Chromatic Adaptation': D65 to D50 of ASTM E308, printed to 7 decimals."""
    expected = [
        [1.0478112, 0.0228866, -0.0501270],
        [0.0295424, 0.9904844, -0.0170491],
        [-0.0092345, 0.0150436, 0.7521316],
    ]
    matrix = bradford(np.array([0.95047, 1.0, 1.08883]), np.array([0.96422, 1.0, 0.82521]))
    np.testing.assert_allclose(matrix, expected, atol=1e-6)


def test_bradford_takes_one_white_to_the_other() -> None:
    matrix = bradford(D65_WHITE, D50_WHITE)
    np.testing.assert_allclose(matrix @ D65_WHITE, D50_WHITE, atol=1e-12)
    np.testing.assert_allclose(bradford(D50_WHITE, D65_WHITE) @ matrix, np.eye(3), atol=1e-12)


@pytest.mark.parametrize(
    ("xyz", "lab"),
    [
        # CIE 15, the formula with white (0.9642, 1, 0.8249); the second row is its straight branch.
        ((0.2, 0.3, 0.1), (61.6542, -38.7397, 34.9031)),
        ((0.004, 0.005, 0.003), (4.5165, -3.3153, 2.1231)),
    ],
)
def test_lab_of_xyz(xyz: tuple[float, ...], lab: tuple[float, ...]) -> None:
    white = np.array([0.9642, 1.0, 0.8249])
    np.testing.assert_allclose(xyz_to_lab(np.array(xyz), white), lab, atol=1e-3)
    np.testing.assert_allclose(lab_to_xyz(np.array(lab), white), xyz, atol=1e-6)


def test_the_white_we_use_is_a_d50() -> None:
    """The D50s in use (ICC, CIE, ASTM E308) lie within 0.0005 of each other in XYZ."""
    np.testing.assert_allclose(D50_WHITE, [0.9642, 1.0, 0.8250], atol=5e-4)
    np.testing.assert_allclose(D65_WHITE, [0.9505, 1.0, 1.0889], atol=5e-4)


@pytest.mark.parametrize("patch", CHART_LAB_D50)
def test_chart_lab(patch: str) -> None:
    """The chart's published xyY gives its published Lab; 0.02 covers the different D50s."""
    xyz = colour.xyY_to_XYZ(CHART.data[patch])
    np.testing.assert_allclose(xyz_to_lab(xyz), CHART_LAB_D50[patch], atol=0.02)


def test_chart_lab_against_two_libraries() -> None:
    """All 24 patches: ours against colour-science and scikit-image with the same white."""
    from skimage.color import xyz2lab

    xyz = np.array([colour.xyY_to_XYZ(xyy) for xyy in CHART.data.values()])
    white = colour.xyY_to_XYZ([*CHART.illuminant, 1.0])
    ours = xyz_to_lab(xyz, white)
    np.testing.assert_allclose(ours, colour.XYZ_to_Lab(xyz, CHART.illuminant), atol=1e-9)
    # scikit-image holds its own D50, five digits of (0.96422, 1, 0.82521): up to 0.022 apart.
    np.testing.assert_allclose(ours, xyz2lab(xyz, illuminant="D50"), atol=0.03)
    np.testing.assert_allclose(lab_to_xyz(ours, white), xyz, atol=1e-12)


def test_srgb_red_in_lab_d50() -> None:
    """Pure sRGB red is Lab D50 54.292 80.812 69.885 by Lindbloom's matrices (colour-science)."""
    red = xyz_to_lab(SRGB_TO_XYZ_D50 @ srgb_to_linear(np.array([1.0, 0.0, 0.0])))
    np.testing.assert_allclose(red, [54.292, 80.812, 69.885], atol=0.03)
    white = xyz_to_lab(SRGB_TO_XYZ_D50 @ np.ones(3))
    np.testing.assert_allclose(white, [100, 0, 0], atol=0.02)
