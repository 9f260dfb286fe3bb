"""Entries of care: a row that a person wrote, and the events of its specimens that follow from it.

The events are always made anew from the row, so a corrected row corrects the history of every
specimen it names. The old row goes into the audit.
"""

import json
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any, Final

from polypward.errors import BadInputError
from polypward.records import CareEvent
from polypward_cli.caring.kinds import KINDS, Row
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, dumps, now_text

__all__ = [
    "Row",
    "add_entry",
    "add_tick",
    "change_entry",
    "entries",
    "entry",
    "number_of",
    "parse_about",
    "stamp",
    "take_back",
    "write_events",
]

_LISTS: Final = ("places", "specimens", "found", "parts", "responses")


def stamp(at: datetime) -> str:
    """Return a time as the ledger keeps it: UTC, ISO 8601."""
    return at.astimezone(UTC).isoformat()


def parse_about(text: str) -> tuple[str, int]:
    """Return kind and number of an entry from "feeding:12".

    Raises
    ------
    BadInputError
        If it is not written so.
    """
    kind, _, number = text.strip().casefold().partition(":")
    if kind not in KINDS or not number.isdecimal():
        kinds = ", ".join(f"{kind}:NUMBER" for kind in KINDS)
        raise BadInputError(f'"{text}" names no entry; write one of {kinds}')
    return kind, int(number)


def number_of(kind: str, about: str) -> int:
    """Return the number of an entry that must be of a kind, from "feeding:12" or "12".

    Raises
    ------
    BadInputError
        If it is not written so, or of another kind.
    """
    found, number = parse_about(about if ":" in about else f"{kind}:{about}")
    if found != kind:
        raise BadInputError(f'"{about}" is no {kind}; write {kind}:NUMBER')
    return number


def entry(ward: Ward, kind: str, number: int) -> Row:
    """Return one entry that stands, its lists read and its times as datetimes in the ward's zone.

    Raises
    ------
    BadInputError
        If there is none of that number, or it was taken back.
    """
    table = KINDS[kind].table
    for row in ward.db.query(f"select * from {table} where id = ?", [number]):
        if row["undone_at"]:
            raise BadInputError(f"{kind}:{number} was taken back on {row['undone_at'][:10]}")
        return _read(ward, row)
    raise BadInputError(
        f"there is no {kind}:{number} in this ward; polypward care list shows the numbers"
    )


def entries(ward: Ward, kind: str, *, since: datetime | None = None) -> list[Row]:
    """Return the entries of a kind that stand, oldest first, from a time on."""
    table = KINDS[kind].table
    column = "made_at" if kind == "mix" else "at"
    rows = ward.db.query(
        f"select * from {table} where undone_at is null and {column} >= ? order by {column}, id",
        ["" if since is None else stamp(since)],
    )
    return [_read(ward, row) for row in rows]


def add_entry(ward: Ward, kind: str, values: Mapping[str, Any]) -> Row:
    """Keep a new entry with its events; returns it as `entry` does. Within a transaction."""
    made = ward.db.execute(
        f"insert into {KINDS[kind].table} ({', '.join(values)}) "
        f"values ({', '.join('?' * len(values))})",
        [_cell(value) for value in values.values()],
    )
    row = entry(ward, kind, int(made.lastrowid or 0))
    write_events(ward, KINDS[kind].events(row))
    return row


def change_entry(
    ward: Ward, kind: str, number: int, changes: Mapping[str, Any], *, by: str = ""
) -> Row:
    """Change an entry and remake its events; the old values, and who did, go into the audit.

    Raises
    ------
    BadInputError
        If there is no such entry.
    """
    before = entry(ward, kind, number)
    old = {name: before[name] for name in changes if before[name] != changes[name]}
    if not old:
        return before
    with ward.db.atomic():
        new = {name: _cell(changes[name]) for name in old}
        audit(
            ward.db,
            f"{kind} changed",
            f"{kind}:{number}",
            old={name: _cell(value) for name, value in old.items()},
            new=new | ({"changed_by": by} if by else {}),
        )
        names = ", ".join(f"{name} = ?" for name in new)
        ward.db.execute(
            f"update {KINDS[kind].table} set {names} where id = ?", [*new.values(), number]
        )
        row = entry(ward, kind, number)
        _drop_events(ward, kind, number)
        write_events(ward, KINDS[kind].events(row))
    return row


def take_back(ward: Ward, kind: str, number: int, *, by: str = "") -> Row:
    """Take an entry back: its events and open ticks go, the row stays with its values."""
    row = entry(ward, kind, number)
    with ward.db.atomic():
        now = now_text()
        audit(ward.db, f"{kind} taken back", f"{kind}:{number}", old={"undone_at": None},
              new={"undone_at": now, "changed_by": by})  # fmt: skip
        ward.db.execute(f"update {KINDS[kind].table} set undone_at = ? where id = ?", [now, number])
        _drop_events(ward, kind, number)
        ward.db.execute(
            "delete from care_ticks where about = ? and done_at is null", [f"{kind}:{number}"]
        )
    return row


def add_tick(ward: Ward, about: str, what: str, due: datetime) -> None:
    """Keep what must still be done to end an entry, and when."""
    ward.db.execute(
        "insert into care_ticks (about, what, due_at) values (?, ?, ?)", [about, what, stamp(due)]
    )


def write_events(ward: Ward, events: Iterable[CareEvent]) -> None:
    """Keep events that change neither state nor place of their specimens."""
    for event in events:
        ward.db.execute(
            "insert or ignore into care (specimen, at, what, detail, by) values (?, ?, ?, ?, ?)",
            [event.specimen, stamp(event.at), event.what, dumps(dict(event.detail)), event.by],
        )


def _drop_events(ward: Ward, kind: str, number: int) -> None:
    words = KINDS[kind].words
    marks = ", ".join("?" * len(words))
    sql = f"delete from care where what in ({marks}) and json_extract(detail, '$.{kind}') = ?"
    ward.db.execute(sql, [*words, str(number)])


def _read(ward: Ward, row: Row) -> Row:
    read: Row = dict(row)
    for name, value in row.items():
        if name in _LISTS and isinstance(value, str):
            read[name] = json.loads(value)
        elif name in ("at", "made_at", "use_by", "ended_at") and value:
            read[name] = datetime.fromisoformat(value).astimezone(ward.settings.zone)
    return read


def _cell(value: Any) -> Any:
    if isinstance(value, datetime):
        return stamp(value)
    if isinstance(value, list | tuple | dict):
        return dumps(value)
    return value
