"""What care asks for on a day: ticks that are open, refused food, places to inspect or to free."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from polypward.care import refusals_in_a_row
from polypward.records import CareEvent
from polypward_cli.caring.entries import entries, stamp
from polypward_cli.caring.places import place_views
from polypward_cli.caring.ticks import open_ticks
from polypward_cli.ward import Ward
from polypward_cli.ward.rows import care_of

__all__ = ["CareDue", "care_due"]

# Refused feedings in a row from which on the round shows the specimen. Common practice, no source.
REFUSALS: Final = 2
# Refusals are looked for this far back: food refused long ago asks for nothing today.
REFUSED_DAYS: Final = 30
# After so many days nobody takes left-over food out any more.
TICK_DAYS: Final = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class CareDue:
    """One thing that care asks for: "tick", "food", "inspect" or "quarantine".

    `specimen` is "" where it is about a whole place.
    """

    kind: str
    specimen: str
    place: str
    due_on: date
    why: str


def care_due(ward: Ward, *, on: date) -> list[CareDue]:
    """Return what care asks for on a day, by place and kind."""
    found = [*_ticks(ward, on), *_refusals(ward, on), *_places(ward, on)]
    return sorted(found, key=lambda one: (one.place, one.kind, one.specimen))


def _ticks(ward: Ward, on: date) -> list[CareDue]:
    home = {one.specimen: one.place or one.water_system for one in ward.specimens()}
    return [
        CareDue(
            kind="tick",
            specimen=tick.specimens[0] if not tick.places and len(tick.specimens) == 1 else "",
            place=tick.places[0] if tick.places else home.get(tick.specimens[0], ""),
            due_on=tick.due.date(),
            why=f"{tick.what} ({tick.where}, due {tick.due:%H:%M}); "
            f"then: polypward care tick {tick.number}",
        )
        for tick in open_ticks(ward)
        if timedelta(0) <= on - tick.due.date() <= timedelta(days=TICK_DAYS)
    ]


def _refusals(ward: Ward, on: date) -> list[CareDue]:
    from datetime import datetime, time

    zone = ward.settings.zone
    start = datetime.combine(on - timedelta(days=REFUSED_DAYS), time(), tzinfo=zone)
    end = datetime.combine(on + timedelta(days=1), time(), tzinfo=zone)
    rows = ward.db.query(
        "select * from care where what = 'feeding' and at >= ? and at < ?",
        [stamp(start), stamp(end)],
    )
    fed: dict[str, list[CareEvent]] = defaultdict(list)
    for row in rows:
        fed[row["specimen"]].append(care_of(row, zone=zone))
    found = []
    for one in ward.specimens():
        row_of = refusals_in_a_row(fed.get(one.specimen, ()))
        if one.state == "held" and len(row_of) >= REFUSALS:
            last = row_of[-1]
            said = ", ".join(f"{event.at.day} {event.at:%b}" for event in row_of[-3:])
            found.append(
                CareDue(
                    kind="food",
                    specimen=one.specimen,
                    place=one.place or one.water_system,
                    due_on=last.at.date(),
                    why=f"refused food {len(row_of)} times in a row ({said}): look at it, check "
                    "water and flow, offer smaller pieces",
                )
            )
    return found


def _places(ward: Ward, on: date) -> list[CareDue]:
    zone = ward.settings.zone
    home = {one.specimen: one.place or one.water_system for one in ward.specimens()}
    found: list[CareDue] = []
    rows = [row for row in entries(ward, "inspection") if row["at"].astimezone(zone).date() <= on]
    later: set[str] = set()
    for row in reversed(rows):
        where = set(row["places"] or row["specimens"])
        due = date.fromisoformat(row["again_on"]) if row["again_on"] else None
        open_ones = sorted(where - later)
        later |= where
        if due is not None and due <= on:
            what = (
                f"look again: {', '.join(row['found'])} on" if row["found"] else "look again, last"
            )
            for name in open_ones:
                found.append(
                    CareDue(
                        kind="inspect",
                        specimen="" if row["places"] else name,
                        place=name if row["places"] else home.get(name, ""),
                        due_on=due,
                        why=f"{what} {row['at']:%Y-%m-%d}",
                    )
                )
    for view in place_views(ward, on=on):
        stands = view.standing
        if view.last_found and (stands is None or stands.state == "clean"):
            found.append(
                CareDue(
                    kind="quarantine",
                    specimen="",
                    place=view.place,
                    due_on=view.last_inspection.date() if view.last_inspection else on,
                    why=f"{', '.join(view.last_found)} found, but "
                    f"{'it stands at clean' if stands else 'nobody said how it stands'}: "
                    "watch or quarantine?",
                )
            )
        elif view.earliest_exit is not None and not view.hindrances:
            found.append(
                CareDue(
                    kind="quarantine",
                    specimen="",
                    place=view.place,
                    due_on=view.earliest_exit,
                    why="may leave quarantine; then: "
                    f'polypward care place "{view.place}" --state clean',
                )
            )
    return found
