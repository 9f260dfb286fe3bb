"""Condition and recovery of a specimen, from live cover and paling."""

import math
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

__all__ = ["State", "condition", "recovery"]

_DRAWS: Final = 2000
_SEED: Final = 20_260_101
_INTERVAL_PERCENT: Final = (5.0, 95.0)
# Where a tissue map is wrong it can be very wrong: of 140 maps of held-out phantoms 74 % are
# within one of their own SDs, 86 % within 1.6 (a normal would have 90), 89 % within 2, 94 % within
# 3. A Student t of 3 degrees has 90 % within 2.4 and 94 % within 3.
_DOUBT_DEGREES: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Live cover and paling at one visit, shares 0..1, and their uncertainty.

    `cover_sd` and `paling_sd` are what repeat photos scatter by, one SD; `doubt_sd` is how much
    further the tissue map itself says that cover may be off.
    """

    cover: float
    paling: float | None
    cover_sd: float = 0.0
    doubt_sd: float = 0.0
    paling_sd: float = 0.0


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
def _draws() -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Draw fixed normals (4, draws) and heavy-tailed doubts (2, draws), the same for every run."""
    rng = np.random.default_rng(_SEED)
    return rng.standard_normal((4, _DRAWS)), rng.standard_t(_DOUBT_DEGREES, (2, _DRAWS))


def recovery(
    intake: State, now: State, *, min_room_points: float
) -> tuple[float, float, float] | None:
    """Change of condition since intake as a share of what there was to gain or to lose.

    Parameters
    ----------
    intake, now : State
        The first visit and the last.
    min_room_points : float
        Room (points of condition) below which the share means nothing.

    Returns
    -------
    value, low, high : tuple of 3 floats, or None
        -100..100 with a 90 % interval by parametric bootstrap (2000 draws, fixed seed; scatter
        normal, doubt by a Student t of 3 degrees, cover and paling kept in 0..1). None without
        room: a gain (or no change) with less than `min_room_points` to 100, or a loss from an
        intake below it. A loss from an intake near 100 is told only if its whole interval lies
        below 0.
    """
    start = condition(intake.cover, intake.paling)
    end = condition(now.cover, now.paling)
    if start is None or end is None:
        return None
    change = end[0] - start[0]
    gain_room, loss_room = 100 - start[0], start[0]
    if (change >= 0 and gain_room < min_room_points) or (
        change < 0 and loss_room < min_room_points
    ):
        return None
    first, last = _drawn(intake, 0), _drawn(now, 1)
    moved = last - first
    room = np.where(moved >= 0, 100 - first, first)
    share = np.clip(100 * moved / np.maximum(room, min_room_points), -100, 100)
    low, high = (float(x) for x in np.percentile(share, _INTERVAL_PERCENT))
    value = 100 * change / (gain_room if change >= 0 else loss_room)
    if change < 0 and gain_room < min_room_points and high >= 0:
        return None
    return value, min(low, value), max(high, value)


def _drawn(state: State, place: int) -> npt.NDArray[np.float64]:
    """Conditions (draws,) that a state may stand for; `place` is 0 at intake and 1 now."""
    normal, doubt = _draws()
    off = state.cover_sd * normal[2 * place] + state.doubt_sd * doubt[place]
    cover = np.clip(state.cover + off, 0, 1) if state.cover > 0 else np.zeros(_DRAWS)
    paling = np.clip((state.paling or 0.0) + state.paling_sd * normal[2 * place + 1], 0, 1)
    return np.asarray(100 * np.sqrt(cover * (1 - paling)), float)
