"""Tests of water in the ledger: written, corrected, taken in from tables and written to them."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Final

from polypward.errors import BadInputError
from polypward.units import CANONICAL
from polypward.water import (
    Entry,
    State,
    WaterTest,
    read_entries,
    read_entry,
    read_value,
    water_state,
)
from polypward_cli.dates import parse_day
from polypward_cli.files import write_text
from polypward_cli.life.common import moment
from polypward_cli.naming import clean_name
from polypward_cli.tablein import Faults, Row, read_table
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, now_text
from polypward_cli.ward.tables import csv_text
from polypward_cli.water.systems import keep_system, system_named, targets_of

__all__ = [
    "COLUMNS",
    "add_tests",
    "amend_test",
    "export_tests",
    "import_tests",
    "states_of",
    "undo_test",
    "water_tests_of",
]

COLUMNS: Final = ("system", "at", "what", "value", "unit", "kit", "kit_expires", "by", "note")


def water_tests_of(ward: Ward, system: str | None = None) -> list[WaterTest]:
    """Return the tests of a system, or of all, by time; those taken back are left out."""
    where = "" if system is None else "and system = ?"
    rows = ward.db.query(
        f"select * from water_tests where undone_at is null {where} order by at, id",
        None if system is None else [system],
    )
    return [_test(row, ward) for row in rows]


def _test(row: Mapping[str, Any], ward: Ward) -> WaterTest:
    return WaterTest(
        system=row["system"],
        parameter=row["parameter"],
        value=row["value"],
        below=bool(row["below"]),
        entered=row["entered"],
        at=datetime.fromisoformat(row["at"]).astimezone(ward.settings.zone),
        kit=row["kit"],
        kit_expires=date.fromisoformat(row["kit_expires"]) if row["kit_expires"] else None,
        by=row["by"],
        note=row["note"],
        id=row["id"],
    )


def states_of(ward: Ward, system: str, *, on: date) -> tuple[State, ...]:
    """Return the state of every parameter of a system on a day."""
    return water_state(
        water_tests_of(ward, system),
        targets=targets_of(ward, system),
        on=on,
        zone=ward.settings.zone,
    )


def add_tests(
    ward: Ward,
    system: str,
    entries: Iterable[str],
    *,
    at: datetime,
    kit: str = "",
    kit_expires: date | None = None,
    by: str = "",
    note: str = "",
) -> list[tuple[WaterTest, bool]]:
    """Keep tests written like "dkh=8.4", all or none; False with those that were known already.

    Raises
    ------
    BadInputError
        With every fault; nothing is written.
    """
    read = read_entries(entries)
    tests = [_as_test(system, one, at, kit, kit_expires, by, note) for one in read]
    with ward.db.atomic():
        keep_system(ward, system)
        return [(test, _keep(ward, test)) for test in tests]


def _as_test(
    system: str,
    entry: Entry,
    at: datetime,
    kit: str,
    kit_expires: date | None,
    by: str,
    note: str,
) -> WaterTest:
    return WaterTest(
        system=system,
        parameter=entry.parameter,
        value=entry.value,
        below=entry.below,
        entered=entry.entered,
        at=at,
        kit=clean_name(kit),
        kit_expires=kit_expires,
        by=by,
        note=note.strip(),
    )


def _row(test: WaterTest) -> dict[str, Any]:
    return {
        "system": test.system,
        "parameter": test.parameter,
        "value": test.value,
        "below": int(test.below),
        "entered": test.entered,
        "at": test.at.astimezone(UTC).isoformat(),
        "kit": test.kit,
        "kit_expires": test.kit_expires.isoformat() if test.kit_expires else None,
        "by": test.by,
        "note": test.note,
    }


def _keep(ward: Ward, test: WaterTest) -> bool:
    row = _row(test)
    known = ward.db.execute(
        "select 1 from water_tests where undone_at is null and system = ? and parameter = ? "
        "and at = ? and abs(value - ?) < 1e-9 and below = ? and by = ?",
        [row["system"], row["parameter"], row["at"], row["value"], row["below"], row["by"]],
    ).fetchone()
    if known:
        return False
    ward.db.table("water_tests").insert(row)
    return True


def _by_number(ward: Ward, number: int) -> WaterTest:
    rows = ward.db.query("select * from water_tests where id = ?", [number])
    for row in rows:
        if row["undone_at"]:
            raise BadInputError(f"test {number} was taken back already")
        return _test(row, ward)
    raise BadInputError(f"there is no test {number}; polypward care water shows their numbers")


def amend_test(
    ward: Ward, number: int, *, value: str = "", at: datetime | None = None, by: str
) -> tuple[WaterTest, WaterTest]:
    """Correct the value or the time of a test; returns it before and after. The ward is held.

    Raises
    ------
    BadInputError
        If there is no such test, or the new value is of another parameter or cannot be.
    """
    before = _by_number(ward, number)
    after = before
    if value:
        entry = read_entry(value)
        if entry.parameter != before.parameter:
            raise BadInputError(
                f"test {number} is of {before.parameter}, not of {entry.parameter}; take it back "
                "with --undo and note the other"
            )
        after = replace(after, value=entry.value, below=entry.below, entered=entry.entered)
    if at is not None:
        after = replace(after, at=at)
    if after == before:
        raise BadInputError("say what to correct: the value, --at or --undo")
    old, new = _row(before), _row(after)
    with ward.db.atomic():
        audit(ward.db, "water test changed", str(number), old=old, new=new | {"said_by": by})
        ward.db.table("water_tests").update(number, new)
    return before, after


def undo_test(ward: Ward, number: int, *, by: str) -> WaterTest:
    """Take a test back; its row is kept. The ward is held.

    Raises
    ------
    BadInputError
        If there is no such test.
    """
    test = _by_number(ward, number)
    with ward.db.atomic():
        audit(ward.db, "water test undone", str(number), old=_row(test), new={"said_by": by})
        ward.db.table("water_tests").update(number, {"undone_at": now_text()})
    return test


def import_tests(ward: Ward, path: Path, *, new_systems: bool) -> tuple[int, int, tuple[str, ...]]:
    """Take in a table of tests, all or none: new, known already, columns not used. Ward is held.

    Raises
    ------
    BadInputError
        With the line of every fault.
    """
    table = read_table(path, known=COLUMNS, required=("system", "at", "what", "value"))
    faults = Faults(path)
    tests = [test for row in table.rows if (test := _of_row(ward, row, faults, new_systems))]
    faults.raise_any()
    with ward.db.atomic():
        for system in {test.system for test in tests}:
            keep_system(ward, system)
        new = sum(_keep(ward, test) for test in tests)
    return new, len(tests) - new, table.unknown


def _of_row(ward: Ward, row: Row, faults: Faults, new_systems: bool) -> WaterTest | None:
    empty = [name for name in ("system", "at", "what", "value") if not row.text(name)]
    for name in empty:
        faults.add(row.line, f"{name} is empty")
    if empty:
        return None
    try:
        system = system_named(ward, row.text("system"), new=new_systems)
        at = moment(ward, row.text("at"))
        entry = read_value(row.text("what"), f"{row.text('value')} {row.text('unit')}".strip())
        expires = parse_day(row.text("kit_expires")) if row.text("kit_expires") else None
    except BadInputError as error:
        faults.add(row.line, str(error))
        return None
    by = clean_name(row.text("by"))
    return _as_test(system, entry, at, row.text("kit"), expires, by, row.text("note"))


def export_tests(ward: Ward, path: Path, *, system: str | None = None) -> int:
    """Write the tests as CSV, in canonical units, so that `import_tests` reads them; how many."""
    rows = []
    tests = water_tests_of(ward, system)
    for one in tests:
        value = f"{round(one.value, 9):.12g}"
        unit = CANONICAL[one.parameter]
        if one.below:
            value, unit = (f"<{value}", unit) if one.value else ("nd", "")
        expires = one.kit_expires.isoformat() if one.kit_expires else ""
        cells = (one.system, one.at.isoformat(), one.parameter, value, unit, one.kit, expires)
        rows.append((*cells, one.by, one.note))
    write_text(path, csv_text(COLUMNS, rows))
    return len(tests)
