"""The unpacking sheet: what the water of a bag or box was like when it was opened."""

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from polypward.errors import BadInputError
from polypward.water import bag_words
from polypward_cli.dates import parse_time
from polypward_cli.naming import clean_name
from polypward_cli.tablein import Faults, read_table
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit

__all__ = [
    "BAG",
    "COLUMNS",
    "ammonia_words",
    "known_batches",
    "sheet_lines",
    "sheets",
    "take_sheet_back",
    "unpack",
    "unpack_table",
]

# What is read in a bag: its unit, and bounds that catch a slipped point or a wrong unit. Common
# practice, no source.
BAG: Final[Mapping[str, tuple[str, float, float]]] = {
    "bag_temp_c": ("°C", 5.0, 45.0),
    "bag_salinity": ("PSU", 10.0, 60.0),
    "bag_ph": ("pH", 5.0, 9.5),
    "transit_hours": ("h", 0.0, 240.0),
}
COLUMNS: Final = ("batch", "box", "at", *BAG, "note", "by")


def unpack(
    ward: Ward,
    batch: str,
    *,
    box: str = "",
    at: datetime,
    by: str = "",
    note: str = "",
    **readings: float | None,
) -> str:
    """Keep the sheet of a bag or box of a batch; the same one again corrects it.

    Parameters
    ----------
    batch, box : str
        Which one; no box means the whole batch.
    at : datetime
        When it was opened, to the minute; batch, box and time tell one sheet from another.
    **readings : float or None
        By the names of `BAG`: °C, practical salinity, pH, hours from packing to opening.

    Returns
    -------
    str
        "new", "changed" or "known".

    Raises
    ------
    BadInputError
        If the batch is not known or had not arrived, nothing is told, or a reading is out of its
        bounds.
    """
    name = _known(ward, batch)
    told = {name: value for name, value in readings.items() if value is not None}
    _check_arrived(ward, name, at)
    if not told:
        raise BadInputError("say what the bag was like: temperature, salinity, pH or hours")
    for reading, value in told.items():
        if fault := _fault(reading, value):
            raise BadInputError(fault)
    key = {
        "batch": name,
        "box": clean_name(box),
        "at": at.astimezone(UTC).replace(second=0, microsecond=0).isoformat(),
    }
    row = told | {column: value for column, value in (("note", note), ("by", by)) if value}
    with ward.db.atomic():
        sql = "select * from unpackings where batch = :batch and box = :box and at = :at"
        for old in list(ward.db.query(sql, key)):
            if all(old[column] == value for column, value in row.items()):
                return "known"
            ward.db.table("unpackings").update(old["id"], row)
            audit(ward.db, "unpacking sheet changed", key["batch"], old=old, new=key | row)
            return "changed"
        ward.db.table("unpackings").insert(key | row)
    return "new"


def take_sheet_back(
    ward: Ward, batch: str, *, box: str = "", at: datetime | None = None, by: str = ""
) -> dict[str, Any]:
    """Take back the last sheet of a bag or box, or that of a minute; return it as `sheets` does.

    Raises
    ------
    BadInputError
        If there is none.
    """
    name = _known(ward, batch)
    mine = [
        row
        for row in sheets(ward, name)
        if row["box"] == clean_name(box)
        and (at is None or datetime.fromisoformat(row["at"]) == at.replace(second=0, microsecond=0))
    ]
    if not mine:
        of = f"box {box}" if box else "the whole batch (name the --box)"
        when = f" of {at:%Y-%m-%d %H:%M}" if at else ""
        raise BadInputError(f'batch "{name}": no unpacking sheet of {of}{when}: polypward unpack')
    last = mine[-1]
    key = {
        "batch": name,
        "box": last["box"],
        "at": datetime.fromisoformat(last["at"]).astimezone(UTC).isoformat(),
    }
    with ward.db.atomic():
        where = "batch = :batch and box = :box and at = :at"
        ward.db.execute(f"delete from unpackings where {where}", key)
        audit(ward.db, "unpacking sheet taken back", name, old=last, new={"by": by})
    return last


def unpack_table(ward: Ward, path: Path, *, by: str = "") -> dict[str, int]:
    """Keep the sheets of a CSV, all or none; return how many were new, changed and known.

    Raises
    ------
    BadInputError
        With the line of every fault.
    """
    table = read_table(path, known=COLUMNS, required=("batch", "at"))
    faults = Faults(path)
    if not table.rows:
        raise BadInputError(f"{path}: no rows under the header")
    counts = {"new": 0, "changed": 0, "known": 0}
    now = datetime.now(UTC)
    seen: dict[tuple[str, ...], int] = {}
    with ward.db.atomic():
        for row in table.rows:
            key = tuple(row.text(name).casefold() for name in ("batch", "box", "at"))
            if key in seen:
                faults.add(row.line, f"the same batch, box and time as line {seen[key]}")
            seen.setdefault(key, row.line)
            before = len(faults.lines)
            readings = {
                name: row.number(name, faults, low=low, high=high)
                for name, (_, low, high) in BAG.items()
            }
            try:
                at = parse_time(row.text("at"), zone=ward.settings.zone)
                if at > now:
                    raise BadInputError(f'at "{row.text("at")}" is in the future')
                done = unpack(
                    ward,
                    row.text("batch"),
                    box=row.text("box"),
                    at=at,
                    by=row.text("by") or by,
                    note=row.text("note"),
                    **readings,
                )
                counts[done] += 1
            except BadInputError as error:
                if len(faults.lines) == before:
                    faults.add(row.line, str(error))
        faults.raise_any()
    return counts


def sheets(ward: Ward, batch: str = "") -> list[dict[str, Any]]:
    """Return the sheets (of one batch), by time; `at` in the ward's zone."""
    zone = ward.settings.zone
    rows = ward.db.query("select * from unpackings order by at, batch, box")
    wanted = clean_name(batch).casefold()
    return [
        {name: row[name] for name in COLUMNS}
        | {"at": datetime.fromisoformat(row["at"]).astimezone(zone).isoformat()}
        for row in rows
        if wanted in ("", row["batch"].casefold())
    ]


def sheet_lines(rows: list[dict[str, Any]]) -> Iterator[str]:
    """Yield sheets as lines of plain text."""
    if not rows:
        yield "No unpacking sheet."
    for row in rows:
        told = [
            f"{row[name]:g} {unit}" if name != "bag_ph" else f"pH {row[name]:g}"
            for name, (unit, _, _) in BAG.items()
            if row[name] is not None
        ]
        box = f", box {row['box']}" if row["box"] else ""
        tail = "".join(f", {row[name]}" for name in ("note", "by") if row[name])
        yield f"{row['at'][:16].replace('T', ' ')}  batch {row['batch']}{box}: " + (
            ", ".join(told) + tail
        )


def ammonia_words(ward: Ward, row: Mapping[str, Any]) -> str:
    """Return what opening does to the ammonia in a bag, from its sheet.

    Its pH rises to that of the water the batch goes into, as last tested, else to that of sea
    water open to the air.
    """
    bag = {
        "ph": row["bag_ph"],
        "temperature_c": row["bag_temp_c"],
        "salinity": row["bag_salinity"],
    }
    for test in ward.db.query(
        "select value, system, at from water_tests where undone_at is null and parameter = 'ph' "
        "and system in (select water_system from specimens where batch = ? and state = 'held') "
        "order by at desc limit 1",
        [row["batch"]],
    ):
        day = datetime.fromisoformat(test["at"]).astimezone(ward.settings.zone).date()
        told = f"as of {test['system']}, tested on {day}"
        return bag_words(**bag, ph_after=test["value"], ph_of=told)
    return bag_words(**bag)


def _known(ward: Ward, batch: str) -> str:
    known = {name.casefold(): name for name in known_batches(ward)}
    found = known.get(clean_name(batch).casefold())
    if found is None:
        there = f"there are {', '.join(sorted(known.values()))}" if known else "none is registered"
        raise BadInputError(f'"{batch}" is no batch of this ward; {there}')
    return found


def _check_arrived(ward: Ward, batch: str, at: datetime) -> None:
    sql = "select min(arrived_on), count(*) - count(arrived_on) from specimens where batch = ?"
    first, unknown = ward.db.execute(sql, [batch]).fetchone()
    day = at.astimezone(ward.settings.zone).date()
    if not unknown and day.isoformat() < first:
        raise BadInputError(
            f'batch "{batch}" arrived on {first}; {day} is before that. If the day of arrival is '
            "wrong: polypward specimen change"
        )


def known_batches(ward: Ward) -> list[str]:
    """Return the names of the batches that any specimen is of."""
    rows = ward.db.query("select distinct batch from specimens where batch != '' order by 1")
    return [row["batch"] for row in rows]


def _fault(name: str, value: float) -> str:
    unit, low, high = BAG[name]
    if low <= value <= high:
        return ""
    hint = ""
    if name == "bag_salinity" and 1.0 < value < 1.1:
        hint = (
            "; that looks like a specific gravity: give practical salinity, about 35 in sea water"
        )
    if name == "bag_temp_c" and 45 < value <= 113:
        hint = "; that looks like °F"
    return f"{name} must be from {low:g} to {high:g} {unit}, got {value:g}{hint}"
