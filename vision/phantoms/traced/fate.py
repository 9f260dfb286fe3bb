"""What a traced specimen has lost, and where: the labels of its grid."""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.fields import Field
from phantoms.scene import Lab
from phantoms.traced.form import Form
from phantoms.traced.settings import Growth
from polypward.labels import BACKGROUND, BARE, LIVE, OVERGROWN

__all__ = ["Fate", "fated"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fate:
    """What the specimen has lost: shares of its area, and in which order."""

    bare: float
    overgrown: float
    order: str  # rim, edge, patches, middle, top, heads
    ragged_mm: float
    skeleton: Lab
    septa_mm: float  # half the height of the septa
    growth: Growth


def fated(form: Form, fate: Fate, inside: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint8]:
    """Label the shares of the area inside: what dies first is overgrown, then bare, then live."""
    rng = form.grid.rng
    labels = np.where(inside, LIVE, BACKGROUND).astype(np.uint8)
    spots = np.flatnonzero(inside)
    ranked = spots[np.argsort(_order(form, fate, inside).ravel()[spots])]
    over = round(fate.overgrown * len(spots))
    gone = round(min(fate.overgrown + fate.bare, 1) * len(spots))
    flat = labels.ravel()
    flat[ranked[:over]] = OVERGROWN
    flat[ranked[over:gone]] = BARE
    if fate.overgrown and rng.random() < 0.4:  # growth also settles in spots on what is bare
        spot = form.grid.noise(rng.uniform(2, 6)).ravel()[ranked[:gone]] > rng.uniform(0.4, 1.6)
        flat[ranked[:gone][spot]] = OVERGROWN
    return labels


def _order(form: Form, fate: Fate, inside: npt.NDArray[np.bool_]) -> Field:
    """Field that is low where tissue goes first."""
    grid = form.grid
    ragged = np.float32(fate.ragged_mm) * (grid.noise(7) + np.float32(0.4) * grid.noise(2))
    if fate.order == "heads" and form.order is not None:
        order = form.order + 0.02 * ragged
    elif fate.order == "edge":
        angle = grid.rng.uniform(0, 2 * np.pi)
        order = grid.x * np.cos(angle) + grid.y * np.sin(angle) + ragged
    elif fate.order == "patches":
        order = grid.noise(grid.rng.uniform(0.15, 0.5) * grid.radius) + 0.08 * ragged
    elif fate.order == "middle":
        order = form.across * grid.radius * 0.5 + ragged
    elif fate.order == "top":
        order = -grid.soft(form.z, 2) + 0.6 * ragged
    else:
        away = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 5)
        order = np.asarray(away) * grid.step + 0.7 * ragged
    return np.asarray(order, np.float32)
