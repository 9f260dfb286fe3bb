"""``python -m bench.drift``: whether a CUSUM finds slow drift sooner than the EWMA.

One charted figure, visits a week apart, SD 1, a baseline of the first visits with the widening that
its shortness asks for. Each chart's limit is set so that it gives the same false alarms per 100
specimen-weeks on normal scatter; then a drift begins and the weeks until the signal are counted.
EWMA with the single-visit limit beside it: Roberts 1959, Technometrics 1:239; Lucas & Saccucci
1990, Technometrics 32:1. CUSUM: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.
"""

from collections.abc import Callable
from typing import Final

import numpy as np
import numpy.typing as npt

__all__ = ["cusum", "delay", "main", "rate"]

Floats = npt.NDArray[np.float64]
Chart = Callable[[Floats, float], Floats]

WEEKS: Final = 26
BASELINE: Final = 8
ALARMS_PER_100: Final = 0.4
LAMBDA: Final = 0.4


def cusum(x: Floats, *, target: float, k: float) -> tuple[Floats, Floats]:
    """Tabular CUSUM of each row of `x`: the high side and the low side, both at least 0.

    Parameters
    ----------
    x : float array, shape (..., visits)
        In the order of time.
    target, k : float
        What x should be, and the slack, in the unit of x.
    """
    high, low = np.zeros(x.shape[:-1]), np.zeros(x.shape[:-1])
    highs, lows = np.empty_like(x), np.empty_like(x)
    for visit in range(x.shape[-1]):
        high = np.maximum(0, high + x[..., visit] - target - k)
        low = np.maximum(0, low + target - k - x[..., visit])
        highs[..., visit], lows[..., visit] = high, low
    return highs, lows


def _signals(statistic: Floats, limit: float) -> Floats:
    """Week of the first signal of each row, infinite where there is none."""
    out = statistic > limit
    return np.where(out.any(axis=1), out.argmax(axis=1) + 1.0, np.inf)


def _ewma(x: Floats, spread: float) -> Floats:
    """EWMA over its SD, or the single visit over 1.06 times its own, whichever is larger."""
    z = weight = var = np.zeros(len(x))
    found = np.empty_like(x)
    for week in range(x.shape[1]):
        z = (1 - LAMBDA) * z + LAMBDA * x[:, week]
        weight = (1 - LAMBDA) * weight + LAMBDA
        var = (1 - LAMBDA) ** 2 * var + LAMBDA**2
        single = x[:, week] / np.sqrt(1 + spread**2) / 1.06
        found[:, week] = np.maximum(z / np.sqrt(var + (weight * spread) ** 2), single)
        good = z < 0  # it starts again on the good side, as the ward's chart does
        z, weight, var = (np.where(good, 0, part) for part in (z, weight, var))
    return found


def _cusum(k: float) -> Chart:
    def run(x: Floats, spread: float) -> Floats:
        return cusum(x / np.sqrt(1 + spread**2), target=0.0, k=k)[0]

    return run


def _ewma_and_cusum(k: float, share: float) -> Chart:
    """Both, the CUSUM scaled so that it takes part of the budget of false alarms."""

    def run(x: Floats, spread: float) -> Floats:
        return np.maximum(_ewma(x, spread), share * _cusum(k)(x, spread))

    return run


def _draws(rows: int, seed: int) -> tuple[Floats, float]:
    """Scatter after a baseline of its own, and the SD of the baseline's mean."""
    rng = np.random.default_rng(seed)
    base = rng.normal(size=(rows, BASELINE)).mean(axis=1, keepdims=True)
    return rng.normal(size=(rows, WEEKS)) - base, float(1 / np.sqrt(BASELINE))


def rate(chart: Chart, limit: float, *, rows: int = 20_000, seed: int = 1) -> float:
    """Return the false alarms per 100 specimen-weeks up to the first of each specimen."""
    x, spread = _draws(rows, seed)
    first = _signals(chart(x, spread), limit)
    weeks = np.minimum(first, WEEKS).sum()
    return float(100 * np.isfinite(first).sum() / weeks)


def _limit(chart: Chart) -> float:
    low, high = 0.5, 60.0
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (middle, high) if rate(chart, middle) > ALARMS_PER_100 else (low, middle)
    return high


def delay(chart: Chart, limit: float, per_week: float, *, seed: int = 2) -> float:
    """Mean weeks from the beginning of a drift (SDs a week) to the signal; a step if negative."""
    x, spread = _draws(20_000, seed)
    week = np.arange(1, WEEKS + 1)
    x = x + (per_week * week if per_week > 0 else -per_week)
    first = _signals(chart(x, spread), limit)
    return float(np.minimum(first, WEEKS).mean())


def main() -> None:
    """Print the weeks to the signal for each chart and drift."""
    charts: dict[str, Chart] = {
        "EWMA 0.4 with single visits": _ewma,
        "CUSUM k 0.5": _cusum(0.5),
        "CUSUM k 0.25": _cusum(0.25),
        "EWMA and CUSUM k 0.5": _ewma_and_cusum(0.5, 0.62),
        "EWMA and CUSUM k 0.25": _ewma_and_cusum(0.25, 0.36),
    }
    drifts = (0.1, 0.25, 0.5, 1.0, -2.0, -3.0, -5.0)
    heads = [f"{d:g} SD a week" if d > 0 else f"step of {-d:g} SD" for d in drifts]
    print(f"| chart | limit | {' | '.join(heads)} |")
    print(f"| {' | '.join(['---'] * (len(drifts) + 2))} |")
    for name, chart in charts.items():
        limit = _limit(chart)
        weeks = " | ".join(f"{delay(chart, limit, drift):.2f}" for drift in drifts)
        print(f"| {name} | {limit:.2f} | {weeks} |")


if __name__ == "__main__":
    main()
