"""A control chart of a card: whether its patches still look as they did when it was new.

Each photo of a card leaves residuals: what its patches read, corrected, minus their nominal Lab.
Print errors are in all of them alike, so a card that has faded, yellowed or got wet shows as a
drift away from its first photos. The drift is followed by an exponentially weighted moving average
(Roberts 1959, Technometrics 1:239-250; its variance is lambda / (2 - lambda) of a photo's) of every
patch and channel, drawn together into one root mean square colour difference (CIE 1976).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

__all__ = ["BASELINE", "CardChart", "CardPoint", "chart_card"]

Array = npt.NDArray[np.float64]

# Photos that tell how the card was when new.
BASELINE = 8
WEIGHT = 0.3
# Limit: so many standard errors over what noise alone gives, and never under what an eye would
# hardly see side by side (common practice, no source).
SIGMAS, LEAST_DE = 3.0, 1.5
# So many photos in a row outside the limit make a change: one may have been shaded.
IN_A_ROW = 3


@dataclass(frozen=True, slots=True)
class CardPoint:
    """One photo of the card: when, how far it has drifted, and the limit, dE (CIE 1976)."""

    at: datetime
    drift_de: float
    limit_de: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CardChart:
    """The chart of one card under one lamp.

    `since` is when the drift that still stands went over the limit; None while it has not.
    `patches` are the names of those that changed most now, with their change in L, a and b.
    """

    points: tuple[CardPoint, ...]
    photos: int
    since: datetime | None
    patches: tuple[tuple[str, tuple[float, float, float]], ...]

    @property
    def ready(self) -> bool:
        """Whether there are photos enough to chart any."""
        return bool(self.points)


def chart_card(
    times: Sequence[datetime], residuals: Sequence[Array], *, names: Sequence[str]
) -> CardChart:
    """Chart a card.

    Parameters
    ----------
    times : sequence of datetime
        Of the photos, in order.
    residuals : sequence of arrays of shape (P, 3)
        Corrected minus nominal Lab of each photo; NaN where a patch could not be read.
    names : sequence of str
        Of the P patches.

    Returns
    -------
    CardChart
        Without points where there are no more photos than the baseline takes.
    """
    count = len(times)
    if count <= BASELINE:
        return CardChart(points=(), photos=count, since=None, patches=())
    stack = np.stack(residuals)
    first = stack[:BASELINE]
    seen = np.isfinite(first).all(axis=2).sum(axis=0) >= BASELINE // 2
    start = np.nanmean(first[:, seen], axis=0)
    noise = np.nanstd(first[:, seen], axis=0, ddof=1)
    # A photo's noise of a patch's colour difference, all three channels.
    sigma = float(np.sqrt((noise**2).sum(axis=1).mean()))
    state = np.zeros_like(start)
    points = []
    for number in range(BASELINE, count):
        new = stack[number][seen] - start
        known = np.isfinite(new).all(axis=1)
        state[known] += WEIGHT * (new[known] - state[known])
        drift = float(np.sqrt((state**2).sum(axis=1).mean()))
        passed = number - BASELINE + 1
        share = WEIGHT / (2 - WEIGHT) * (1 - (1 - WEIGHT) ** (2 * passed)) + 1 / BASELINE
        # Noise of a photo is in part common to its patches, so the root mean square scatters as
        # one colour difference does.
        limit = max(LEAST_DE, SIGMAS * sigma * float(np.sqrt(share)))
        points.append(CardPoint(times[number], drift, limit))
    since = None
    run = 0
    for point in points:
        run = run + 1 if point.drift_de > point.limit_de else 0
        if run == 0:
            since = None
        elif run == IN_A_ROW:
            since = point.at
    changed = np.sqrt((state**2).sum(axis=1))
    order = np.argsort(-changed, kind="stable")[:5]
    kept = [name for name, one in zip(names, seen, strict=True) if one]
    most = tuple(
        (kept[i], (float(state[i, 0]), float(state[i, 1]), float(state[i, 2]))) for i in order
    )
    return CardChart(points=tuple(points), photos=count, since=since, patches=most if since else ())
