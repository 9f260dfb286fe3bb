"""Who was here at a time, and where each stood then."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime

from polypward.life import Stand, children_of, stand_after, standing
from polypward.records import CareEvent, Specimen
from polypward_cli.ward import Ward

__all__ = ["Past"]


class Past:
    """The specimens of a ward as they were, from what was noted of them."""

    def __init__(self, ward: Ward) -> None:
        self._zone = ward.settings.zone
        self._specimens = ward.specimens()
        self._events: dict[str, list[CareEvent]] = defaultdict(list)
        self._cut_at: dict[str, datetime] = {}
        for event in ward.care():
            self._events[event.specimen].append(event)
            if event.what == "split":
                for piece in set(children_of(event)) - {event.specimen}:
                    self._cut_at.setdefault(piece, event.at)
        self._first = {
            row["specimen"]: Stand(row["place"], row["water_system"], row["light"])
            for row in ward.db.query("select * from first_stands")
        }

    def held(self, at: datetime | None) -> list[Specimen]:
        """Return those that were here at a time, where they stood then; None means now."""
        if at is None:
            return [one for one in self._specimens if one.state == "held"]
        return [self._then(one, at) for one in self._specimens if self._was_here(one, at)]

    def everywhere(self) -> Iterator[Specimen]:
        """Yield each specimen at every place where it has stood."""
        for one in self._specimens:
            yield one
            if one.specimen in self._first:
                yield self._placed(one, self._first[one.specimen])
            for event in self._events[one.specimen]:
                if event.what == "move":
                    yield self._then(one, event.at)

    def _was_here(self, one: Specimen, at: datetime) -> bool:
        if one.arrived_on and one.arrived_on > at.astimezone(self._zone).date():
            return False
        if one.parent and one.specimen in self._cut_at and self._cut_at[one.specimen] > at:
            return False
        events = [event for event in self._events[one.specimen] if event.at <= at]
        return standing(events, zone=self._zone).state == "held"

    def _then(self, one: Specimen, at: datetime) -> Specimen:
        if one.specimen not in self._first:
            return one
        moves = [event for event in self._events[one.specimen] if event.at <= at]
        return self._placed(one, stand_after(self._first[one.specimen], moves))

    def _placed(self, one: Specimen, stand: Stand) -> Specimen:
        return replace(one, place=stand.place, water_system=stand.water_system, light=stand.light)
