"""Undo a phone's tone curve: from the photo's values to light, by the card's neutral patches."""

from dataclasses import dataclass
from statistics import median
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["FEWEST_LEVELS", "ToneCurves", "fit_tone_curves"]

Array = npt.NDArray[np.float64]

# Fewer different greys than this do not tell a curve.
FEWEST_LEVELS = 4
# Degree, in the logarithms, of the smooth curve that evens out the errors of a printed ramp.
DEGREE = 3
# Slope of log light over log value beyond the ramp's ends: any display curve's lies within.
SLOPES = (0.4, 2.5)
# A ramp that spans less than this in the logarithm of the photo's values, or a curve that rises
# less steeply, is no ramp.
SHORTEST_RAMP, LEAST_SLOPE = 0.8, 0.15
# So many knots that straight lines between them are within 0.1 % of a curve.
KNOTS = 65
# Of the photo's values: the least that has a logarithm here, and how far the ends reach.
DARKEST, BEYOND = 1e-9, 25.0


@dataclass(frozen=True, kw_only=True, eq=False)
class ToneCurves:
    """Three monotone curves from the photo's own linear RGB to light, white at Y = 1.

    `values` and `light` are natural logarithms, (3, K), increasing per channel and joined by
    straight lines. They equalise the channels on grey, so nothing else may balance white.
    """

    values: Array
    light: Array

    def __call__(self, linear: npt.ArrayLike) -> Array:
        """Light (..., 3) of the photo's linear RGB (..., 3)."""
        logs = np.log(np.maximum(np.asarray(linear, np.float64), DARKEST))
        channels = [np.interp(logs[..., c], self.values[c], self.light[c]) for c in range(3)]
        return np.asarray(np.exp(np.stack(channels, axis=-1)), np.float64)


def fit_tone_curves(linear: Array, light: Array, *, smooth: bool) -> ToneCurves | None:
    """Fit the curves to neutral patches.

    Parameters
    ----------
    linear : array of shape (N, 3)
        Neutral patches in the photo's own linear RGB.
    light : array of shape (N, 3)
        The light they send, in balanced channels (their Y, if they are quite neutral), times the
        illumination where they lie.
    smooth : bool
        True for a card whose printed values are not measured: a smooth curve through the ramp
        (a polynomial in the logarithms), which the printer's errors move less.

    Returns
    -------
    ToneCurves or None
        None where the ramp is too short or does not rise in some channel.
    """
    if len(light) < FEWEST_LEVELS or linear.min() <= 0 or light.min() <= 0:
        return None
    channels = []
    for channel in range(3):
        pair = _rising(np.log(linear[:, channel]), np.log(light[:, channel]), smooth=smooth)
        if pair is None:
            return None
        channels.append(pair)
    values, lights = zip(*channels, strict=True)
    return ToneCurves(values=np.array(values), light=np.array(lights))


def _rising(x: Array, y: Array, *, smooth: bool) -> tuple[Array, Array] | None:
    """Logarithms of one channel's curve, from black to far beyond the brightest patch.

    A ramp whose printed values are far off may bend the curve until it falls somewhere; then a
    stiffer one is taken.
    """
    centre, half = (x.max() + x.min()) / 2, (x.max() - x.min()) / 2
    if half < SHORTEST_RAMP / 2:
        return None
    grid = np.linspace(-1, 1, KNOTS)
    tries = [(degree, True) for degree in range(DEGREE, 0, -1)]
    for degree, even in tries if smooth else [(DEGREE, False), *tries]:
        line = _line((x - centre) / half, y, grid, degree=degree, smooth=even)
        if line is None:
            continue
        slope = np.diff(line) / (np.diff(grid) * half)
        if slope.min() < LEAST_SLOPE:
            continue
        low, high = np.clip((slope[0], slope[-1]), *SLOPES)
        knots = np.concatenate([[-BEYOND], centre + half * grid, [BEYOND]])
        ends = line[0] - low * (knots[1] + BEYOND), line[-1] + high * (BEYOND - knots[-2])
        return knots, np.concatenate([ends[:1], line, ends[1:]])
    return None


def _line(t: Array, y: Array, grid: Array, *, degree: int, smooth: bool) -> Array | None:
    """Robust polynomial of `degree` over the grid; with every bend of the ramp unless `smooth`."""
    weights = np.ones(len(t))
    powers = np.vander(t, degree + 1, increasing=True)
    fit: npt.NDArray[np.floating[Any]] = np.zeros(degree + 1)
    for _ in range(6):  # robust: hidden or shaded patches must not bend the curve
        rows = powers * weights[:, None]
        try:  # few terms of numbers from -1 to 1: the normal equations are as good, and faster
            fit = np.linalg.solve(rows.T @ rows, rows.T @ (y * weights))
        except np.linalg.LinAlgError:
            return None
        miss = np.abs(y - powers @ fit)
        scale = max(1.4826 * median(miss.tolist()), 0.01)
        weights = np.clip(1 - (miss / (5 * scale)) ** 2, 0, 1)
        if np.count_nonzero(weights) < max(FEWEST_LEVELS, degree + 2):
            return None
    line = np.vander(grid, degree + 1, increasing=True) @ fit
    if not smooth:
        line = line + _bends(t, y - powers @ fit, weights, grid)
    return np.asarray(line, np.float64)


def _bends(t: Array, miss: Array, weights: Array, grid: Array) -> Array:
    """Give what the smooth curve misses at each grey, joined by straight lines over the grid."""
    order = np.argsort(t)
    t, miss, weights = t[order], miss[order], weights[order]
    starts = np.concatenate([[0], np.flatnonzero(np.diff(t) > 0.08) + 1])
    total = np.maximum(np.add.reduceat(weights, starts), 1e-9)
    place = np.add.reduceat(weights * t, starts) / total
    level = np.add.reduceat(weights * miss, starts) / total
    real = np.add.reduceat(weights, starts) > 0.2
    return np.interp(grid, place[real], level[real])
