"""Smooth spectra from linear sRGB, as Mitsuba's own table gives them, for many nodes at once."""

import functools
import importlib.util
from pathlib import Path

import numpy as np

from phantoms.fields import Field

__all__ = ["coefficients"]


@functools.cache
def _table() -> tuple[Field, Field]:
    """Return steps (res,) of brightness and coefficients (3 res^3, 3) of mitsuba's srgb.coeff."""
    found = importlib.util.find_spec("mitsuba")
    if found is None or found.origin is None:
        raise ModuleNotFoundError("phantoms.traced needs Mitsuba 3.9: pip install mitsuba")
    data = (Path(found.origin).parent / "data" / "srgb.coeff").read_bytes()
    side = int(np.frombuffer(data, "<u4", 1, 4)[0])
    values = np.frombuffer(data, "<f4", offset=8)
    return values[:side], values[side : side + 9 * side**3].reshape(-1, 3)


def coefficients(rgb: Field) -> Field:
    """Coefficients (n, 3) of the sigmoid of a parabola that reflects linear sRGB (n, 3).

    Jakob & Hanika 2019, Computer Graphics Forum 38(2):147-155, read as in its authors' code.
    """
    steps, table = _table()
    side = len(steps)
    # The table has no greys of exactly equal channels: keep them a hair apart.
    rgb = np.clip(rgb, 1e-4, 0.9999) + np.array([0, 1e-5, 2e-5], np.float32)
    most = rgb.argmax(axis=1)
    turned = np.take_along_axis(rgb, (most[:, None] + np.arange(3)) % 3, axis=1)
    z = turned[:, 0]
    x, y = (turned[:, k] / z * (side - 1) for k in (1, 2))
    xi, yi = (np.minimum(v.astype(np.int32), side - 2) for v in (x, y))
    zi = np.clip(np.searchsorted(steps, z, side="right") - 1, 0, side - 2)
    fx, fy = (x - xi)[:, None], (y - yi)[:, None]
    fz = ((z - steps[zi]) / (steps[zi + 1] - steps[zi]))[:, None]
    at = ((most * side + zi) * side + yi) * side + xi
    row, sheet = side, side * side
    out = np.zeros_like(rgb)
    for shift, weight in ((0, 1 - fz), (sheet, fz)):
        low = table[at + shift] * (1 - fx) + table[at + shift + 1] * fx
        high = table[at + shift + row] * (1 - fx) + table[at + shift + row + 1] * fx
        out += weight * (low * (1 - fy) + high * fy)
    return np.asarray(out, np.float32)
