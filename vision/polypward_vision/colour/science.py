"""Colour spaces and colour difference: sRGB, XYZ, CIELAB, Bradford, CIEDE2000.

Arrays have the shape (..., 3). float32 stays float32, everything else becomes float64.
"""

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

__all__ = [
    "D50_WHITE",
    "D65_WHITE",
    "SRGB_TO_XYZ_D50",
    "bradford",
    "delta_e_2000",
    "lab_to_xyz",
    "linear_to_srgb",
    "srgb_to_linear",
    "xyz_to_lab",
]

Array = npt.NDArray[np.floating[Any]]
ArrayLike = npt.ArrayLike

# Profile connection space of ICC.1:2022; Y = 1.
D50_WHITE = np.array([0.9642, 1.0, 0.8249])
# Chromaticity 0.3127, 0.3290 (IEC 61966-2-1:1999); Y = 1.
D65_WHITE = np.array([0.3127, 0.3290, 1 - 0.3127 - 0.3290]) / 0.3290
# Cone responses of Lam (1985), as in the ICC's note 02-2003.
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
# CIE 15: where the cube root becomes a line, and that line.
_DELTA = 6 / 29
# CIE 15: L, a and b of the cube roots.
_LAB = np.array([[0, 116.0, 0, -16], [500, -500, 0, 0], [0, 200, -200, 0]])


def _floating(values: ArrayLike) -> Array:
    array = np.asarray(values)
    return array if array.dtype == np.float32 else array.astype(np.float64)


def srgb_to_linear(values: ArrayLike) -> Array:
    """Linear light 0..1 of sRGB values 0..1, any shape (IEC 61966-2-1:1999)."""
    v = _floating(values)
    return np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0) + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(values: ArrayLike) -> Array:
    """Give sRGB values 0..1 of linear light 0..1, any shape (IEC 61966-2-1:1999)."""
    c = _floating(values)
    return np.where(c <= 0.0031308, 12.92 * c, 1.055 * np.maximum(c, 0) ** (1 / 2.4) - 0.055)


def bradford(source_white: ArrayLike, destination_white: ArrayLike) -> npt.NDArray[np.float64]:
    """Matrix (3, 3) that takes XYZ columns seen under one white to another (Bradford).

    Parameters
    ----------
    source_white, destination_white : array of shape (3,)
        XYZ of the two whites.
    """
    ratio = (_BRADFORD @ np.asarray(destination_white)) / (_BRADFORD @ np.asarray(source_white))
    return np.asarray(np.linalg.inv(_BRADFORD) @ np.diag(ratio) @ _BRADFORD, np.float64)


def primaries_to_xyz_d50(
    xy: tuple[tuple[float, float], tuple[float, float], tuple[float, float]],
) -> npt.NDArray[np.float64]:
    """Matrix (3, 3) from linear RGB columns with white D65 to XYZ D50 (Bradford)."""
    columns = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in xy]).T
    columns = columns * np.linalg.solve(columns, D65_WHITE)
    return np.asarray(bradford(D65_WHITE, D50_WHITE) @ columns, np.float64)


# Primaries of IEC 61966-2-1:1999 (ITU-R BT.709). ``xyz = SRGB_TO_XYZ_D50 @ rgb``.
SRGB_TO_XYZ_D50 = primaries_to_xyz_d50(((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)))


def xyz_to_lab(xyz: ArrayLike, white: ArrayLike = D50_WHITE) -> Array:
    """CIELAB of XYZ (CIE 15).

    Parameters
    ----------
    xyz : array of shape (..., 3)
        Perfect white has Y = 1.
    white : array of shape (3,)
        XYZ of the white.
    """
    values = _floating(xyz)
    if not values.size:
        return np.empty_like(values)
    pixels = np.ascontiguousarray(values).reshape(-1, 1, 3)
    share = cv2.transform(pixels, np.diag(1 / np.asarray(white, np.float64)))
    lab = cv2.transform(_root(np.asarray(share, values.dtype)), _LAB)
    return np.asarray(lab, values.dtype).reshape(values.shape)


def _root(share: Array) -> Array:
    """Cube root of a share of white, a line near 0 (CIE 15)."""
    # OpenCV's power of 32 bits is within 4e-7 of the root, in a tenth of NumPy's time.
    root = cv2.pow(share, 1 / 3) if share.dtype == np.float32 else np.cbrt(share)
    dark = share <= _DELTA**3
    if np.any(dark):
        root = np.where(dark, share / (3 * _DELTA**2) + 4 / 29, root)
    return np.asarray(root, share.dtype)


def lab_to_xyz(lab: ArrayLike, white: ArrayLike = D50_WHITE) -> Array:
    """XYZ of CIELAB (CIE 15), the inverse of `xyz_to_lab`."""
    values = _floating(lab)
    fy = (values[..., 0] + 16) / 116
    f = np.stack([fy + values[..., 1] / 500, fy, fy - values[..., 2] / 200], axis=-1)
    share = np.where(f > _DELTA, f**3, 3 * _DELTA**2 * (f - 4 / 29))
    return np.asarray(share * np.asarray(white, values.dtype))


def delta_e_2000(lab1: ArrayLike, lab2: ArrayLike) -> Array:
    """CIEDE2000 colour difference with kL = kC = kH = 1.

    Source: Sharma, Wu & Dalal 2005, Color Res. Appl. 30(1):21-30, equations 2 to 22.

    Parameters
    ----------
    lab1, lab2 : array of shape (..., 3)
        CIELAB; the shapes broadcast.
    """
    l1, a1, b1 = np.moveaxis(np.asarray(lab1, np.float64), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(lab2, np.float64), -1, 0)
    mean_chroma7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    stretch = 1 + 0.5 * (1 - np.sqrt(mean_chroma7 / (mean_chroma7 + 25.0**7)))
    c1, c2 = np.hypot(stretch * a1, b1), np.hypot(stretch * a2, b2)
    h1 = np.degrees(np.arctan2(b1, stretch * a1)) % 360
    h2 = np.degrees(np.arctan2(b2, stretch * a2)) % 360
    grey = c1 * c2 == 0
    turn = h2 - h1
    turn = np.where(turn > 180, turn - 360, np.where(turn < -180, turn + 360, turn))
    turn = np.where(grey, 0, turn)
    d_light, d_chroma = l2 - l1, c2 - c1
    d_hue = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn) / 2)
    light, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    total = h1 + h2
    hue = np.where(
        np.abs(h1 - h2) <= 180, total / 2, np.where(total < 360, total / 2 + 180, total / 2 - 180)
    )
    hue = np.where(grey, total, hue)
    t = (
        1
        - 0.17 * np.cos(np.radians(hue - 30))
        + 0.24 * np.cos(np.radians(2 * hue))
        + 0.32 * np.cos(np.radians(3 * hue + 6))
        - 0.20 * np.cos(np.radians(4 * hue - 63))
    )
    s_light = 1 + 0.015 * (light - 50) ** 2 / np.sqrt(20 + (light - 50) ** 2)
    s_chroma, s_hue = 1 + 0.045 * chroma, 1 + 0.015 * chroma * t
    rotation = (
        -np.sin(np.radians(60 * np.exp(-(((hue - 275) / 25) ** 2))))
        * 2
        * np.sqrt(chroma**7 / (chroma**7 + 25.0**7))
    )
    light_term, chroma_term, hue_term = d_light / s_light, d_chroma / s_chroma, d_hue / s_hue
    return np.asarray(
        np.sqrt(light_term**2 + chroma_term**2 + hue_term**2 + rotation * chroma_term * hue_term)
    )
