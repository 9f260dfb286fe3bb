"""Undo a phone's tone curve: from the photo's values to light, by the card's neutral patches."""

from dataclasses import dataclass
from functools import cached_property
from statistics import median
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator

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


@dataclass(frozen=True, kw_only=True, eq=False)
class ToneCurves:
    """Three monotone curves (PCHIP) from the photo's own linear RGB to light, white at Y = 1.

    `knots` and `light` have the shape (3, K): per channel, increasing. They equalise the channels
    on grey, so nothing else may balance white.
    """

    knots: Array
    light: Array

    @cached_property
    def _curves(self) -> list[Any]:
        return [
            PchipInterpolator(knots, light, extrapolate=False)
            for knots, light in zip(self.knots, self.light, strict=True)
        ]

    def __call__(self, linear: npt.ArrayLike) -> Array:
        """Light (..., 3) of the photo's linear RGB (..., 3)."""
        values = np.asarray(linear, np.float64)
        out = np.empty(values.shape)
        for channel in range(3):
            knots, light = self.knots[channel], self.light[channel]
            end = (light[-1] - light[-2]) / (knots[-1] - knots[-2])
            v = values[..., channel]
            inner = self._curves[channel](np.clip(v, 0, knots[-1]))
            out[..., channel] = np.where(v > knots[-1], light[-1] + end * (v - knots[-1]), inner)
        return out


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
    knots, lights = [], []
    for channel in range(3):
        pair = _rising(linear[:, channel], light[:, channel], smooth=smooth)
        if pair is None:
            return None
        knots.append(pair[0])
        lights.append(pair[1])
    return ToneCurves(knots=np.array(knots), light=np.array(lights))


def _rising(values: Array, light: Array, *, smooth: bool) -> tuple[Array, Array] | None:
    """Knots of one channel's curve, from 0 to beyond the brightest patch.

    A ramp whose printed values are far off may bend the curve until it falls somewhere; then a
    stiffer one is taken.
    """
    x, y = np.log(values), np.log(light)
    centre, half = (x.max() + x.min()) / 2, (x.max() - x.min()) / 2
    if half < SHORTEST_RAMP / 2:
        return None
    grid = np.linspace(-1, 1, 25)
    tries = [(degree, True) for degree in range(DEGREE, 0, -1)]
    for degree, even in tries if smooth else [(DEGREE, False), *tries]:
        line = _line((x - centre) / half, y, grid, degree=degree, smooth=even)
        if line is None:
            continue
        slope = np.diff(line) / (np.diff(grid) * half)
        if slope.min() < LEAST_SLOPE:
            continue
        low, high = np.clip((slope[0], slope[-1]), *SLOPES)
        below, above = np.array([-4.0, -2.5, -1.5, -0.8, -0.35]), np.array([0.2, 0.5])
        logs = centre + half * grid
        all_x = np.concatenate([logs[0] + below, logs, logs[-1] + above])
        all_y = np.concatenate([line[0] + low * below, line, line[-1] + high * above])
        return np.concatenate([[0.0], np.exp(all_x)]), np.concatenate([[0.0], np.exp(all_y)])
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
