"""Colours drawn at random."""

import numpy as np
import numpy.typing as npt

from phantoms.scene import Lab

__all__ = ["near"]


def near(
    rng: np.random.Generator, lab: Lab, spread: npt.ArrayLike, *, light: tuple[float, float]
) -> Lab:
    """Draw a colour near `lab` (Lab D50): SD `spread`, one or of each; L* held within `light`."""
    moved = np.array(lab) + rng.normal(0, spread, 3)
    return (float(np.clip(moved[0], *light)), float(moved[1]), float(moved[2]))
