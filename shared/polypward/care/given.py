"""What a group of specimens was given, side by side with how it fared; observational."""

from collections.abc import Iterable
from dataclasses import dataclass

from polypward.care.marks import Tally

__all__ = ["Given", "given"]

_TAKEN = ("took", "part")


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """The care of a group in its specimen-weeks.

    `watched` are feedings whose response was noted, `taken` those of them that were taken, wholly
    or in part. `dipped` and `treated` are specimens that had at least one.
    """

    specimens: int
    weeks: float
    feedings: int
    watched: int
    taken: int
    dipped: int
    treated: int
    water_changes: int
    moves: int
    doses: int

    @property
    def words(self) -> str:
        """Return it as a clause; rates only where a week was watched in all."""
        if not self.weeks >= 1:
            return "care: less than a specimen-week, too short to say"
        fed = f"{self.feedings / self.weeks:.1f} feedings"
        if self.watched:
            fed += f" ({self.taken} of {self.watched} watched ones taken)"
        changes = f"{self.water_changes / self.weeks:.1f} water changes"
        doses = f"{self.doses / self.weeks:.1f} doses to their water"
        moves = f"{self.moves / self.weeks:.1f} moves"
        return (
            f"care a specimen-week: {fed}, {changes}, {doses}, {moves}; {self.dipped} of "
            f"{self.specimens} dipped, {self.treated} treated"
        )

    @property
    def any(self) -> bool:
        """Whether anything was given at all."""
        given = (self.feedings, self.dipped, self.treated, self.water_changes, self.moves)
        return any((*given, self.doses))


def given(tallies: Iterable[tuple[Tally, float]]) -> Given:
    """Return what a group was given.

    Parameters
    ----------
    tallies : iterable of (Tally, days)
        Of each specimen of the group, with the days for which it was here.
    """
    every = list(tallies)
    said = [dict(one.responses) for one, _ in every]
    return Given(
        specimens=len(every),
        weeks=sum(days for _, days in every) / 7,
        feedings=sum(one.feedings for one, _ in every),
        watched=sum(sum(counts.values()) for counts in said),
        taken=sum(counts.get(word, 0) for counts in said for word in _TAKEN),
        dipped=sum(one.dips > 0 for one, _ in every),
        treated=sum(one.treatments > 0 for one, _ in every),
        water_changes=sum(one.water_changes for one, _ in every),
        moves=sum(one.moves for one, _ in every),
        doses=sum(one.doses for one, _ in every),
    )
