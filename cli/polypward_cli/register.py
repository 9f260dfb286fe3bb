"""The register: batches and specimens from a table that a person keeps."""

import json
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from polypward.errors import BadInputError
from polypward.records import Specimen
from polypward_cli.dates import parse_day
from polypward_cli.ids import make_id
from polypward_cli.naming import clean_name
from polypward_cli.tablein import Faults, Row, read_table
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, dumps

__all__ = ["COLUMNS", "Intake", "take_register"]

_TEXTS: Final = ("batch", "supplier", "kind", "place", "water_system", "parent")
_NUMBERS: Final = ("cost", "expected_price", "as_is_price")
COLUMNS: Final = (
    *("specimen", "batch", "supplier", "kind", "count", "cost", "arrived_on", "place"),
    *("water_system", "height_mm", "expected_price", "as_is_price", "parent"),
    *("box", "permit", "light", "unpacked_as", "note"),
)
# What tells one line with a count from another; the rest of it may be corrected later.
_IDENTITY: Final = ("batch", "supplier", "kind", "arrived_on")
MAX_COUNT: Final = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """What a register came to: names of new and changed specimens, and remarks."""

    new: tuple[str, ...]
    changed: tuple[str, ...]
    known: int
    remarks: tuple[str, ...]
    unknown_columns: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Line:
    line: int
    specimen: str
    count: int
    values: dict[str, Any]


def take_register(ward: Ward, path: Path) -> Intake:
    """Register the specimens of a CSV, all of them or, if any row is faulty, none.

    A row names its `specimen`, or has a `count` and gets that many new ids. The same register
    taken again adds nothing; a corrected row corrects its specimens.

    Raises
    ------
    BadInputError
        With the line of every fault.
    """
    table = read_table(path, known=COLUMNS, required=())
    faults = Faults(path)
    if not {"specimen", "count"} & set(table.columns):
        faults.add(1, 'a register needs a column "specimen", or "count" for new ids')
    lines = [line for row in table.rows if (line := _line(row, faults))]
    _twice(lines, faults)
    faults.raise_any()
    if not lines:
        raise BadInputError(f"{path}: no rows under the header")
    new: list[str] = []
    changed: list[str] = []
    remarks: list[str] = []
    known = 0
    seen: Counter[str] = Counter()
    with ward.db.atomic():
        for line in lines:
            if line.specimen:
                done = _named(ward, line)
                new += [line.specimen] if done == "new" else []
                changed += [line.specimen] if done == "changed" else []
                known += done == "known"
            else:
                identity = dumps({name: line.values.get(name) for name in _IDENTITY})
                seen[identity] += 1
                counted = _counted(ward, line, f"{identity}#{seen[identity]}", remarks)
                new += counted[0]
                changed += counted[1]
                known += counted[2]
    return Intake(
        new=tuple(new),
        changed=tuple(changed),
        known=known,
        remarks=tuple(remarks),
        unknown_columns=table.unknown,
    )


def _line(row: Row, faults: Faults) -> _Line | None:
    before = len(faults.lines)
    values: dict[str, Any] = {name: clean_name(row.text(name)) for name in _TEXTS if row.text(name)}
    for name in _NUMBERS:
        values[name] = row.number(name, faults)
    values["height_mm"] = row.number("height_mm", faults, low=-500, high=1000)
    if row.text("arrived_on"):
        try:
            values["arrived_on"] = parse_day(row.text("arrived_on")).isoformat()
        except BadInputError as error:
            faults.add(row.line, f"arrived_on: {error}")
    specimen = clean_name(row.text("specimen"))
    count = row.number("count", faults, low=1, high=MAX_COUNT)
    if count is not None and count != int(count):
        faults.add(row.line, f'count must be a whole number, got "{row.text("count")}"')
    if specimen and count not in (None, 1):
        faults.add(row.line, f'"{specimen}" is one specimen, but count is {row.text("count")}')
    if not specimen and count is None and len(faults.lines) == before:
        faults.add(row.line, "needs a specimen, or a count for new ids")
    if any(sign in specimen for sign in '/\\<>:"|?*'):
        faults.add(row.line, f'"{specimen}": a specimen\'s name goes without / \\ < > : " | ? *')
    if len(faults.lines) > before:
        return None
    values = {name: value for name, value in values.items() if value is not None}
    return _Line(row.line, specimen, int(count or 1), values)


def _twice(lines: list[_Line], faults: Faults) -> None:
    first: dict[str, int] = {}
    for line in lines:
        key = line.specimen.casefold()
        if key and key in first:
            faults.add(line.line, f'"{line.specimen}" is already in line {first[key]}')
        first.setdefault(key, line.line)


def _named(ward: Ward, line: _Line) -> str:
    """Register one specimen by its name; say whether that was new, a change or known."""
    spelling = {one.specimen.casefold(): one for one in ward.specimens()}
    old = spelling.get(line.specimen.casefold())
    key = f"specimen {line.specimen.casefold()}"
    row = _register_row(ward, key)
    _keep_row(ward, key, line, 1)
    if old is None:
        ward.save_specimen(_specimen(line.specimen, line.values), register_key=key)
        return "new"
    fresh = _corrected(old, line.values, before=row)
    if fresh == old:
        return "known"
    ward.save_specimen(fresh)
    return "changed" if old.registered else "new"


def _counted(
    ward: Ward, line: _Line, key: str, remarks: list[str]
) -> tuple[list[str], list[str], int]:
    """Make ids for a row with a count, as far as an earlier register has not."""
    mine = [
        row["specimen"]
        for row in ward.db.query(
            "select specimen from specimens where register_key = ? order by first_named, specimen",
            [key],
        )
    ]
    by_name = {one.specimen: one for one in ward.specimens()}
    before = _register_row(ward, key)
    changed = []
    for name in mine:
        fresh = _corrected(by_name[name], line.values, before=before)
        if fresh != by_name[name]:
            ward.save_specimen(fresh)
            changed.append(name)
    if mine and line.count < len(mine):
        remarks.append(
            f"line {line.line}: {len(mine)} are registered, the row says {line.count}; "
            "none was taken out"
        )
    new: list[str] = []
    taken = {name.casefold() for name in by_name}
    number = len(by_name)
    while len(mine) + len(new) < line.count:
        name = make_id(number)
        number += 1
        if name.casefold() not in taken:
            ward.save_specimen(_specimen(name, line.values), register_key=key)
            new.append(name)
    _keep_row(ward, key, line, max(line.count, len(mine)))
    return new, changed, len(mine) - len(changed)


def _specimen(name: str, values: dict[str, Any]) -> Specimen:
    return _corrected(Specimen(specimen=name), values, before={})


def _corrected(old: Specimen, values: dict[str, Any], *, before: dict[str, Any]) -> Specimen:
    """Return the specimen with what the register says now and did not say before.

    What changed since by other ways (a place, by a move) stays as it is.
    """
    told = {name: value for name, value in values.items() if before.get(name) != value}
    if "arrived_on" in told:
        told["arrived_on"] = parse_day(told["arrived_on"])
    return replace(old, registered=True, **told)


def _register_row(ward: Ward, key: str) -> dict[str, Any]:
    rows = ward.db.query("select row from register_rows where register_key = ?", [key])
    found = next(iter(list(rows)), None)
    return json.loads(found["row"]) if found else {}


def _keep_row(ward: Ward, key: str, line: _Line, count: int) -> None:
    old = _register_row(ward, key)
    if old and old != line.values:
        audit(ward.db, "register row changed", key, old=old, new=line.values)
    ward.db.table("register_rows").insert(
        {"register_key": key, "row": dumps(line.values), "count": count},
        pk="register_key",
        replace=True,
    )
