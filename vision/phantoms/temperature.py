"""How sure a map is, made honest: all probabilities raised to one power, fitted to known truth.

Temperature scaling (Guo, Pleiss, Sun & Weinberger 2017, Proc. ICML 70:1321-1330): the likeliest
label of a pixel stays the likeliest, only how sure it is moves. 1 changes nothing; above 1 the
map gets less sure of itself.
"""

from collections.abc import Iterable

import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["doubtful_pixels", "fit_temperature", "tempered"]

Array = npt.NDArray[np.float32]

# Probabilities under this are taken as this: a logarithm is needed.
FLOOR = np.float32(1e-6)
# Far from any specimen all is ground and sure; it would drown what counts.
AROUND_MM = 3.0
LOWEST, HIGHEST = 0.3, 4.0
STEPS = 40


def tempered(chances: Array, temperature: float) -> Array:
    """Return probabilities (..., labels) at a temperature; sums stay 1.

    Raises
    ------
    ValueError
        If `temperature` is not positive.
    """
    if not temperature > 0:
        raise ValueError(f"temperature must be positive, got {temperature}")
    if temperature == 1:
        return chances
    raised = np.maximum(chances, FLOOR) ** np.float32(1 / temperature)
    return np.asarray(raised / raised.sum(axis=-1, keepdims=True), np.float32)


def doubtful_pixels(
    found: npt.NDArray[np.uint8], true: npt.NDArray[np.uint8], *, mm_per_px: float
) -> npt.NDArray[np.bool_]:
    """Pixels of and around a specimen, found or true, of two label maps (rows, cols)."""
    body = ((found > 0) | (true > 0)).astype(np.uint8)
    apart = cv2.distanceTransform(1 - body, cv2.DIST_L2, 5) * mm_per_px
    return np.asarray(apart <= AROUND_MM)


def fit_temperature(pixels: Iterable[tuple[Array, npt.NDArray[np.uint8]]]) -> float:
    """Find the temperature at which the true labels are the least surprising.

    Parameters
    ----------
    pixels : iterable of (chances, labels)
        Of each cut-out: float32 (n, labels), and the true labels, (n,). Every cut-out counts alike.

    Raises
    ------
    ValueError
        If there is no pixel.
    """
    logs = [
        (np.log(np.maximum(chances, FLOOR)), labels) for chances, labels in pixels if len(labels)
    ]
    if not logs:
        raise ValueError("no pixel to fit a temperature to")

    def surprise(temperature: float) -> float:
        each = []
        for log, labels in logs:
            scaled = log / temperature
            scaled = scaled - scaled.max(axis=1, keepdims=True)
            own = scaled[np.arange(len(labels)), labels]
            each.append(float(np.mean(np.log(np.exp(scaled).sum(axis=1)) - own)))
        return float(np.mean(each))

    # Golden section on the logarithm; the surprise has one minimum (it is convex in 1/temperature).
    low, high = float(np.log(LOWEST)), float(np.log(HIGHEST))
    golden = (np.sqrt(5) - 1) / 2
    for _ in range(STEPS):
        one, two = high - golden * (high - low), low + golden * (high - low)
        if surprise(float(np.exp(one))) < surprise(float(np.exp(two))):
            high = float(two)
        else:
            low = float(one)
    return float(np.exp((low + high) / 2))
