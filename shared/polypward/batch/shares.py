"""A count out of a number, with its interval."""

from dataclasses import dataclass

__all__ = ["Share", "share"]


@dataclass(frozen=True, slots=True)
class Share:
    """`count` out of `of`, with the limits of its 95 % interval, shares of 1 (None: none asked)."""

    count: int
    of: int
    low: float | None
    high: float | None

    @property
    def share(self) -> float | None:
        """The count as a share of 1; None out of none."""
        return self.count / self.of if self.of else None

    def words(self, what: str) -> str:
        """Return e.g. "3 of 25 dead on arrival (12 %, 95 % interval 4-30 %)"."""
        if self.share is None or self.low is None or self.high is None:
            return f"0 of 0 {what}"
        low, high = round(100 * self.low), round(100 * self.high)
        return (
            f"{self.count} of {self.of} {what} "
            f"({100 * self.share:.0f} %, 95 % interval {low}\N{EN DASH}{high} %)"
        )


def share(count: int, of: int) -> Share:
    """Return a count out of a number with the interval of Wilson 1927 (JASA 22:209), 95 %.

    Newcombe 1998 (Stat. Med. 17:857-872) found it sound for small numbers and for none or all.

    Raises
    ------
    ValueError
        Unless ``0 <= count <= of``.

    Examples
    --------
    >>> share(3, 25).words("dead on arrival")
    '3 of 25 dead on arrival (12 %, 95 % interval 4–30 %)'
    """
    if not 0 <= count <= of:
        raise ValueError(f"count must be from 0 to {of}, got {count}")
    if not of:
        return Share(0, 0, None, None)
    from scipy import stats

    limits = stats.binomtest(count, of).proportion_ci(0.95, method="wilson")
    return Share(count, of, float(limits.low), float(limits.high))
