"""Where each specimen stood from when to when, from its arrival, its moves and its leaving."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime

from polypward.care import Stay
from polypward.life import LEAVING, Stand, children_of, stand_after
from polypward.records import CareEvent, Specimen
from polypward_cli.life.follow import first_stand
from polypward_cli.ward import Ward
from polypward_cli.ward.rows import care_of

__all__ = ["entries_into", "stays_of_ward"]


def stays_of_ward(ward: Ward) -> list[Stay]:
    """Return the stays of every specimen, those that have left too, in order of name and time.

    A specimen without an arrival day counts as there from ever. A piece that was split off shares
    its parent's stays up to the split. A place's water is what the specimens on it say.
    """
    specimens = {one.specimen: one for one in ward.specimens()}
    care: dict[str, list[CareEvent]] = defaultdict(list)
    kinds = ("move", "split", "returned", *LEAVING)
    marks = ", ".join("?" * len(kinds))
    for row in ward.db.query(f"select * from care where what in ({marks}) order by at, id", kinds):
        care[row["specimen"]].append(care_of(row, zone=ward.settings.zone))
    parted = {
        child: event
        for events in care.values()
        for event in events
        if event.what == "split"
        for child in children_of(event)
        if child != event.specimen  # it goes on under its name
    }
    waters = {one.place: one.water_system for one in specimens.values() if one.water_system}
    own = {
        name: _stays(first_stand(ward, one), one, care[name], parted.get(name))
        for name, one in specimens.items()
    }
    found: list[Stay] = []
    for name in sorted(own):
        found += [
            replace(stay, water=stay.water or waters.get(stay.place, ""))
            for stay in _with_parent(name, own, specimens, parted)
        ]
    return found


def entries_into(stays: Sequence[Stay], place: str) -> dict[date, list[str]]:
    """Return who came into a place, or into the water it stands in, by day."""
    waters = {stay.water for stay in stays if stay.place == place and stay.until is None}
    waters.discard("")
    found: dict[date, list[str]] = defaultdict(list)
    last: dict[str, Stay] = {}
    for stay in stays:
        before = last.get(stay.specimen)
        last[stay.specimen] = stay
        here = stay.place == place or stay.water in waters
        stayed = before is not None and (before.place == place or before.water in waters)
        if here and not stayed and stay.since is not None:
            found[stay.since].append(stay.specimen)
    return dict(sorted(found.items()))


def _stays(
    first: Stand, one: Specimen, events: Sequence[CareEvent], parted: CareEvent | None
) -> list[Stay]:
    since = parted.at.date() if parted is not None else one.arrived_on
    came = None if parted is None else parted.at
    now, moves = first, []
    found: list[Stay] = []
    here = True
    for event in sorted(events, key=lambda event: event.at):
        day = event.at.date()
        if event.what == "move":
            moves.append(event)
            after = stand_after(first, moves)
            if here and (after.place, after.water_system) != (now.place, now.water_system):
                found.append(_stay(one, now, since, day, came=came, went=event.at))
                since, came = day, event.at
            now = after
        elif event.what == "returned" and not here:
            here, since, came = True, day, event.at
        elif here and _leaves(event, one.specimen):
            found.append(_stay(one, now, since, day, came=came, went=event.at))
            here = False
    if here and one.state == "held":
        found.append(_stay(one, now, since, None, came=came))
    elif here:
        found.append(_stay(one, now, since, one.left_on, came=came))
    return found


def _leaves(event: CareEvent, name: str) -> bool:
    pieces = children_of(event) if event.what == "split" else ()
    return event.what in LEAVING or (bool(pieces) and name not in pieces)


def _stay(
    one: Specimen,
    stand: Stand,
    since: date | None,
    until: date | None,
    *,
    came: datetime | None = None,
    went: datetime | None = None,
) -> Stay:
    return Stay(
        specimen=one.specimen,
        water=stand.water_system,
        place=stand.place,
        since=since,
        until=until,
        came=came,
        went=went,
    )


def _with_parent(
    name: str,
    own: Mapping[str, Sequence[Stay]],
    specimens: Mapping[str, Specimen],
    parted: Mapping[str, CareEvent],
) -> list[Stay]:
    """Put the parent's stays up to the split before a piece's own."""
    before: list[Stay] = []
    child, seen = name, {name}
    while child in parted:
        at: datetime = parted[child].at
        parent = parted[child].specimen
        if parent in seen or parent not in specimens:
            break
        seen.add(parent)
        day = at.date()
        lived = [s for s in own[parent] if s.since is None or s.since <= day]
        cut = [
            replace(
                s,
                specimen=name,
                until=day if s.until is None else min(s.until, day),
                went=at if s.went is None else min(s.went, at),
            )
            for s in lived
        ]
        before = [*cut, *before]
        child = parent
    return [*before, *own[name]]
