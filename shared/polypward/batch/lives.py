"""How long each specimen of a batch was watched, and how that ended."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from polypward.life import DEATHS
from polypward.records import Specimen

__all__ = ["Ending", "Life", "families", "life_of"]

Ending = Literal["died", "sold", "left", "held"]


@dataclass(frozen=True, slots=True)
class Life:
    """A specimen as a survival curve sees it.

    `days` runs from its arrival to its end, or to today. Only "died" is a death: one that was
    sold or moved out is censored, for nobody knows how it went on.
    """

    specimen: str
    days: int
    ending: Ending

    @property
    def died(self) -> bool:
        """Whether it ended in death."""
        return self.ending == "died"


def families(specimens: Sequence[Specimen]) -> dict[str, list[Specimen]]:
    """Return each specimen that came into the ward, with itself and all that was split from it.

    Pieces of one animal share its fate and its purse, so that they are counted as one.
    """
    by_name = {one.specimen: one for one in specimens}
    found: dict[str, list[Specimen]] = {}
    for one in specimens:
        found.setdefault(_root(one, by_name), []).append(one)
    return {
        root: sorted(members, key=lambda one: (one.specimen != root, one.specimen))
        for root, members in sorted(found.items())
    }


def _root(one: Specimen, by_name: Mapping[str, Specimen]) -> str:
    seen = {one.specimen}
    while one.parent in by_name and one.parent not in seen:
        seen.add(one.parent)
        one = by_name[one.parent]
    return one.specimen


def life_of(
    family: Sequence[Specimen], *, today: date, dead_on_arrival: Collection[str] = ()
) -> Life | str:
    """Return the life of a specimen together with what was split from it, or why there is none.

    It lives as long as a piece of it does; it died on the day the last piece was found dead (the
    day something is first seen dead stands for the day it died, which is up to a check earlier).

    Parameters
    ----------
    family : sequence of Specimen
        The specimen, then its pieces (see `families`).
    today : date
        Those on the tables are watched up to this day.
    dead_on_arrival : collection of str
        Specimens that a person found dead at unpacking: they died on day 0 unless sold.

    Returns
    -------
    Life or str
        The reason, as a clause, where a day is missing or impossible.
    """
    root = family[0]
    start = min((one.arrived_on for one in family if one.arrived_on), default=None)
    if start is None:
        return "no day of arrival"
    if root.specimen in dead_on_arrival and not any(
        one.state in ("sold", "split") for one in family
    ):
        return Life(root.specimen, 0, "died")
    ends: list[tuple[date, Ending]] = []
    for one in family:
        if one.state == "split" and len(family) > 1:
            continue  # it goes on in its pieces
        ending: Ending = "held" if one.state == "held" else "left"
        if one.state in DEATHS:
            ending = "died"
        elif one.state == "sold":
            ending = "sold"
        day = today if ending == "held" else one.left_on
        if day is None:
            return f"{one.state}, but nobody said when"
        ends.append((day, ending))
    for ending in ("held", "sold", "left", "died"):
        days = [day for day, how in ends if how == ending]
        if days:
            length = (max(days) - start).days
            return (
                Life(root.specimen, length, ending) if length >= 0 else "it ends before it arrived"
            )
    return "its pieces are not in the ward"
