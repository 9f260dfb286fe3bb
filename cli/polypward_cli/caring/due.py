"""What care asks for on a day: ticks that are open, refused food, places to inspect or to free."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Final

from polypward.care import refusals_in_a_row
from polypward.records import CareEvent
from polypward_cli.caring.entries import entries, stamp
from polypward_cli.caring.places import PlaceView, place_views, quarantine_notes, standings
from polypward_cli.caring.ticks import Tick, open_ticks
from polypward_cli.ward import Ward
from polypward_cli.ward.rows import care_of

__all__ = ["CareDue", "care_due"]

# Refused feedings in a row from which on the round shows the specimen. Common practice, no source.
REFUSALS: Final = 2
# Refusals are looked for this far back: food refused long ago asks for nothing today.
REFUSED_DAYS: Final = 30
_FED: Final = "what = 'feeding' and at >= ? and at < ?"
# Specimens whose last feedings with a response, as many as REFUSALS, were all refused.
_REFUSING: Final = f"""
    select specimen from (
        select specimen,
            coalesce(json_extract(detail, '$.response'), json_extract(detail, '$.eaten')) as said,
            row_number() over (partition by specimen order by at desc, id desc) as back
        from care where {_FED} and said is not null)
    where back <= {REFUSALS} and said in ('refused', 'spat', 'no')
    group by specimen having count(*) = {REFUSALS}"""
# The day after, nobody takes left-over food out any more.
TICK_DAYS: Final = 1


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
    found = [*_ticks(ward, on), *_refusals(ward, on), *_inspections(ward, on)]
    found += [*_standings(ward, on), *_strayed(ward, on)]
    return sorted(found, key=lambda one: (one.place, one.kind, one.specimen))


def _ticks(ward: Ward, on: date) -> list[CareDue]:
    home = {one.specimen: one.place or one.water_system for one in ward.specimens()}
    first = on - timedelta(days=TICK_DAYS)
    since = datetime.combine(first, time(), tzinfo=ward.settings.zone)
    return [
        CareDue(
            kind="tick",
            specimen=tick.specimens[0] if not tick.places and len(tick.specimens) == 1 else "",
            place=tick.places[0] if tick.places else home.get(tick.specimens[0], ""),
            due_on=tick.due.date(),
            why=f"{tick.what}{_several(tick)}, due {tick.due:%H:%M} (tick {tick.number})",
        )
        for tick in open_ticks(ward, since=since)
        if tick.due.date() <= on
    ]


def _several(tick: Tick) -> str:
    """Return where a tick is, if that is more than the one place or specimen it stands at."""
    return f", {tick.where}" if len(tick.places or tick.specimens) > 1 else ""


def _refusals(ward: Ward, on: date) -> list[CareDue]:
    """Return who refused food twice or more in a row; the ledger finds the few first."""
    zone = ward.settings.zone
    start = datetime.combine(on - timedelta(days=REFUSED_DAYS), time(), tzinfo=zone)
    end = datetime.combine(on + timedelta(days=1), time(), tzinfo=zone)
    span = [stamp(start), stamp(end)]
    rows = ward.db.query(f"select * from care where specimen in ({_REFUSING}) and {_FED}", span * 2)
    fed: dict[str, list[CareEvent]] = defaultdict(list)
    for row in rows:
        fed[row["specimen"]].append(care_of(row, zone=zone))
    found = []
    for one in ward.specimens():
        row_of = refusals_in_a_row(fed.get(one.specimen, ()))
        if one.state == "held" and len(row_of) >= REFUSALS:
            said = ", ".join(f"{event.at.day} {event.at:%b}" for event in row_of[-3:])
            found.append(
                CareDue(
                    kind="food",
                    specimen=one.specimen,
                    place=one.place or one.water_system,
                    due_on=on,
                    why=f"refused food {len(row_of)} times in a row ({said}): look at it, check "
                    "water and flow, offer smaller pieces",
                )
            )
    return found


def _inspections(ward: Ward, on: date) -> list[CareDue]:
    """Return what is to be looked at again and was not since."""
    zone = ward.settings.zone
    home = {one.specimen: one.place or one.water_system for one in ward.specimens()}
    rows = [row for row in entries(ward, "inspection") if row["at"].astimezone(zone).date() <= on]
    found: list[CareDue] = []
    seen: set[str] = set()
    for row in reversed(rows):
        again = date.fromisoformat(row["again_on"]) if row["again_on"] else None
        waiting = sorted({*(row["places"] or row["specimens"])} - seen)
        seen |= {*row["places"], *row["specimens"]}
        if again is None or again > on:
            continue
        what = ", ".join(row["found"]) or "nothing"
        found += [
            CareDue(
                kind="inspect",
                specimen="" if row["places"] else name,
                place=name if row["places"] else home.get(name, ""),
                due_on=again,
                why=f"look again for pests; found on {row['at']:%Y-%m-%d}: {what}",
            )
            for name in waiting
        ]
    return found


def _standings(ward: Ward, on: date) -> list[CareDue]:
    """Return the places that want a word: a finding nobody answered, a way out that is free."""
    found: list[CareDue] = []
    for view in place_views(ward, on=on):
        due, why = on, ""
        if view.earliest_exit is not None and not view.hindrances:
            why = f"may leave quarantine since {view.earliest_exit}: say how it stands"
        elif view.last_inspection is not None and _unanswered(view):
            due = view.last_inspection.astimezone(ward.settings.zone).date()
            stands = "it stands at clean" if view.standing else "nobody said how the place stands"
            why = f"{', '.join(view.last_found)} found, but {stands}: watch or quarantine?"
        if why:
            found.append(
                CareDue(kind="quarantine", specimen="", place=view.place, due_on=due, why=why)
            )
    return found


def _unanswered(view: PlaceView) -> bool:
    """Say whether a finding still waits for somebody to say how the place stands."""
    if not view.last_found or view.last_inspection is None:
        return False
    stands = view.standing
    if stands is None:
        return True
    early = stands.since <= view.last_inspection.date() and not stands.reason
    return stands.state == "clean" and early


def _strayed(ward: Ward, on: date) -> list[CareDue]:
    """Return who left a place in quarantine before it was over, and stands in no other."""
    shut = {name for name, one in standings(ward).items() if one.state == "quarantine"}
    notes = quarantine_notes(ward)
    found = []
    for one in ward.specimens():
        note = notes.get(one.specimen)
        if note is None or one.state != "held" or note.detail.get("status") != "started":
            continue
        left = note.detail.get("place", "")
        if left and one.place != left and one.place not in shut:
            why = (
                f"left {left} before its quarantine was over: take it back, or if that is right "
                "note it as done (care log NAME quarantine --detail status=done)"
            )
            found.append(
                CareDue(
                    kind="quarantine",
                    specimen=one.specimen,
                    place=one.place or one.water_system,
                    due_on=on,
                    why=why,
                )
            )
    return found
