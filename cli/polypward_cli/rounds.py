"""The round of a ward: what needs a photo, a look or a hand on a day, from what the last run knew.

Nothing is measured and no course is computed, so a round of thousands takes a moment.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping
from datetime import date, datetime, timedelta
from typing import Any

from polypward.records import Specimen
from polypward.rounds import Place, Round, Stop, plan_walk
from polypward_cli.caring.due import care_due
from polypward_cli.ward import Ward
from polypward_cli.ward.kept_courses import summaries_on
from polypward_cli.water.due import ward_water_due

__all__ = ["place_of", "plan_round"]

_DECLINES = frozenset({"paling", "recession", "overgrowth", "sharp-loss"})
_Known = Mapping[str, Any]


def place_of(one: Specimen) -> str:
    """Where a specimen stands, its water where no place is known."""
    return one.place or one.water_system


def plan_round(ward: Ward, *, on: date) -> Round:
    """Return the round of a day: urgent stops first, then from clean to quarantined water."""
    summaries = summaries_on(ward, on)
    looked = _looked_on(ward)
    held = [one for one in ward.specimens() if one.state == "held"]
    stops: list[Stop] = []
    for one in held:
        known = summaries.get(one.specimen, {})
        last = known.get("last_seen")
        flagged = any(flag["name"] in _DECLINES for flag in known.get("flags", []))
        for kind, due_on, why, photo in _due(known, one, looked.get(one.specimen), on):
            stops.append(
                Stop(
                    kind=kind,
                    specimen=one.specimen,
                    place=place_of(one),
                    due_on=due_on,
                    late_days=(on - due_on).days,
                    why=why,
                    photo=photo,
                    unseen_since=date.fromisoformat(last) if last else None,
                    standing_flag=flagged,
                )
            )
    stops += [
        Stop(
            kind=due.kind,
            specimen=due.specimen,
            place=due.place,
            due_on=due.due_on,
            late_days=(on - due.due_on).days,
            why=due.why,
        )
        for due in care_due(ward, on=on)
    ]
    stops += _water(ward, held, on)
    return plan_walk(
        stops,
        _places(ward, held, summaries, on),
        on=on,
        photos_per_day=ward.settings.photos_per_day,
    )


def _water(ward: Ward, held: list[Specimen], on: date) -> list[Stop]:
    """Return the tests of water that are due, each at the first place that the water flows to."""
    first: dict[str, str] = {}
    for place, water in sorted((place_of(one), one.water_system) for one in held):
        first.setdefault(water, place)
    return [
        Stop(
            kind="water",
            specimen="",
            place=first.get(due.system, due.system),
            due_on=due.due_on,
            late_days=(on - due.due_on).days,
            why=f"{due.system}: {due.why}",
        )
        for due in ward_water_due(ward, on=on)
    ]


def _looked_on(ward: Ward) -> dict[str, date]:
    """Return the day of the last look at each specimen."""
    rows = ward.db.query("select specimen, max(at) as at from care where what = 'look' group by 1")
    return {row["specimen"]: _day(row["at"], ward) for row in rows}


def _day(at: str, ward: Ward) -> date:
    return datetime.fromisoformat(at).astimezone(ward.settings.zone).date()


def _places(
    ward: Ward, held: list[Specimen], summaries: Mapping[str, _Known], on: date
) -> list[Place]:
    """Return every place with specimens: its water, its standing, its look of the day."""
    there: dict[str, list[Specimen]] = defaultdict(list)
    for one in held:
        there[place_of(one)].append(one)
    said = {
        row["place"]: row["state"]
        for row in ward.db.query("select place, state from place_standings order by id")
    }
    looks: dict[str, str] = {}
    day = on.isoformat()
    for row in ward.db.query(
        "select place, at, by from place_looks where undone_at is null "
        "and at between date(?, '-1 day') and date(?, '+2 days') order by at",
        [day, day],
    ):
        at = datetime.fromisoformat(row["at"]).astimezone(ward.settings.zone)
        if at.date() == on:
            looks[row["place"]] = f"{at:%H:%M}" + (f" by {row['by']}" if row["by"] else "")
    places = []
    for name, ones in there.items():
        known = {one.specimen: summaries.get(one.specimen, {}) for one in ones}
        places.append(
            Place(
                place=name,
                water_system=next((one.water_system for one in ones if one.water_system), ""),
                standing=_standing(said.get(name), list(known.values())),
                held=len(ones),
                odd={
                    specimen: flag["evidence"].split(";")[0]
                    for specimen, summary in known.items()
                    for flag in summary.get("flags", [])
                    if flag["name"] == "look-again"
                },
                looked=looks.get(name, ""),
            )
        )
    return places


def _standing(said: str | None, known: list[_Known]) -> str:
    """How a place stands: as was noted, else by who is on it; treated while a treatment is open."""
    if said == "quarantine" or (
        said is None and any(one.get("quarantine", False) for one in known)
    ):
        return "quarantine"
    if any(one.get("treated", False) for one in known):
        return "treated"
    return said or "clean"


def _due(
    known: _Known, one: Specimen, looked_on: date | None, on: date
) -> Iterator[tuple[str, date, str, bool]]:
    """Yield kind, day and reason of what is due at a specimen, and whether it takes a photo."""
    last = known.get("last_seen")
    last_seen = date.fromisoformat(last) if last else None
    flags = known.get("flags", [])
    urgent = [flag for flag in flags if flag["urgent"]]
    again = [flag for flag in flags if flag["name"] == "look-again" and not flag["urgent"]]
    for flag in urgent:
        yield "urgent", _since(flag, on), f"{flag['name']}: {flag['evidence']}", True
    for flag in again:
        yield "look again", _since(flag, on), flag["evidence"], True
    if known.get("looks_dead") and last_seen:
        due = last_seen + timedelta(days=1)
        if due <= on and (looked_on is None or looked_on < due):
            why = "no live tissue in the last photo; look again before anything"
            yield "second look", due, why, False
    if known.get("advice") == "treat" and not urgent:
        yield "treat", on, known.get("reason", ""), False
    if urgent or again:
        return
    planned = known.get("next_photo_on")
    due = date.fromisoformat(planned) if planned and last_seen else (one.arrived_on or on)
    if due <= on and (last_seen is None or planned):
        why = "no accepted photo yet" if last_seen is None else f"planned for {due}"
        yield "photograph", due, why, True


def _since(flag: _Known, on: date) -> date:
    """Day on which a flag was raised; the day of the round before that and where none is kept."""
    told = flag.get("raised_on")
    return min(on, date.fromisoformat(told)) if told else on
