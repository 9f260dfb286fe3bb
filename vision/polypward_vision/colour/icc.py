"""What a photo's numbers mean: its transfer curves and primaries, from the ICC profile it carries.

Phones write matrix/TRC profiles (sRGB, Display P3); other kinds are taken for sRGB.
"""

import struct
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from polypward_vision.colour.science import (
    SRGB_TO_XYZ_D50,
    linear_to_srgb,
    primaries_to_xyz_d50,
    srgb_to_linear,
)

__all__ = ["DISPLAY_P3_TO_XYZ_D50", "Encoding", "encoding_of_profile"]

# Primaries of SMPTE RP 431-2 with the white D65, which phones call Display P3.
DISPLAY_P3_TO_XYZ_D50 = primaries_to_xyz_d50(((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)))
# Steps of a transfer curve's table; linear in between.
_STEPS = 4096


def _srgb_curves() -> npt.NDArray[np.float64]:
    return np.tile(srgb_to_linear(np.linspace(0, 1, _STEPS)), (3, 1))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Encoding:
    """Transfer curves and primaries of a photo's values.

    `top` is the largest value (255 or 65535). `curves` has the shape (3, N): linear light 0..1 of
    evenly spaced values 0..`top` for R, G, B. ``xyz_d50 = matrix @ linear``.
    """

    top: float = 255.0
    curves: npt.NDArray[np.float64] = field(default_factory=_srgb_curves)
    matrix: npt.NDArray[np.float64] = field(default_factory=lambda: SRGB_TO_XYZ_D50)
    name: str = "sRGB"

    def to_linear(self, values: npt.ArrayLike) -> npt.NDArray[np.float32]:
        """Linear RGB 0..1, float32 (..., 3), of the photo's values (..., 3).

        uint8 and uint16 go through a table; floats are interpolated and may stand between values.
        """
        array = np.asarray(values)
        out = np.empty(array.shape, np.float32)
        grid = np.linspace(0, self.top, self.curves.shape[1])
        whole = array.dtype.kind == "u" and self.top <= np.iinfo(array.dtype).max
        steps: npt.NDArray[Any] = np.arange(int(self.top) + 1)
        for channel in range(3):
            curve = self.curves[channel]
            if whole and array.shape[0] * array.shape[-2 if array.ndim > 1 else 0] > len(steps):
                table = np.interp(steps, grid, curve).astype(np.float32)
                out[..., channel] = table[array[..., channel]]
            else:
                out[..., channel] = np.interp(array[..., channel], grid, curve)
        return out

    def to_xyz_d50(self, values: npt.ArrayLike) -> npt.NDArray[np.float32]:
        """XYZ D50, float32 (..., 3), of the photo's values (..., 3), white at Y = 1."""
        return np.asarray(self.to_linear(values) @ self.matrix.T.astype(np.float32))

    def white_share(self, linear: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Values 0..1 of linear light (..., 3) by the sRGB curve: for judging, not for display."""
        return np.asarray(linear_to_srgb(np.clip(linear, 0, 1)), np.float64)


def encoding_of_profile(profile: bytes | None, *, top: float) -> Encoding:
    """Read an ICC profile (ICC.1:2022).

    Parameters
    ----------
    profile : bytes or None
        The profile as the picture file carries it. None, a damaged one or one that is not of the
        matrix/TRC kind is taken for sRGB.
    top : float
        Largest value of the photo, 255 or 65535.
    """
    if profile:
        try:
            found = _matrix_profile(profile)
        except (struct.error, ValueError, IndexError, KeyError, ArithmeticError):
            found = None
        if found is not None:
            curves, matrix, name = found
            return Encoding(top=top, curves=curves, matrix=matrix, name=name)
    return Encoding(top=top)


def _matrix_profile(
    profile: bytes,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], str] | None:
    if len(profile) < 132 or profile[36:40] != b"acsp" or profile[16:20] != b"RGB ":
        return None
    (count,) = struct.unpack_from(">I", profile, 128)
    tags: dict[bytes, bytes] = {}
    for index in range(min(count, 100)):
        name, at, size = struct.unpack_from(">4sII", profile, 132 + 12 * index)
        tags[name] = profile[at : at + size]
    matrix = np.array([_xyz(tags[name]) for name in (b"rXYZ", b"gXYZ", b"bXYZ")]).T
    curves = np.stack([_curve(tags[name]) for name in (b"rTRC", b"gTRC", b"bTRC")])
    if not np.isfinite(curves).all() or abs(np.linalg.det(matrix)) < 1e-3:
        return None
    if np.abs(matrix.sum(axis=1) - (0.9642, 1.0, 0.8249)).max() > 0.05 or curves[:, -1].min() < 0.5:
        return None  # its white is no white
    return curves, matrix, _name(matrix)


def _name(matrix: npt.NDArray[np.float64]) -> str:
    for name, known in (("sRGB", SRGB_TO_XYZ_D50), ("Display P3", DISPLAY_P3_TO_XYZ_D50)):
        if np.abs(matrix - known).max() < 2e-3:
            return name
    return "RGB profile"


def _fixed(data: bytes, at: int, count: int) -> npt.NDArray[np.float64]:
    """Numbers of type s15Fixed16Number."""
    return np.array(struct.unpack_from(f">{count}i", data, at)) / 65536


def _xyz(tag: bytes) -> npt.NDArray[np.float64]:
    if tag[:4] != b"XYZ ":
        raise ValueError("a colorant is not of type XYZ")
    return _fixed(tag, 8, 3)


def _curve(tag: bytes) -> npt.NDArray[np.float64]:
    """Linear light on `_STEPS` even values, from a curveType or parametricCurveType tag."""
    x = np.linspace(0, 1, _STEPS)
    if tag[:4] == b"curv":
        (count,) = struct.unpack_from(">I", tag, 8)
        if count == 0:
            return x
        points = np.array(struct.unpack_from(f">{count}H", tag, 12), np.float64)
        if count == 1:
            return np.asarray(x ** (points[0] / 256))
        return np.interp(x, np.linspace(0, 1, count), points / 65535)
    if tag[:4] != b"para":
        raise ValueError("a transfer curve is of neither known type")
    (kind,) = struct.unpack_from(">H", tag, 8)
    g, a, b, c, d, e, f = _parameters(kind, _fixed(tag, 12, (1, 3, 4, 5, 7)[kind]))
    curve = np.where(x >= d, np.maximum(a * x + b, 0) ** g + e, c * x + f)
    return np.clip(curve, 0, 1)


def _parameters(kind: int, p: npt.NDArray[np.float64]) -> tuple[float, ...]:
    """Bring the five function types of a parametricCurveType to the longest one."""
    g = float(p[0])
    if kind == 0:
        return (g, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    a, b = float(p[1]), float(p[2])
    if kind == 1:
        return (g, a, b, 0.0, -b / a, 0.0, 0.0)
    if kind == 2:
        c = float(p[3])
        return (g, a, b, 0.0, -b / a, c, c)
    c, d = float(p[3]), float(p[4])
    if kind == 3:
        return (g, a, b, c, d, 0.0, 0.0)
    return (g, a, b, c, d, float(p[5]), float(p[6]))
