"""What may still be got for a specimen, against what another week of it costs.

Only from the ward's own finished cases, and only from enough of them: a chance from a handful is
no figure.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from polypward.batch.shares import Share, share

__all__ = ["LEAST_CASES", "Case", "Prospect", "prospect_of"]

# Fewer finished cases give no chance worth telling.
LEAST_CASES: Final = 10
# A finished case was in a like state if any of its visits had a condition within this many points.
LIKE_POINTS: Final = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A specimen that has left: its kind, whether it was sold, its condition at each visit."""

    kind: str
    sold: bool
    conditions: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Prospect:
    """Chance so far of a kind and state, the expected price, and a further week's cost (money)."""

    sold: Share
    price: float
    week_cost: float | None

    @property
    def expected(self) -> float:
        """Price times chance."""
        return self.price * (self.sold.share or 0.0)

    def words(self) -> str:
        """Say it in one sentence."""
        told = (
            f"{self.sold.words('finished cases of its kind and state were sold')}: "
            f"{self.price:.2f} x {self.sold.share or 0.0:.2f} = {self.expected:.2f} expected"
        )
        if self.week_cost is None:
            return f"{told}; what a further week costs is not told in ward.toml."
        return f"{told}, against {self.week_cost:.2f} for a further week."


def prospect_of(
    *,
    kind: str,
    condition: float | None,
    price: float | None,
    week_cost: float | None,
    cases: Iterable[Case],
) -> Prospect | None:
    """Weigh what a specimen may bring against another week.

    Parameters
    ----------
    kind : str
        Its kind; without one there is nothing to compare with.
    condition : float or None
        Its photo condition now, 0..100.
    price : float or None
        Its expected price.
    week_cost : float or None
        Cost of a further week; None = not told.
    cases : iterable of Case
        Finished cases of the ward.

    Returns
    -------
    Prospect or None
        None with fewer than `LEAST_CASES` finished cases of its kind that were once in its state,
        or without kind, condition or price.
    """
    if not kind or condition is None or price is None:
        return None
    like: Sequence[Case] = [
        case
        for case in cases
        if case.kind == kind
        and any(abs(value - condition) <= LIKE_POINTS for value in case.conditions)
    ]
    if len(like) < LEAST_CASES:
        return None
    return Prospect(
        sold=share(sum(case.sold for case in like), len(like)), price=price, week_cost=week_cost
    )
