"""How the ward's places stand, and the way into quarantine and out of it."""

from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any, Final

from polypward.care import (
    PlaceStanding,
    Shared,
    Stay,
    earliest_exit,
    hindrances,
    shared_water,
)
from polypward.errors import BadInputError
from polypward.records import CareEvent
from polypward_cli.caring.entries import Row, entries, write_events
from polypward_cli.caring.inspecting import inspections_of
from polypward_cli.caring.scope import places_of
from polypward_cli.caring.stays import entries_into, stays_of_ward
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import now_text
from polypward_cli.ward.rows import care_of

__all__ = [
    "PlaceView",
    "note_newcomers",
    "place_views",
    "quarantine_notes",
    "set_standing",
    "standings",
    "water_mates",
]

MOST_DAYS: Final = 365
NOON: Final = time(12)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceView:
    """How a place stands on a day, who is on it, and what stands against leaving quarantine.

    `standing` is None where nobody said; such a place is not "clean". `restarted_by` are
    newcomers from whom the days of quarantine are counted anew.
    """

    place: str
    members: tuple[str, ...]
    standing: PlaceStanding | None
    earliest_exit: date | None
    hindrances: tuple[str, ...]
    restarted_by: tuple[str, ...]
    last_inspection: datetime | None
    last_found: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        stands = self.standing
        return {
            "place": self.place,
            "specimens": list(self.members),
            "state": stands.state if stands else "",
            "since": stands.since.isoformat() if stands else "",
            "days": stands.days if stands else None,
            "earliest_exit": self.earliest_exit.isoformat() if self.earliest_exit else "",
            "hindrances": list(self.hindrances),
            "restarted_by": list(self.restarted_by),
            "last_inspection": self.last_inspection.isoformat() if self.last_inspection else "",
            "last_found": list(self.last_found),
        }


def standings(ward: Ward) -> dict[str, PlaceStanding]:
    """Return how each place stands that anybody has set, by name."""
    rows = ward.db.query("select * from place_standings order by id")
    return {
        row["place"]: PlaceStanding(
            place=row["place"],
            state=row["state"],
            since=date.fromisoformat(row["since"]),
            days=row["days"],
            by=row["by"],
            reason=row["reason"],
        )
        for row in rows
    }


def place_views(ward: Ward, *, on: date) -> list[PlaceView]:
    """Return every place that holds a specimen or was set, as it stands on a day, by name."""
    places, set_ones = places_of(ward), standings(ward)
    rows = entries(ward, "inspection")
    watched = any(one.state == "quarantine" for one in set_ones.values())
    stays = stays_of_ward(ward) if watched else []
    return [
        _view(ward, place, places.get(place, []), set_ones.get(place), rows, stays, on)
        for place in sorted({*places, *set_ones})
    ]


def set_standing(
    ward: Ward,
    place: str,
    state: str,
    *,
    at: datetime,
    days: int | None = None,
    by: str = "",
    reason: str = "",
) -> PlaceView:
    """Set how a place stands from a day on; returns it as it then stands.

    Into quarantine every specimen there gets the note that quarantine started, out of it that it
    is done; the advice reads these.

    Raises
    ------
    BadInputError
        If the place or state is unknown, the days are impossible, the day is before the last
        change (the same state said again corrects its day), or something stands against leaving
        quarantine and no reason is given.
    """
    on = at.astimezone(ward.settings.zone).date()
    views = {view.place.casefold(): view for view in place_views(ward, on=on)}
    view = views.get(" ".join(place.split()).casefold())
    if view is None:
        known = ", ".join(one.place for one in views.values()) or "none yet"
        raise BadInputError(
            f'"{place}" is no place of this ward ({known}); a place is what a register or a move '
            "names"
        )
    if days is not None and state != "quarantine":
        raise BadInputError("--days are those of a quarantine")
    if days is not None and not 1 <= days <= MOST_DAYS:
        raise BadInputError(f"days must be from 1 to {MOST_DAYS}, got {days}")
    if state == "quarantine" and days is None:
        days = ward.settings.course_settings().quarantine_days
    fresh = PlaceStanding(place=view.place, state=state, since=on, days=days, by=by, reason=reason)
    before = view.standing
    if before is not None and on < before.since and state != before.state:
        raise BadInputError(
            f"{view.place} stands at {before.state} since {before.since}; {on} is before that"
        )
    if view.hindrances and state != "quarantine" and not reason:
        raise BadInputError(
            f"{view.place} is in quarantine since {before.since if before else '?'}: "
            f"{'; '.join(view.hindrances)}. Nothing was noted. To end it all the same say why: "
            '--reason "..."'
        )
    with ward.db.atomic():
        _keep(ward, fresh)
        was = before is not None and before.state == "quarantine"
        if state == "quarantine" or was:
            status = "started" if state == "quarantine" else "done"
            detail = {"status": status, "place": view.place}
            detail |= {"reason": reason} if reason else {}
            write_events(
                ward,
                (
                    CareEvent(specimen=name, at=at, what="quarantine", detail=detail, by=by)
                    for name in view.members
                ),
            )
    return next(one for one in place_views(ward, on=on) if one.place == view.place)


def note_newcomers(ward: Ward) -> int:
    """Note the beginning of quarantine of whoever came into a place that is in one; how many.

    The advice reads a specimen's own notes: without this a newcomer that has been in the ward for
    long would count as through with it.
    """
    shut = {name: one for name, one in standings(ward).items() if one.state == "quarantine"}
    if not shut:
        return 0
    told = quarantine_notes(ward)
    since = {
        (stay.specimen, stay.place): stay.since
        for stay in stays_of_ward(ward)
        if stay.until is None and stay.place in shut
    }
    fresh = []
    for place, members in places_of(ward).items():
        for name in members if place in shut else ():
            last = told.get(name)
            if last is not None and last.detail.get("status") == "started":
                continue
            came = max(since.get((name, place)) or shut[place].since, shut[place].since)
            if last is not None and last.at.date() >= came:
                continue
            at = datetime.combine(came, NOON, tzinfo=ward.settings.zone)
            moved = _moved_at(ward, name, place)
            if moved is not None and moved.date() == came:
                at = moved
            detail = {"status": "started", "place": place}
            fresh.append(CareEvent(specimen=name, at=at, what="quarantine", detail=detail))
    with ward.db.atomic():
        write_events(ward, fresh)
    return len(fresh)


def _moved_at(ward: Ward, specimen: str, place: str) -> datetime | None:
    """Return when a specimen was last moved to a place; None if it never was."""
    sql = (
        "select max(at) from care where specimen = ? and what = 'move' "
        "and json_extract(detail, '$.to') = ?"
    )
    at = ward.db.execute(sql, [specimen, place]).fetchone()[0]
    return datetime.fromisoformat(at).astimezone(ward.settings.zone) if at else None


def quarantine_notes(ward: Ward) -> dict[str, CareEvent]:
    """Return the last note of quarantine of each specimen that has one."""
    rows = ward.db.query("select * from care where what = 'quarantine' order by at, id")
    return {row["specimen"]: care_of(row, zone=ward.settings.zone) for row in rows}


def water_mates(ward: Ward, specimens: tuple[str, ...]) -> tuple[Shared, ...]:
    """Return who shared the water with these specimens since the first of them arrived.

    Where an arrival is not known it counts from ever.
    """
    arrivals = [one.arrived_on for one in ward.specimens() if one.specimen in specimens]
    known = [day for day in arrivals if day is not None]
    since = min(known) if known and len(known) == len(arrivals) else None
    return shared_water(stays_of_ward(ward), specimens, since=since)


def _view(
    ward: Ward,
    place: str,
    members: list[str],
    standing: PlaceStanding | None,
    rows: list[Row],
    stays: list[Stay],
    on: date,
) -> PlaceView:
    seen = inspections_of(rows, place, members)
    ends, against, newcomers = None, [], []
    if standing is not None and standing.state == "quarantine":
        came = {
            day: names
            for day, names in entries_into(stays, place).items()
            if standing.since < day <= on
        }
        ends = earliest_exit(standing, entries=came)
        against = hindrances(standing, seen, on=on, zone=ward.settings.zone, entries=came)
        newcomers = came[max(came)] if came else []
    return PlaceView(
        place=place,
        members=tuple(members),
        standing=standing,
        earliest_exit=ends,
        hindrances=tuple(against),
        restarted_by=tuple(newcomers),
        last_inspection=seen[-1].at if seen else None,
        last_found=seen[-1].found if seen else (),
    )


def _keep(ward: Ward, one: PlaceStanding) -> None:
    ward.db.execute(
        "insert into place_standings (place, state, since, days, by, reason, noted_at) "
        "values (?, ?, ?, ?, ?, ?, ?)",
        [one.place, one.state, one.since.isoformat(), one.days, one.by, one.reason, now_text()],
    )
