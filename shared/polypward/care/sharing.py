"""Who shared the water with whom, from where each specimen stood from when to when."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo

__all__ = ["Shared", "Stay", "shared_water"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stay:
    """A specimen stood in a water from a day to a day; `since` None = not known from when.

    `came` and `went` are the moments of a noted move, where there was one.
    """

    specimen: str
    water: str
    place: str = ""
    since: date | None = None
    until: date | None = None  # None = still there
    came: datetime | None = None
    went: datetime | None = None

    def holds(self, at: datetime, zone: tzinfo) -> bool:
        """Say whether it stood there at an aware moment; a day without a time counts whole."""
        day = at.astimezone(zone).date()
        if (self.since is not None and day < self.since) or (self.until and day > self.until):
            return False
        return (self.came is None or at >= self.came) and (self.went is None or at < self.went)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """Another specimen in the same water, on which days; `since` None = not known from when."""

    specimen: str
    water: str
    since: date | None
    until: date | None
    places: tuple[str, ...] = ()


def shared_water(
    stays: Sequence[Stay], specimens: Iterable[str], *, since: date | None = None
) -> tuple[Shared, ...]:
    """Return every other specimen that was in the same water at the same time.

    Parameters
    ----------
    stays : sequence of Stay
        Of all specimens. A stay whose beginning is not known counts from ever: sharing that cannot
        be ruled out is told.
    specimens : iterable of str
        The ones asked about; they are not among the answer.
    since : date, optional
        Only days from here on; None = as far back as known.

    Returns
    -------
    tuple of Shared
        One a specimen and water, by water and name; first and last day of the sharing.
    """
    asked = set(specimens)
    mine = [stay for stay in stays if stay.specimen in asked and stay.water]
    found: dict[tuple[str, str], list[tuple[date | None, date | None, str]]] = {}
    for other in stays:
        if other.specimen in asked:
            continue
        for own in mine:
            if own.water != other.water:
                continue
            starts = [day for day in (own.since, other.since, since) if day is not None]
            ends = [day for day in (own.until, other.until) if day is not None]
            start, end = max(starts, default=None), min(ends, default=None)
            if start is None or end is None or start <= end:
                known = found.setdefault((other.water, other.specimen), [])
                known.append((start, end, other.place))
    return tuple(
        Shared(
            specimen=specimen,
            water=water,
            since=None if any(a is None for a, _, _ in spans) else min(a for a, _, _ in spans if a),
            until=None if any(b is None for _, b, _ in spans) else max(b for _, b, _ in spans if b),
            places=tuple(dict.fromkeys(place for _, _, place in spans if place)),
        )
        for (water, specimen), spans in sorted(found.items())
    )
