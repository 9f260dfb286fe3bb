"""Entries of care: a row that a person wrote, and the events of its specimens that follow from it.

The events are always made anew from the row, so a corrected row corrects the history of every
specimen it names. The old row goes into the audit.
"""

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from polypward.care import eaten_word
from polypward.errors import BadInputError
from polypward.records import CareEvent
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, dumps, now_text

__all__ = [
    "KINDS",
    "Kind",
    "add_entry",
    "add_tick",
    "change_entry",
    "entries",
    "entry",
    "number_of",
    "parse_about",
    "plain",
    "stamp",
    "take_back",
    "write_events",
]

Row = dict[str, Any]
_LISTS: Final = ("places", "specimens", "found", "parts", "responses")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of entry: its table, and the events of its specimens that follow from a row.

    `words` are what those events can be.
    """

    table: str
    words: tuple[str, ...]
    events: Callable[[Row], Iterable[CareEvent]]


def plain(value: float | None, decimals: int = 4) -> str:
    """Return a number as short text for an event's detail; "" for None."""
    return "" if value is None else f"{round(value, decimals):.{decimals}f}".rstrip("0").rstrip(".")


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
    raise BadInputError(f"there is no {kind}:{number} in this ward")


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


def _feeding_events(row: Row) -> Iterable[CareEvent]:
    """Yield a feeding of each specimen, with its share of the cost and of the minutes."""
    count = len(row["specimens"])
    for specimen in row["specimens"]:
        response = row["responses"].get(specimen, "")
        yield CareEvent(
            specimen=specimen,
            at=row["at"],
            what="feeding",
            detail=_filled(
                feeding=str(row["id"]),
                food=row["food"],
                amount=row["amount"],
                response=response,
                eaten=eaten_word(response) if response else "",
                cost=plain(_share(row["cost"], count)),
                minutes=plain(_share(row["work_minutes"], count)),
            ),
            by=row["by"],
        )


def _treatment_events(row: Row) -> Iterable[CareEvent]:
    """Yield a dip, or the beginning (and end) of a treatment, of each specimen."""
    count = len(row["specimens"])
    dip = row["how"] == "dip"
    for specimen in row["specimens"]:
        yield CareEvent(
            specimen=specimen,
            at=row["at"],
            what="dip" if dip else "treatment",
            detail=_filled(
                treatment=str(row["id"]),
                name=row["agent"],
                status="" if dip else "open",
                concentration=row["concentration"],
                bath_minutes=plain(row["bath_minutes"]) if dip else "",
                cost=plain(_share(row["cost"], count)),
                minutes=plain(_share(row["work_minutes"], count)),
            ),
            by=row["by"],
        )
        if not dip and row["ended_at"] is not None:
            # A moment later than a beginning at the same time, so that the order is plain.
            at = max(row["ended_at"], row["at"] + timedelta(seconds=1))
            detail = {"treatment": str(row["id"]), "name": row["agent"], "status": "done"}
            yield CareEvent(
                specimen=specimen, at=at, what="treatment", detail=detail, by=row["ended_by"]
            )


def _inspection_events(row: Row) -> Iterable[CareEvent]:
    count = len(row["specimens"])
    for specimen in row["specimens"]:
        yield CareEvent(
            specimen=specimen,
            at=row["at"],
            what="inspection",
            detail=_filled(
                inspection=str(row["id"]),
                found=", ".join(row["found"]),
                clean="" if row["found"] else "yes",
                treated=row["treated"],
                minutes=plain(_share(row["work_minutes"], count)),
            ),
            by=row["by"],
        )


def _change_events(row: Row) -> Iterable[CareEvent]:
    """Yield a water change of each specimen in the water, with its share of cost and minutes."""
    count = len(row["specimens"])
    for specimen in row["specimens"]:
        detail = _filled(
            change=str(row["id"]),
            water_system=row["water_system"],
            litres=plain(row["litres"]),
            share=plain(row["share"]),
            cost=plain(_share(row["cost"], count)),
            minutes=plain(_share(row["work_minutes"], count)),
        )
        yield CareEvent(
            specimen=specimen, at=row["at"], what="water-change", detail=detail, by=row["by"]
        )


def _filled(**detail: str) -> dict[str, str]:
    return {name: value for name, value in detail.items() if value}


def _share(whole: float | None, count: int) -> float | None:
    return None if whole is None or not count else whole / count


KINDS: Final[dict[str, Kind]] = {
    "feeding": Kind("feedings", ("feeding",), _feeding_events),
    "treatment": Kind("treatments", ("dip", "treatment"), _treatment_events),
    "inspection": Kind("inspections", ("inspection",), _inspection_events),
    "change": Kind("water_changes", ("water-change",), _change_events),
    "mix": Kind("mixes", (), lambda _: ()),
}
