"""Cameras: what a sensor answers to light, where it stands, and what the phone makes of it."""

import functools
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from phantoms.lights import Lamp, lamp
from phantoms.spectra import WAVELENGTHS_NM, colour, reflectance, xyz_matrix

__all__ = ["DIAGONAL_35MM", "SENSORS", "Camera", "Develop", "Pose", "colour_matrix", "response"]

# Diagonal of a 36 x 24 mm frame, to which "35 mm equivalent" refers (CIPA DC-001 by the diagonal).
DIAGONAL_35MM = 43.2666

# Invented phone sensors: peaks (nm) and widths (nm, SD) of red, green, blue, and a share of
# cross-talk. Close to what dye filters give; no real product.
_PHONES: dict[str, tuple[tuple[float, float, float], tuple[float, float, float], float]] = {
    "phone-a": ((600, 535, 460), (34, 38, 27), 0.04),
    "phone-b": ((605, 530, 455), (30, 42, 24), 0.07),
    "phone-c": ((595, 540, 465), (38, 36, 30), 0.03),
    "phone-d": ((610, 528, 450), (28, 44, 28), 0.06),
    "phone-e": ((598, 532, 470), (42, 34, 26), 0.09),
    "phone-f": ((602, 538, 458), (36, 40, 32), 0.05),
    "phone-g": ((593, 526, 462), (33, 46, 25), 0.08),
    "phone-h": ((607, 541, 456), (31, 37, 29), 0.06),
}
SENSORS = ("Nikon 5100 (NPL)", "Sigma SDMerill (NPL)", *_PHONES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """Where the camera is: over the aim point, `distance_mm` above the card plane."""

    distance_mm: float = 360.0
    tilt_deg: float = 3.0
    tilt_towards_deg: float = 40.0
    roll_deg: float = 0.0
    offset_mm: tuple[float, float] = (0.0, 0.0)  # of the aim from the scene's middle


@dataclass(frozen=True, slots=True, kw_only=True)
class Develop:
    """What happens to light after the sensor's filters, up to the file."""

    white_level: float = 0.8  # linear value that white paper reaches
    white_error: tuple[float, float, float] = (1.0, 1.0, 1.0)  # faults of the white balance
    full_well: float = 20000.0  # electrons at 1.0
    read_noise: float = 4.0  # electrons
    defocus_px: float = 0.6
    motion_px: float = 0.0
    motion_deg: float = 0.0
    sharpen: float = 0.5
    tone: Literal["srgb", "gamma", "s-curve", "filmic"] = "s-curve"
    saturation: float = 1.08
    vignette: float = 0.08  # loss of light in the corner
    quality: int = 92


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """A camera ready to take one photo of `rows` x `cols` pixels."""

    rows: int = 3000
    cols: int = 4000
    sensor: str = "phone-a"
    focal_35mm: float = 26.0
    pose: Pose = field(default_factory=Pose)
    develop: Develop = field(default_factory=Develop)
    make: str = "Invented"
    model: str = "Pocket 1"

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return float(self.focal_35mm / DIAGONAL_35MM * np.hypot(self.rows, self.cols))


@functools.cache
def _sensitivities(sensor: str) -> npt.NDArray[np.float64]:
    """(31, 3) answers of R, G, B to radiant power; measured, or Gaussian for `_PHONES`."""
    if sensor in _PHONES:
        peaks, widths, leak = _PHONES[sensor]
        curves = np.stack(
            [
                np.exp(-0.5 * ((WAVELENGTHS_NM - peak) / width) ** 2)
                for peak, width in zip(peaks, widths, strict=True)
            ],
            axis=1,
        )
        return np.asarray((1 - leak) * curves + leak * curves.mean(axis=1, keepdims=True))
    data = colour.MSDS_CAMERA_SENSITIVITIES[sensor]
    return np.stack(
        [np.interp(WAVELENGTHS_NM, data.wavelengths, data.values[:, c]) for c in range(3)], axis=1
    )


def response(sensor: str, light: Lamp) -> npt.NDArray[np.float64]:
    """Matrix (31, 3) from reflectance to balanced linear camera RGB; white gives at most 1.

    Automatic white balance raises a weak channel four-fold at most, so a blue lamp stays blue.
    """
    raw = _sensitivities(sensor) * light.spectrum[:, None]
    raw = raw / _sensitivities(sensor).sum(axis=0)
    white = raw.sum(axis=0)
    gains = white.max() / np.maximum(white, white.max() / 4)
    return np.asarray(raw * gains / white.max())


@functools.cache
def colour_matrix(sensor: str) -> npt.NDArray[np.float64]:
    """Matrix (3, 3), camera RGB balanced under D55 to linear sRGB, as phones carry one.

    Fitted on smooth reflectances with white kept white; used under every lamp, so wrong under
    most, as in life.
    """
    rng = np.random.default_rng(5)
    labs = np.stack([rng.uniform(25, 85, 90), rng.normal(0, 25, 90), rng.normal(5, 28, 90)], axis=1)
    spectra = np.stack([reflectance((lab[0], lab[1], lab[2])) for lab in labs])
    camera = spectra @ response(sensor, lamp("D55"))
    # XYZ D50 to linear sRGB: IEC 61966-2-1 primaries, Bradford-adapted (ICC.1 sRGB profile).
    to_srgb = np.linalg.inv(
        np.array(
            [[0.43607, 0.38515, 0.14308], [0.22249, 0.71687, 0.06061], [0.01392, 0.09708, 0.71410]]
        )
    ).T
    wanted = spectra @ xyz_matrix() @ to_srgb
    # Columns sum to one: fit the differences to the green channel.
    base = camera[:, 1:2]
    free, *_ = np.linalg.lstsq(camera[:, [0, 2]] - base, wanted - base, rcond=None)
    matrix = np.zeros((3, 3))
    matrix[0], matrix[2] = free[0], free[1]
    matrix[1] = 1 - free.sum(axis=0)
    return matrix
