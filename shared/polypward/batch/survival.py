"""Survival of batches: the curve of Kaplan and Meier, and the log-rank test between groups."""

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from polypward.batch.lives import Life

__all__ = ["FEWEST_DEATHS", "Comparison", "Step", "SurvivalCurve", "compare", "survival"]

# With fewer deaths in all groups together a test says nothing; proposal, no source.
FEWEST_DEATHS = 5


@dataclass(frozen=True, slots=True)
class Step:
    """A day on which somebody died: how many of how many, and the share alive from then on.

    `low` and `high` are the 95 % limits; None where they are not defined (all have died).
    """

    day: int
    at_risk: int
    deaths: int
    survival: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class SurvivalCurve:
    """The survival of a group: its steps, in the order of days."""

    count: int
    deaths: int
    watched_days: int  # up to here somebody was still watched
    steps: tuple[Step, ...]

    @property
    def median_days(self) -> int | None:
        """First day on which no more than half are alive; None if it was not reached."""
        return next((step.day for step in self.steps if step.survival <= 0.5), None)

    def at(self, day: int) -> Step | None:
        """Return what is known on a day: the last step before it; None once nobody is watched.

        Before the first death it is a step of no deaths, without limits; once all have died it
        is the last one.
        """
        past = [step for step in self.steps if step.day <= day]
        all_died = bool(past) and past[-1].survival == 0
        if not self.count or (day > self.watched_days and not all_died):
            return None
        return past[-1] if past else Step(0, self.count, 0, 1.0, None, None)


def survival(lives: Sequence[Life]) -> SurvivalCurve:
    """Return the curve of Kaplan and Meier 1958 (JASA 53:457-481) with 95 % limits.

    Limits are of log-log form on Greenwood's variance. Deaths on a day come before those who were
    sold or moved out on it, and a death on the day of arrival counts.
    """
    if not lives:
        return SurvivalCurve(0, 0, 0, ())
    from scipy import stats

    days = np.array([life.days for life in lives], np.float64)
    died = np.array([life.died for life in lives])
    sf = stats.ecdf(_censored(lives)).sf
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore", RuntimeWarning)  # limits are not defined at 0 and 1
        limits = sf.confidence_interval(confidence_level=0.95, method="log-log")
    steps = []
    for index, day in enumerate(sf.quantiles):
        deaths = int(np.count_nonzero(died & (days == day)))
        if deaths:
            steps.append(
                Step(
                    day=int(day),
                    at_risk=int(np.count_nonzero(days >= day)),
                    deaths=deaths,
                    survival=float(sf.probabilities[index]),
                    low=_finite(limits.low.probabilities[index]),
                    high=_finite(limits.high.probabilities[index]),
                )
            )
    return SurvivalCurve(len(lives), int(died.sum()), int(days.max()), tuple(steps))


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """The log-rank test of groups; without `p`, `why_not` says why there is none.

    `expected` is what each group would have lost if all fared alike.
    """

    observed: Mapping[str, int] = field(default_factory=dict)
    expected: Mapping[str, float] = field(default_factory=dict)
    chi2: float | None = None
    df: int = 0
    p: float | None = None
    why_not: str = ""


def compare(groups: Mapping[str, Sequence[Life]]) -> Comparison:
    """Compare the survival of two or more groups by the log-rank test (Mantel 1966; Peto 1972).

    Specimens that share water are not independent, so that p is too small rather than too large.
    """
    from scipy import stats

    groups = {name: lives for name, lives in groups.items() if lives}
    every = [life for lives in groups.values() for life in lives]
    deaths = sum(life.died for life in every)
    if len(groups) < 2:
        return Comparison(why_not="there is only one group")
    observed = {name: sum(life.died for life in lives) for name, lives in groups.items()}
    if deaths < FEWEST_DEATHS:
        died = "1 death" if deaths == 1 else f"{deaths} deaths"
        return Comparison(
            observed=observed,
            why_not=f"{died} in all, fewer than {FEWEST_DEATHS}: the curves are shown, no test",
        )
    expected, variance = _expected(list(groups.values()))
    excess = np.array(list(observed.values())) - expected
    by_name = dict(zip(groups, map(float, expected), strict=True))
    # A group that nobody was left of when others died tells nothing and takes no degree of freedom.
    df = int(np.linalg.matrix_rank(variance))
    if not df:
        why = "the groups were never watched at the same time"
        return Comparison(observed=observed, expected=by_name, why_not=why)
    if len(groups) == 2:
        first, second = (_censored(lives) for lives in groups.values())
        chi2 = float(stats.logrank(first, second).statistic) ** 2
    else:
        chi2 = float(excess @ np.linalg.pinv(variance) @ excess)
    p = float(stats.chi2.sf(chi2, df))
    return Comparison(observed=observed, expected=by_name, chi2=chi2, df=df, p=p)


def _censored(lives: Sequence[Life]) -> Any:
    from scipy import stats

    return stats.CensoredData(
        uncensored=[life.days for life in lives if life.died],
        right=[life.days for life in lives if not life.died],
    )


def _expected(
    groups: Sequence[Sequence[Life]],
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return expected deaths (G,) and their covariance (G, G), hypergeometric by day."""
    days = [np.array([life.days for life in lives]) for lives in groups]
    died = [np.array([life.died for life in lives]) for lives in groups]
    expected = np.zeros(len(groups))
    covariance = np.zeros((len(groups), len(groups)))
    for day in np.unique(np.concatenate([d[e] for d, e in zip(days, died, strict=True)])):
        at_risk = np.array([np.count_nonzero(d >= day) for d in days], np.float64)
        deaths = sum(int(np.count_nonzero((d == day) & e)) for d, e in zip(days, died, strict=True))
        n = at_risk.sum()
        part = at_risk / n
        expected += deaths * part
        if n > 1:
            factor = deaths * (n - deaths) / (n - 1)
            covariance += factor * (np.diag(part) - np.outer(part, part))
    return expected, covariance
