"""What a tap changed, in words, and how it is taken back; the old values stay in the audit."""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from polypward.errors import BadInputError
from polypward.records import CareEvent
from polypward_cli.assigning import assign_photos
from polypward_cli.phone.config import restore_settings
from polypward_cli.placing import names_of, place_of, save_place
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, dumps, now_text

__all__ = ["Tap", "assign", "drop_photos", "log_events", "moment", "note_tap", "taps", "undo_tap"]

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
            _UNDO[kind](ward, what)
        ward.db.table("phone_taps").update(number, {"undone_at": now_text()})
        audit(ward.db, "tap taken back", str(number), old=undo, new={"by": by})
    return str(row["words"])


def log_events(ward: Ward, events: Sequence[CareEvent], *, by: str, words: str) -> int:
    """Keep care events of one tap, all or none; return the number of the tap."""
    with ward.db.atomic():
        numbers = []
        for event in events:
            if ward.add_care(event):
                last = ward.db.execute("select max(id) from care").fetchone()
                numbers.append(int(last[0]))
        return note_tap(ward, by=by, words=words, undo={"events": numbers})


def drop_photos(ward: Ward, keys: Sequence[str]) -> None:
    """Take photos out of every figure; they stay in the ward."""
    assign_photos(ward, list(keys), drop=True)


def assign(ward: Ward, keys: Mapping[str, str | None], *, by: str, words: str) -> int:
    """Say whose photos these are (None = no specimen's, such as a tag's); return the tap's number.

    Raises
    ------
    BadInputError
        If a photo is not in the ward or a name cannot be a specimen's.
    """
    with ward.db.atomic():
        before = {
            row["key"]: row
            for row in ward.db.query("select * from assignments")
            if row["key"] in keys
        }
        for key, specimen in keys.items():
            if specimen is None:
                assign_photos(ward, [key], drop=True)
            else:
                assign_photos(ward, [key], to=specimen)
        undo = {"assigned": [[key, before.get(key)] for key in keys]}
        return note_tap(ward, by=by, words=words, undo=undo)


def _undo_events(ward: Ward, numbers: Sequence[int]) -> None:
    for number in numbers:
        for row in list(ward.db.query("select * from care where id = ?", [number])):
            ward.db.execute("delete from care where id = ?", [number])
            audit(ward.db, "entry taken back", row["specimen"], old=row)


def _undo_assigned(ward: Ward, before: Sequence[Sequence[Any]]) -> None:
    names = names_of(ward)
    for key, row in before:
        now = list(ward.db.query("select * from assignments where key = ?", [key]))
        ward.db.execute("delete from assignments where key = ?", [key])
        if row is not None:
            ward.db.table("assignments").insert(row)
        audit(ward.db, "person said", key, old=now[0] if now else None, new=row)
        for photo in list(ward.db.query("select * from photos where key = ?", [key])):
            _forget_assigned(ward, key)
            place = place_of(ward, photo, path=photo["path"], names=names)
            save_place(ward, photo, place, what="placed again")


def _forget_assigned(ward: Ward, key: str) -> None:
    """Let a photo's specimen follow from what names it: an assignment that is gone named it."""
    ward.db.execute(
        "update readings set specimen = '', specimen_from = '' "
        "where key = ? and specimen_from = 'assigned' and copy_path = ''",
        [key],
    )


def _undo_entries(ward: Ward, entries: Sequence[Sequence[Any]]) -> None:
    from polypward_cli.caring.entries import take_back

    for kind, number in entries:
        take_back(ward, kind, number)


def _undo_time_source(ward: Ward, before: Sequence[str]) -> None:
    token, source = before
    ward.db.table("phone_uploads").update(token, {"time_source": source})


def _undo_looks(ward: Ward, numbers: Sequence[int]) -> None:
    """Take looks at places back, with what they said of odd specimens."""
    for number in numbers:
        ward.db.table("place_looks").update(number, {"undone_at": now_text()})
        found = ward.db.query(
            "select id from care where what = 'look' and json_extract(detail, '$.place_look') = ?",
            [str(number)],
        )
        _undo_events(ward, [row["id"] for row in list(found)])


def _undo_food(ward: Ward, what: Sequence[Any]) -> None:
    """Put a food of the list back to what it was, or take a new one off."""
    name, before = what
    ward.db.execute("delete from foods where food = ?", [name])
    if before is not None:
        ward.db.table("foods").insert(before)


def _undo_water(ward: Ward, numbers: Sequence[int]) -> None:
    from polypward_cli.water.testing import undo_test

    for number in numbers:
        undo_test(ward, number, by="")


_UNDO: Final[dict[str, Callable[[Ward, Any], None]]] = {
    "events": _undo_events,
    "photos": drop_photos,
    "assigned": _undo_assigned,
    "time_source": _undo_time_source,
    "settings": restore_settings,
    "entries": _undo_entries,
    "looks": _undo_looks,
    "food": _undo_food,
    "water": _undo_water,
}


def moment(ward: Ward) -> datetime:
    """Return the time of a tap: now, in the ward's zone, to the microsecond.

    Two taps alike are two events only if their times differ.
    """
    return datetime.now(UTC).astimezone(ward.settings.zone)
