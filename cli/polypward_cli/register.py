"""The register: batches and specimens from a table that a person keeps."""

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from polypward.records import Specimen
from polypward_cli.dates import parse_day
from polypward_cli.ids import new_ids
from polypward_cli.life.invoice import COLUMNS, Line, read_lines
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, dumps

__all__ = ["COLUMNS", "Batch", "Intake", "take_register"]


@dataclass(frozen=True, slots=True)
class Batch:
    """A batch that a register speaks of, as it is now: to be held against the invoice."""

    batch: str
    pieces: int
    cost: float  # of those whose cost is known
    without_cost: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """What a register came to: names of new and changed specimens, sums, and remarks."""

    new: tuple[str, ...]
    changed: tuple[str, ...]
    known: int
    batches: tuple[Batch, ...]
    remarks: tuple[str, ...]
    unknown_columns: tuple[str, ...]


def take_register(ward: Ward, path: Path, *, more: bool = False) -> Intake:
    """Register the specimens of a CSV, all of them or, if any row is faulty, none.

    A row names its `specimen`, or is an invoice line with a `count` and gets that many new ids;
    its `cost` is that of one piece. The same register taken again adds nothing; a corrected row
    corrects its specimens. With `more`, lines that look like corrected ones are further boxes.

    Raises
    ------
    BadInputError
        With the line of every fault.
    """
    lines, unknown = read_lines(ward, path, more=more)
    new: list[str] = []
    changed: list[str] = []
    remarks: list[str] = []
    known = 0
    with ward.db.atomic():
        for line in lines:
            if line.specimen:
                done, name = _named(ward, line)
                new += [name] if done == "new" else []
                changed += [name] if done == "changed" else []
                known += done == "known"
            else:
                counted = _counted(ward, line, remarks)
                new += counted[0]
                changed += counted[1]
                known += counted[2]
    return Intake(
        new=tuple(new),
        changed=tuple(changed),
        known=known,
        batches=_batches(ward, {line.values.get("batch", "") for line in lines} - {""}),
        remarks=tuple(remarks),
        unknown_columns=unknown,
    )


def _batches(ward: Ward, names: set[str]) -> tuple[Batch, ...]:
    sums = []
    everyone = ward.specimens()
    for name in sorted(names):
        # Pieces of a split carry parts of their parent's cost: the sum stays that of the invoice.
        mine = [one for one in everyone if one.batch == name]
        costs = [one.cost for one in mine if one.cost is not None]
        came = sum(not one.parent for one in mine)
        sums.append(Batch(name, came, round(sum(costs), 2), len(mine) - len(costs)))
    return tuple(sums)


def _named(ward: Ward, line: Line) -> tuple[str, str]:
    """Register one specimen; say whether that was new, a change or known, and its spelling."""
    spelling = {one.specimen.casefold(): one for one in ward.specimens()}
    old = spelling.get(line.specimen.casefold())
    row = _register_row(ward, line.key)
    _keep_row(ward, line, 1)
    if old is None:
        ward.save_specimen(_specimen(line.specimen, line.values), register_key=line.key)
        return "new", line.specimen
    fresh = _corrected(old, line.values, before=row)
    if fresh == old:
        return "known", old.specimen
    ward.save_specimen(fresh)
    return "changed" if old.registered else "new", old.specimen


def _counted(ward: Ward, line: Line, remarks: list[str]) -> tuple[list[str], list[str], int]:
    """Make ids for a row with a count, as far as an earlier register has not."""
    mine = [
        row["specimen"]
        for row in ward.db.query(
            "select specimen from specimens where register_key = ? order by first_named, specimen",
            [line.key],
        )
    ]
    by_name = {one.specimen: one for one in ward.specimens()}
    before = _register_row(ward, line.key)
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
    ids = (name for name in new_ids(len(by_name)) if name.casefold() not in taken)
    while len(mine) + len(new) < line.count:
        name = next(ids)
        ward.save_specimen(_specimen(name, line.values), register_key=line.key)
        new.append(name)
    _keep_row(ward, line, max(line.count, len(mine)))
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


def _keep_row(ward: Ward, line: Line, count: int) -> None:
    old = _register_row(ward, line.key)
    if old and old != line.values:
        audit(ward.db, "register row changed", line.key, old=old, new=line.values)
    ward.db.table("register_rows").insert(
        {"register_key": line.key, "row": dumps(line.values), "count": count},
        pk="register_key",
        replace=True,
    )
