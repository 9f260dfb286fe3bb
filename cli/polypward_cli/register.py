"""The register: batches and specimens from a table that a person keeps."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from polypward.records import Specimen
from polypward_cli.dates import parse_day
from polypward_cli.files import sha256_of_file
from polypward_cli.ids import new_ids
from polypward_cli.life.follow import pass_down
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


def take_register(ward: Ward, path: Path, *, more: bool = False, by: str = "") -> Intake:
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
    desk = _Desk(ward)
    known = 0
    with ward.db.atomic():
        for line in lines:
            known += desk.named(line) if line.specimen else desk.counted(line)
        if desk.new or desk.changed:
            told = {"by": by, "sha256": sha256_of_file(path), "new": desk.new}
            audit(ward.db, "register taken", path.name, new=told | {"changed": desk.changed})
    return Intake(
        new=tuple(desk.new),
        changed=tuple(desk.changed),
        known=known,
        batches=_batches(ward, {line.values.get("batch", "") for line in lines} - {""}),
        remarks=tuple(desk.remarks),
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


class _Desk:
    """Registers line after line, and keeps what came of it."""

    def __init__(self, ward: Ward) -> None:
        self.ward = ward
        self.by_name = {one.specimen: one for one in ward.specimens()}
        self.spelling = {name.casefold(): name for name in self.by_name}
        self.new: list[str] = []
        self.changed: list[str] = []
        self.remarks: list[str] = []

    def named(self, line: Line) -> int:
        """Register one specimen by its name; return 1 if nothing was new."""
        name = self.spelling.get(line.specimen.casefold())
        before = self._keep_row(line, 1)
        if name is None:
            self._add(line.specimen, line)
            return 0
        old = self.by_name[name]
        if not self._correct(name, line, before):
            return 1
        (self.changed if old.registered else self.new).append(name)
        return 0

    def counted(self, line: Line) -> int:
        """Make ids for a line with a count, as far as an earlier register has not.

        Returns how many specimens of the line were there and stay as they are.
        """
        sql = "select specimen from specimens where register_key = ? order by first_named, specimen"
        mine = [row["specimen"] for row in self.ward.db.query(sql, [line.key])]
        before = self._keep_row(line, max(line.count, len(mine)))
        changed = [name for name in mine if self._correct(name, line, before)]
        self.changed += changed
        if mine and line.count < len(mine):
            self.remarks.append(
                f"line {line.line}: {len(mine)} are registered, the row says {line.count}; none "
                "was taken out. To take out what never came: polypward specimen withdraw"
            )
        ids = (one for one in new_ids(len(self.by_name)) if one.casefold() not in self.spelling)
        for _ in range(line.count - len(mine)):
            self._add(next(ids), line)
        return len(mine) - len(changed)

    def _add(self, name: str, line: Line) -> None:
        one = _with(Specimen(specimen=name), line.values)
        self.ward.save_specimen(one, register_key=line.key)
        self.by_name[name] = one
        self.spelling[name.casefold()] = name
        self.new.append(name)

    def _correct(self, name: str, line: Line, before: dict[str, Any]) -> bool:
        """Change what the register says now and did not say before; say whether anything did.

        What changed since by other ways (a place by a move, a cost by a split) stays as it is.
        """
        old = self.by_name[name]
        told = {field: value for field, value in line.values.items() if before.get(field) != value}
        for fields, why in self._kept_apart(old):
            lost = [field for field in fields if field in told and told[field] != _of(old, field)]
            told = {field: value for field, value in told.items() if field not in fields}
            if lost:
                self.remarks.append(f"line {line.line}: {name} {why}; {', '.join(lost)} left as is")
        fresh = _with(old, told)
        if fresh == old:
            return False
        self.ward.save_specimen(fresh)
        self.by_name[name] = fresh
        for piece in pass_down(self.ward, old, fresh):
            self.by_name[piece] = _there(self.ward, piece)
        return True

    def _kept_apart(self, one: Specimen) -> Iterator[tuple[tuple[str, ...], str]]:
        """Yield the fields that its life has changed since, and what did."""
        asked = {"name": one.specimen}
        moved = "select 1 from first_stands where specimen = :name"
        shared = (
            "select 1 from specimens where parent = :name union all select 1 from care where "
            "specimen = :name and what in ('join', 'joined')"
        )
        if self.ward.db.execute(moved, asked).fetchone():
            yield ("place", "water_system", "light"), "was moved since"
        if self.ward.db.execute(shared, asked).fetchone():
            yield ("cost", "as_is_price"), "shares its cost with its pieces"

    def _keep_row(self, line: Line, count: int) -> dict[str, Any]:
        """Keep what a line says; return what it said before."""
        sql = "select * from register_rows where register_key = ?"
        rows = list(self.ward.db.query(sql, [line.key]))
        old: dict[str, Any] = next((json.loads(row["row"]) for row in rows), {})
        if old and old != line.values:
            audit(self.ward.db, "register row changed", line.key, old=old, new=line.values)
        row = {"register_key": line.key, "row": dumps(line.values), "count": count}
        if rows != [row]:
            self.ward.db.table("register_rows").insert(row, pk="register_key", replace=True)
        return old


def _with(one: Specimen, values: dict[str, Any]) -> Specimen:
    """Return the specimen, registered, with these values of a line."""
    told = dict(values)
    if "arrived_on" in told:
        told["arrived_on"] = parse_day(told["arrived_on"])
    return replace(one, registered=True, **told)


def _there(ward: Ward, name: str) -> Specimen:
    one = ward.specimen(name)
    assert one is not None
    return one


def _of(one: Specimen, field: str) -> Any:
    value = getattr(one, field)
    return value.isoformat() if isinstance(value, date) else value
