"""Condition and recovery of a specimen, from live cover and paling."""

import math
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

__all__ = ["condition", "recovery"]

_DRAWS: Final = 2000
_SEED: Final = 20_260_101
_INTERVAL_PERCENT: Final = (5.0, 95.0)


def condition(
    cover: float, paling: float | None, *, cover_sd: float = 0.0, paling_sd: float = 0.0
) -> tuple[float, float] | None:
    """Photo condition: 100 times the geometric mean of live cover and colour (1 - paling).

    Parameters
    ----------
    cover : float
        Live cover, 0..1.
    paling : float or None
        Paling index, 0..1; None where there is none.
    cover_sd, paling_sd : float
        One standard deviation each.

    Returns
    -------
    value, sd : tuple of 2 floats, or None
        Points, 0..100; None without paling unless the cover is 0, where the condition is 0.

    Notes
    -----
    The SD is propagated to the product m = cover (1 - paling) and from there to its root, with m
    kept from below its own SD, where the root's slope has no bound.

    Examples
    --------
    >>> condition(0.81, 0.0)
    (90.0, 0.0)
    """
    if cover <= 0:
        return 0.0, 0.0
    if paling is None:
        return None
    colour = 1 - paling
    product = cover * colour
    product_sd = math.hypot(colour * cover_sd, cover * paling_sd)
    value = 100 * math.sqrt(product)
    if product_sd == 0:
        return value, 0.0
    return value, 50 * product_sd / math.sqrt(max(product, product_sd))


@cache
def _draws() -> npt.NDArray[np.float64]:
    """Draw fixed standard normals, shape (4, draws), the same for every specimen and run."""
    return np.random.default_rng(_SEED).standard_normal((4, _DRAWS))


def recovery(
    intake: tuple[float, float, float, float],
    now: tuple[float, float, float, float],
    *,
    min_room_points: float,
) -> tuple[float, float, float] | None:
    """Change of condition since intake as a share of what there was to gain or to lose.

    Parameters
    ----------
    intake, now : tuples of 4 floats
        Live cover, its SD, paling, its SD at the first visit and at the last.
    min_room_points : float
        Room (points of condition) below which the share means nothing.

    Returns
    -------
    value, low, high : tuple of 3 floats, or None
        -100..100 with a 90 % interval by parametric bootstrap (2000 draws, fixed seed, normal,
        cover and paling kept in 0..1). None without room: a gain (or no change) with less than
        `min_room_points` to 100, or a loss from an intake below it. A loss from an intake near
        100 is told only if its whole interval lies below 0.
    """
    start = condition(intake[0], intake[2])
    end = condition(now[0], now[2])
    if start is None or end is None:
        return None
    change = end[0] - start[0]
    gain_room, loss_room = 100 - start[0], start[0]
    if (change >= 0 and gain_room < min_room_points) or (
        change < 0 and loss_room < min_room_points
    ):
        return None
    z = _draws()

    def draw(state: tuple[float, float, float, float], row: int) -> npt.NDArray[np.float64]:
        cover = np.clip(state[0] + state[1] * z[row], 0, 1) if state[0] > 0 else np.zeros(_DRAWS)
        colour = 1 - np.clip(state[2] + state[3] * z[row + 1], 0, 1)
        return np.asarray(100 * np.sqrt(cover * colour), float)

    first, last = draw(intake, 0), draw(now, 2)
    moved = last - first
    room = np.where(moved >= 0, 100 - first, first)
    share = np.clip(100 * moved / np.maximum(room, min_room_points), -100, 100)
    low, high = (float(x) for x in np.percentile(share, _INTERVAL_PERCENT))
    value = 100 * change / (gain_room if change >= 0 else loss_room)
    if change < 0 and gain_room < min_room_points and high >= 0:
        return None
    return value, min(low, value), max(high, value)
