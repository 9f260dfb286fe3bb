"""Reflectances on 400-700 nm and what an eye sees of them: the ground that all renders stand on."""

import functools
import warnings

import numpy as np
import numpy.typing as npt

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # colour warns at import that it can draw no plots
    import colour

__all__ = ["WAVELENGTHS_NM", "colour", "lab_of", "reflectance", "resampled", "xyz_matrix"]

Spectra = npt.NDArray[np.float64]

WAVELENGTHS_NM = np.arange(400.0, 701.0, 10.0)
# ICC profile connection space, ICC.1:2022.
_D50 = np.array([0.9642, 1.0, 0.8249])


def resampled(distribution: "colour.SpectralDistribution") -> Spectra:
    """Values of a colour-science spectrum on `WAVELENGTHS_NM`, shape (31,)."""
    return np.interp(WAVELENGTHS_NM, distribution.wavelengths, distribution.values)


@functools.cache
def xyz_matrix() -> Spectra:
    """Matrix (31, 3) from reflectance to XYZ under D50, scaled so that perfect white is D50.

    Source: CIE 1931 2 degree observer and CIE D50 as colour-science carries them.
    """
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    curves = np.stack(
        [
            np.interp(WAVELENGTHS_NM, observer.wavelengths, observer.values[:, channel])
            for channel in range(3)
        ],
        axis=1,
    )
    matrix = curves * resampled(colour.SDS_ILLUMINANTS["D50"])[:, None]
    return np.asarray(matrix * (_D50 / matrix.sum(axis=0)))


def lab_of(xyz: npt.NDArray[np.floating]) -> npt.NDArray[np.floating]:
    """CIELAB D50 of XYZ of shape (..., 3) whose perfect white is D50 (CIE 15)."""
    share = np.maximum(xyz / _D50.astype(xyz.dtype), 0)
    f = np.where(share > (6 / 29) ** 3, np.cbrt(share), share * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])],
        axis=-1,
    )


def _xyz_of(lab: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    fy = (lab[0] + 16) / 116
    f = np.array([fy + lab[1] / 500, fy, fy - lab[2] / 200])
    share = np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29))
    return np.asarray(share * _D50)


@functools.lru_cache(maxsize=4096)
def _reflectance(L: float, a: float, b: float) -> tuple[float, ...]:  # noqa: N803
    """Least hyperbolic tangent slope squared (Burns 2020, Color Res. Appl. 45:8-21)."""
    matrix = xyz_matrix()
    count = len(WAVELENGTHS_NM)
    slope = 4 * np.eye(count) - 2 * np.eye(count, k=1) - 2 * np.eye(count, k=-1)
    slope[0, 0] = slope[-1, -1] = 2
    for saturation in (1, 0.9, 0.8, 0.7, 0.55, 0.4, 0.2, 0):  # no real surface is that colourful
        target = _xyz_of(np.array([L, a * saturation, b * saturation]))
        z, lagrange = np.zeros(count), np.zeros(3)
        for _ in range(60):
            value, rise = (np.tanh(z) + 1) / 2, (1 - np.tanh(z) ** 2) / 2
            pull = matrix @ lagrange
            fault = np.concatenate([slope @ z + rise * pull, value @ matrix - target])
            jacobian = np.zeros((count + 3, count + 3))
            jacobian[:count, :count] = slope + np.diag(-2 * np.tanh(z) * rise * pull)
            jacobian[:count, count:] = rise[:, None] * matrix
            jacobian[count:, :count] = (rise[:, None] * matrix).T
            try:
                step = np.linalg.solve(jacobian, -fault)
            except np.linalg.LinAlgError:
                break
            z = z + np.clip(step[:count], -2, 2)
            lagrange = lagrange + step[count:]
            if np.abs(step).max() < 1e-8:
                return tuple((np.tanh(z) + 1) / 2)
    raise ValueError(f"no surface reflects Lab {L:.1f} {a:.1f} {b:.1f}")


def reflectance(lab: tuple[float, float, float]) -> Spectra:
    """Draw the smoothest reflectance, shape (31,), that has the colour `lab` (CIELAB, D50).

    Colours that no surface can have are made less colourful until one can.

    Raises
    ------
    ValueError
        If `lab` has L outside 1 .. 99.
    """
    L, a, b = (round(float(value), 3) for value in lab)  # noqa: N806
    if not 1 <= L <= 99:
        raise ValueError(f"lab must have L in 1 .. 99, got {L}")
    return np.array(_reflectance(L, a, b))
