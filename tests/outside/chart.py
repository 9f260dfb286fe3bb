"""The published 24-patch chart as colour-science carries it, for tests: a card, spectra, lamps."""

import functools

import colour
import numpy as np
import numpy.typing as npt

from polypward.records import Card, Patch
from polypward_vision.colour.patches import PatchSamples
from polypward_vision.photo import DecodedPhoto

Array = npt.NDArray[np.float64]

SHAPE = colour.SpectralShape(400, 700, 5)
WAVELENGTHS_NM = np.arange(400, 701, 5)
# A white that gives the chart's D50; colour-science's own reference white for these Lab values.
CHART = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]


def _values(spectrum: "colour.SpectralDistribution | colour.MultiSpectralDistributions") -> Array:
    return np.asarray(spectrum.copy().align(SHAPE).values)


def published_lab() -> Array:
    """Lab D50 (24, 3) of the chart since November 2014, its maker's data."""
    xyz = [colour.xyY_to_XYZ(value) for value in CHART.data.values()]
    return np.asarray(colour.XYZ_to_Lab(xyz, CHART.illuminant))


@functools.cache
def spectra() -> Array:
    """Reflectances (24, 61) of the chart, average of 30 charts (BabelColor), 400-700 nm."""
    return np.array(
        [_values(one) for one in colour.SDS_COLOURCHECKERS["BabelColor Average"].values()]
    )


@functools.cache
def unseen_spectra() -> Array:
    """The 99 reflectances (99, 61) of CIE 224:2017, none of them on the chart."""
    from colour.quality.cfi2017 import load_TCS_CIE2017

    return np.ascontiguousarray(_values(load_TCS_CIE2017(SHAPE)).T)


@functools.cache
def camera(name: str) -> Array:
    """Measured sensitivities (61, 3) of a camera (National Physical Laboratory)."""
    return _values(colour.MSDS_CAMERA_SENSITIVITIES[name])


@functools.cache
def lamp(name: str) -> Array:
    """Power (61,) of a CIE illuminant, or of ``blue-N``: N % of 450 nm blue mixed into LED-B3.

    The blue is a Gaussian of 20 nm width at half height; shares are of radiant power.
    """
    if not name.startswith("blue-"):
        return _values(colour.SDS_ILLUMINANTS[name])
    share = int(name[5:]) / 100
    blue = np.exp(-4 * np.log(2) * ((WAVELENGTHS_NM - 450) / 20) ** 2)
    white = _values(colour.SDS_ILLUMINANTS["LED-B3"])
    return np.asarray((1 - share) * white / white.sum() + share * blue / blue.sum())


def lab_of(reflectances: Array) -> Array:
    """Lab (N, 3) of reflectances under D50, 2 degree observer."""
    d50, observer = (
        _values(colour.SDS_ILLUMINANTS["D50"]),
        _values(colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]),
    )
    weights = observer * d50[:, None] / (observer[:, 1] @ d50)
    return np.asarray(colour.XYZ_to_Lab(reflectances @ weights, colour.XYZ_to_xy(weights.sum(0))))


def exposed(reflectances: Array, light: str, *, sensor: str = "Nikon 5100 (NPL)") -> Array:
    """Linear raw RGB (N, 3), white's strongest channel at 0.9."""
    weights = camera(sensor) * lamp(light)[:, None]
    return np.asarray(reflectances @ weights / weights.sum(0).max() * 0.9)


def card_of(lab: Array) -> Card:
    """The chart as a card: four rows of six 16 mm patches, the last row neutral."""
    patches = tuple(
        Patch(
            name=f"patch{index}",
            centre_mm=(10.0 + 20 * (index % 6), 10.0 + 20 * (index // 6)),
            size_mm=(16.0, 16.0),
            lab_d50=(float(one[0]), float(one[1]), float(one[2])),
            neutral=index >= 18,
        )
        for index, one in enumerate(lab)
    )
    return Card(
        layout="chart",
        version=1,
        serial="",
        size_mm=(120.0, 80.0),
        window_mm=None,
        markers=(),
        patches=patches,
        values="measured",
    )


def samples_of(linear: Array, *, unusable: tuple[int, ...] = ()) -> PatchSamples:
    """Patch samples of given linear RGB (N, 3), as if evenly lit and inside the picture."""
    high = np.zeros(len(linear))
    high[list(unusable)] = 1.0
    good = np.ones(len(linear), bool)
    return PatchSamples(
        linear=linear,
        noise=np.full(linear.shape, 1e-3),
        high=high,
        low=np.zeros(len(linear)),
        inside=good,
        even=good,
    )


def no_photo() -> DecodedPhoto:
    """A photo of no content: its encoding is sRGB."""
    return DecodedPhoto(rgb=np.zeros((8, 12, 3), np.uint8), full_size=(8, 12))
