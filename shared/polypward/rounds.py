"""A round: the order in which to walk, what fits into a day's photos, where to wash in between.

Whoever goes from sick to healthy water carries something along, so the walk leads from clean places
over treated ones to quarantine, one water system at a time. Common practice, no source.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Final

__all__ = ["KINDS", "STANDINGS", "WASH", "Leg", "Place", "Round", "Stop", "plan_walk"]

# What care may ask for: cover off, quarantine over or missing, water to test, pests, food refused.
CARE: Final = ("tick", "quarantine", "water", "inspect", "food")
# What may be due at a specimen, the most pressing first.
KINDS: Final = ("urgent", "look again", "second look", "treat", *CARE, "photograph")
# How a place may stand, in the order of the walk.
STANDINGS: Final = ("clean", "watch", "treated", "quarantine")
WASH: Final = "wash hands, change tools and card"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """One thing to do at a specimen, or where `specimen` is "" at a place as a whole.

    `kind` is one of `KINDS`; `photo` says whether it takes one; `unseen_since` is the day of the
    last accepted photo (None = never), `standing_flag` whether any flag of a decline stands.
    """

    kind: str
    specimen: str
    place: str
    due_on: date
    late_days: int
    why: str
    photo: bool = False
    unseen_since: date | None = None
    standing_flag: bool = False

    def as_json(self) -> dict[str, Any]:
        """Return the stop as JSON values."""
        return {
            "kind": self.kind,
            "specimen": self.specimen,
            "place": self.place,
            "due_on": self.due_on.isoformat(),
            "late_days": self.late_days,
            "why": self.why,
            "photo": self.photo,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A place with specimens on it: its water, how it stands, the daily look.

    `odd` are specimens that a look found odd and nobody has answered yet, with what was odd;
    `looked` says when and by whom it was looked at on the day, empty if not yet.
    """

    place: str
    water_system: str = ""
    standing: str = "clean"
    held: int = 0
    odd: Mapping[str, str] = field(default_factory=dict)
    looked: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """A place on the walk with its stops; `wash` is set where the water changes before it."""

    place: Place
    stops: tuple[Stop, ...]
    wash: bool

    def as_json(self) -> dict[str, Any]:
        """Return the leg as JSON values."""
        return {
            "place": self.place.place,
            "water_system": self.place.water_system,
            "standing": self.place.standing,
            "wash": self.wash,
            "held": self.place.held,
            "odd": dict(self.place.odd),
            "looked": self.place.looked,
            "stops": [stop.as_json() for stop in self.stops],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """The round of a day: urgent stops, the walk, the photos put off and the day's budget."""

    on: date
    urgent: tuple[Stop, ...]
    legs: tuple[Leg, ...]
    put_off: tuple[Stop, ...]
    photos: int
    photos_per_day: int | None

    @property
    def stops(self) -> tuple[Stop, ...]:
        """Every stop of the day, in the order of the round."""
        return (*self.urgent, *(stop for leg in self.legs for stop in leg.stops))

    def as_json(self) -> dict[str, Any]:
        """Return the round as JSON values."""
        return {
            "on": self.on.isoformat(),
            "photos": self.photos,
            "photos_per_day": self.photos_per_day,
            "stops": [stop.as_json() for stop in self.stops],
            "walk": [leg.as_json() for leg in self.legs],
            "put_off": [stop.as_json() for stop in self.put_off],
        }


def _natural(text: str) -> tuple[tuple[bool, int, str], ...]:
    """Sort key by which rack 2 comes before rack 10."""
    parts = re.split(r"(\d+)", text.casefold())
    return tuple((part.isdecimal(), int(part) if part.isdecimal() else 0, part) for part in parts)


def _pressing(stop: Stop) -> tuple[int, bool, date, str]:
    """Sort key of photos: urgency, a standing flag, then who has not been seen for longest."""
    seen = stop.unseen_since or date.min
    return KINDS.index(stop.kind), not stop.standing_flag, seen, stop.specimen


def plan_walk(
    stops: Iterable[Stop], places: Sequence[Place], *, on: date, photos_per_day: int | None
) -> Round:
    """Put the stops of a day in order.

    Parameters
    ----------
    stops : iterable of Stop
        All that is due, in any order.
    places : sequence of Place
        Every place that holds a specimen, those without a stop too.
    on : date
        The day.
    photos_per_day : int or None
        Photos a day has room for; None = no limit. Urgent ones are taken whatever it says.

    Returns
    -------
    Round
        Urgent stops first. Then each water system as a whole, by the worst standing of its places,
        and within it clean places first. Photos beyond the budget are put off, by urgency, then
        longest unseen.
    """
    due = sorted(stops, key=_pressing)
    kept: list[Stop] = []
    put_off: list[Stop] = []
    photos = 0
    for stop in due:
        full = photos_per_day is not None and photos >= photos_per_day
        if stop.photo and stop.kind != "urgent" and full:
            put_off.append(stop)
            continue
        photos += stop.photo
        kept.append(stop)
    known = {place.place: place for place in places}
    for stop in kept:
        known.setdefault(stop.place, Place(place=stop.place))
    worst: dict[str, int] = {}
    for place in known.values():
        rank = STANDINGS.index(place.standing)
        worst[place.water_system] = max(worst.get(place.water_system, 0), rank)
    order = sorted(
        known.values(),
        key=lambda place: (
            worst[place.water_system],
            _natural(place.water_system),
            STANDINGS.index(place.standing),
            _natural(place.place),
        ),
    )
    walking: dict[str, list[Stop]] = {place.place: [] for place in order}
    for stop in kept:
        if stop.kind != "urgent":
            walking[stop.place].append(stop)
    legs: list[Leg] = []
    for place in order:
        mine = sorted(
            walking[place.place],
            key=lambda stop: (_natural(stop.specimen), KINDS.index(stop.kind)),
        )
        before = legs[-1].place.water_system if legs else place.water_system
        legs.append(Leg(place=place, stops=tuple(mine), wash=before != place.water_system))
    position = {place.place: number for number, place in enumerate(order)}
    urgent = sorted(
        (stop for stop in kept if stop.kind == "urgent"),
        key=lambda stop: (position[stop.place], _natural(stop.specimen)),
    )
    return Round(
        on=on,
        urgent=tuple(urgent),
        legs=tuple(legs),
        put_off=tuple(put_off),
        photos=photos,
        photos_per_day=photos_per_day,
    )
