"""How a place stands: clean, watch or quarantine, and what must be so before it may leave."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from typing import Final

from polypward.errors import BadInputError

__all__ = ["SIGNS", "STANDINGS", "Inspection", "PlaceStanding", "earliest_exit", "hindrances"]

STANDINGS: Final = ("clean", "watch", "quarantine")
# What a ward's own list starts with; pests and signs as keepers name them.
SIGNS: Final = (
    "flatworm",
    "snail",
    "egg mass",
    "boring sponge",
    "nuisance anemone",
    "brown slime",
    "slough",
)
# Inspections without a finding, on different days, before a place leaves quarantine: eggs hatch
# between two looks. Common practice, no source.
CLEAN_INSPECTIONS: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """One close look at a place or a specimen; without findings it is a clean one."""

    at: datetime  # aware
    found: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceStanding:
    """How a place stands since when; `days` are those of a quarantine, None for the others."""

    place: str
    state: str
    since: date
    days: int | None = None
    by: str = ""
    reason: str = ""

    def __post_init__(self) -> None:
        if self.state not in STANDINGS:
            raise BadInputError(
                f'"{self.state}": a place stands at {", ".join(STANDINGS[:-1])} or {STANDINGS[-1]}'
            )


def earliest_exit(standing: PlaceStanding, *, entries: Iterable[date] = ()) -> date | None:
    """Return the first day on which a place may leave quarantine; None if it is not in one.

    Parameters
    ----------
    standing : PlaceStanding
        Since when, for how many days.
    entries : iterable of date
        Days on which a specimen came into the place, or into its water: the days are counted from
        the last of them, since a newcomer may bring what the others were being watched for.

    Returns
    -------
    date or None
    """
    if standing.state != "quarantine":
        return None
    start = max([standing.since, *entries])
    return start + timedelta(days=standing.days or 0)


def hindrances(
    standing: PlaceStanding,
    inspections: Sequence[Inspection],
    *,
    on: date,
    zone: tzinfo,
    entries: Iterable[date] = (),
) -> list[str]:
    """Return what stands against leaving quarantine on a day, a clause each; empty = nothing.

    Parameters
    ----------
    standing : PlaceStanding
        Of the place; any other than quarantine has no hindrance.
    inspections : sequence of Inspection
        Of the place or of a specimen in it.
    on : date
        The day of leaving.
    zone : tzinfo
        The ward's time zone, in which days are counted.
    entries : iterable of date
        As in `earliest_exit`; inspections before the last of them do not count either.
    """
    came = tuple(entries)
    first = earliest_exit(standing, entries=came)
    if first is None:
        return []
    start = max([standing.since, *came])
    told = []
    if on < first:
        left = (first - on).days
        told.append(f"the set days end on {first} ({left} {'day' if left == 1 else 'days'} to go)")
    days: set[date] = set()
    found: tuple[str, ...] = ()
    for one in sorted(inspections, key=lambda one: one.at):
        day = one.at.astimezone(zone).date()
        if not start <= day <= on:
            continue
        if one.found:
            days, found = set(), one.found
        else:
            days.add(day)
    lacking = CLEAN_INSPECTIONS - len(days)
    if lacking > 0:
        since = f" since {', '.join(found)} was found" if found else ""
        told.append(
            f"{len(days)} of {CLEAN_INSPECTIONS} clean inspections on different days{since}"
        )
    return told
