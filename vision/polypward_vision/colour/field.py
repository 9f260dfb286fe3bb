"""How the light changes over the card: a smooth field fitted to patches of known brightness."""

from dataclasses import dataclass
from statistics import median
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["LightField", "fit_light_field"]

Array = npt.NDArray[np.float64]

# Patches needed before a curved field is told from a plane, and a plane from even light.
FOR_CURVED, FOR_PLANE = 20, 8
# The weakest part of the card still has this share of the middle's light; more is shadow.
WEAKEST = 0.35


@dataclass(frozen=True, slots=True, kw_only=True)
class LightField:
    """Light over the card: exp of a polynomial in card mm, 1 at the card's middle.

    `terms` belong to x, y, x², xy, y² with x and y in half card sizes from the middle. Beyond the
    card the light is that of its nearest edge.
    """

    size_mm: tuple[float, float]
    terms: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0, 0.0)

    def at(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> npt.NDArray[np.floating[Any]]:
        """Light at card coordinates that broadcast, relative to the middle."""
        half_x, half_y = self.size_mm[0] / 2, self.size_mm[1] / 2
        x = np.clip(np.asarray(x_mm) / half_x - 1, -1, 1)
        y = np.clip(np.asarray(y_mm) / half_y - 1, -1, 1)
        a, b, c, d, e = self.terms
        return np.asarray(np.exp(a * x + b * y + c * x * x + d * x * y + e * y * y))


def fit_light_field(
    log_light: Array, centres_mm: Array, weights: Array, *, size_mm: tuple[float, float]
) -> tuple[LightField, float]:
    """Fit the field to the logarithm of light over expected light at patches.

    Parameters
    ----------
    log_light : array of shape (N,)
        Logarithm of measured over expected brightness.
    centres_mm : array of shape (N, 2)
        Where the patches lie.
    weights : array of shape (N,)
        0 leaves a patch out.
    size_mm : (width, height)
        Of the card.

    Returns
    -------
    field, level
        `level` is the logarithm of the common factor, at the card's middle.
    """
    x = centres_mm[:, 0] / (size_mm[0] / 2) - 1
    y = centres_mm[:, 1] / (size_mm[1] / 2) - 1
    one = np.ones_like(x)
    used = weights > 0
    count = int(used.sum())
    columns = [one]
    if count >= FOR_PLANE and min(np.ptp(x[used]), np.ptp(y[used])) > 0.3:
        columns += [x, y]
        if count >= FOR_CURVED and min(np.ptp(x[used]), np.ptp(y[used])) > 1.0:
            columns += [x * x, x * y, y * y]
    design = np.stack(columns, axis=1)
    now = weights.astype(np.float64)
    terms: npt.NDArray[np.floating[Any]] = np.zeros(len(columns))
    for _ in range(5):  # robust: shaded, glaring or hidden patches
        root = np.sqrt(now)[:, None]
        terms, *_ = np.linalg.lstsq(design * root, log_light * root[:, 0], rcond=None)
        miss = np.abs(log_light - design @ terms)
        scale = max(1.4826 * median(miss[used].tolist()), 0.005) if count else 1.0
        now = weights * np.clip(1 - (miss / (5 * scale)) ** 2, 0, 1) ** 2
    bounded = np.zeros(5)
    bounded[: len(terms) - 1] = terms[1:]
    limit = -np.log(WEAKEST)
    bounded *= min(1.0, limit / max(float(np.abs(bounded).sum()), 1e-12))
    return LightField(size_mm=size_mm, terms=tuple(float(t) for t in bounded)), float(terms[0])
