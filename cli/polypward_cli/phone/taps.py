"""What a tap changed, in words, and how it is taken back; the old values stay in the audit."""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from polypward.errors import BadInputError
from polypward_cli.assigning import assign_photos, undo_assignments
from polypward_cli.phone.config import restore_settings
from polypward_cli.placing import names_of, place_of, save_place
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, dumps, now_text

__all__ = ["Tap", "assign", "moment", "note_tap", "retell", "taps", "undo_tap"]

SHOWN: Final = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Tap:
    """A tap: its number, when and by whom, what it did; `undone` once it was taken back."""

    number: int
    at: datetime
    by: str
    words: str
    undone: bool


def taps(ward: Ward, *, number: int | None = None) -> list[Tap]:
    """Return the last taps, newest first; or the one of a number."""
    where, values = ("", [])
    if number is not None:
        where, values = "where id = ?", [number]
    rows = ward.db.query(f"select * from phone_taps {where} order by id desc limit {SHOWN}", values)
    return [
        Tap(
            number=row["id"],
            at=datetime.fromisoformat(row["at"]).astimezone(ward.settings.zone),
            by=row["by"],
            words=row["words"],
            undone=row["undone_at"] is not None,
        )
        for row in rows
    ]


def note_tap(ward: Ward, *, by: str, words: str, undo: Mapping[str, Any]) -> int:
    """Keep what a tap did and what takes it back; return its number. Within a transaction."""
    made = ward.db.execute(
        "insert into phone_taps (at, by, words, undo) values (?, ?, ?, ?)",
        [now_text(), by, words, dumps(dict(undo))],
    )
    return int(made.lastrowid or 0)


def undo_tap(ward: Ward, number: int, *, by: str) -> str:
    """Take a tap back; return what it had done, in words.

    Raises
    ------
    BadInputError
        If there is no such tap, it was taken back already, or something later stands on it.
    """
    rows = list(ward.db.query("select * from phone_taps where id = ?", [number]))
    if not rows:
        raise BadInputError("There is no such tap to take back.")
    row = rows[0]
    if row["undone_at"]:
        raise BadInputError(f'"{row["words"]}" was taken back already.')
    undo: dict[str, Any] = json.loads(row["undo"])
    with ward.db.atomic():
        for kind, what in undo.items():
            _UNDO[kind](ward, what, by)
        ward.db.table("phone_taps").update(number, {"undone_at": now_text()})
        audit(ward.db, "tap taken back", str(number), old=undo, new={"by": by})
    return str(row["words"])


def assign(
    ward: Ward,
    keys: Mapping[str, str | None],
    *,
    by: str,
    words: str,
    shift: timedelta | None = None,
    also: Mapping[str, Any] | None = None,
) -> int:
    """Say whose photos these are (None = nobody's, such as a tag's); return the tap's number.

    With `shift` their time is moved instead. `also` is what else the undo has to do.

    Raises
    ------
    BadInputError
        If a photo is not in the ward or a name cannot be a specimen's.
    """
    named: dict[str | None, list[str]] = {}
    for key, specimen in keys.items():
        named.setdefault(specimen, []).append(key)
    with ward.db.atomic():
        for specimen, mine in named.items():
            if shift is not None:
                assign_photos(ward, mine, shift=shift, by=by)
            elif specimen is None:
                assign_photos(ward, mine, drop=True, by=by)
            else:
                assign_photos(ward, mine, to=specimen, new=True, by=by)
        undo = {"assigned": {key: _last_step(ward, key) for key in keys}, **(also or {})}
        return note_tap(ward, by=by, words=words, undo=undo)


def retell(ward: Ward, key: str, said: Mapping[str, str], *, by: str, words: str) -> int:
    """Say anew how a photo was taken (view, open; "" = not said); return the tap's number."""
    before = _told(ward, key)
    now = {n: v for n, v in (json.loads(before) | dict(said)).items() if v != ""}
    with ward.db.atomic():
        _tell(ward, key, dumps(now), by=by)
        return note_tap(ward, by=by, words=words, undo={"told": [key, before, dumps(now)]})


def _told(ward: Ward, key: str) -> str:
    """Return what a person said of a photo, as the ledger keeps it."""
    found: str = ward.db.execute("select manifest from photos where key = ?", [key]).fetchone()[0]
    return found


def _tell(ward: Ward, key: str, told: str, *, by: str) -> None:
    audit(ward.db, "person said", key, old=_told(ward, key), new={"manifest": told, "by": by})
    ward.db.table("photos").update(key, {"manifest": told})
    photo = next(ward.db.query("select * from photos where key = ?", [key]))
    place = place_of(ward, photo, path=photo["path"], names=names_of(ward))
    save_place(ward, photo, place, what="placed again")


def _last_step(ward: Ward, key: str) -> int | None:
    found = ward.db.execute("select max(id) from assignment_steps where key = ?", [key])
    last: int | None = found.fetchone()[0]
    return last


def _drop_photos(ward: Ward, keys: Sequence[str], by: str) -> None:
    """Take photos out of every figure; they stay in the ward."""
    assign_photos(ward, list(keys), drop=True, by=by)


def _undo_events(ward: Ward, numbers: Sequence[int], by: str) -> None:
    for number in numbers:
        for row in list(ward.db.query("select * from care where id = ?", [number])):
            ward.db.execute("delete from care where id = ?", [number])
            audit(ward.db, "entry taken back", row["specimen"], old=row, new={"by": by})


def _undo_assigned(ward: Ward, steps: Mapping[str, int], by: str) -> None:
    if any(_last_step(ward, key) != step for key, step in steps.items()):
        raise BadInputError("Something else was said of these photos since then.")
    undo_assignments(ward, list(steps), by=by)


def _undo_told(ward: Ward, what: Sequence[str], by: str) -> None:
    key, before, after = what
    if _told(ward, key) != after:
        raise BadInputError("Something else was said of this photo since then.")
    _tell(ward, key, before, by=by)


def _undo_entries(ward: Ward, entries: Sequence[Sequence[Any]], by: str) -> None:
    from polypward_cli.caring.entries import take_back

    for kind, number in entries:
        take_back(ward, kind, number)


def _undo_time_source(ward: Ward, before: Sequence[str], by: str) -> None:
    token, source = before
    ward.db.table("phone_uploads").update(token, {"time_source": source})


def _undo_looks(ward: Ward, numbers: Sequence[int], by: str) -> None:
    """Take looks at places back, with what they said of odd specimens."""
    for number in numbers:
        ward.db.table("place_looks").update(number, {"undone_at": now_text()})
        found = ward.db.query(
            "select id from care where what = 'look' and json_extract(detail, '$.place_look') = ?",
            [str(number)],
        )
        _undo_events(ward, [row["id"] for row in list(found)], by)


def _undo_food(ward: Ward, what: Sequence[Any], by: str) -> None:
    """Put a food of the list back to what it was, or take a new one off."""
    name, before = what
    ward.db.execute("delete from foods where food = ?", [name])
    if before is not None:
        ward.db.table("foods").insert(before)


def _undo_water(ward: Ward, numbers: Sequence[int], by: str) -> None:
    from polypward_cli.water.testing import undo_test

    for number in numbers:
        undo_test(ward, number, by=by)


def _undo_dose(ward: Ward, number: int, by: str) -> None:
    from polypward_cli.water.dosing import undo_dose

    undo_dose(ward, number, by=by)


def _undo_tick(ward: Ward, number: int, by: str) -> None:
    ward.db.execute("update care_ticks set done_at = null, done_by = '' where id = ?", [number])


def _undo_settings(ward: Ward, what: Mapping[str, str], by: str) -> None:
    restore_settings(ward, what)


_UNDO: Final[dict[str, Callable[[Ward, Any, str], None]]] = {
    "events": _undo_events,
    "photos": _drop_photos,
    "assigned": _undo_assigned,
    "time_source": _undo_time_source,
    "told": _undo_told,
    "settings": _undo_settings,
    "entries": _undo_entries,
    "looks": _undo_looks,
    "food": _undo_food,
    "water": _undo_water,
    "dose": _undo_dose,
    "tick": _undo_tick,
}


def moment(ward: Ward) -> datetime:
    """Return the time of a tap: now, in the ward's zone, to the microsecond.

    Two taps alike are two events only if their times differ.
    """
    return datetime.now(UTC).astimezone(ward.settings.zone)
