"""What a ward holds, without its clocks, and what one ward lacks against another."""

import hashlib
import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

__all__ = ["State", "difference", "state_of"]

# What is told of a ward: texts by name, one for each table and file.
State = dict[str, str]

# Columns that say when something was written, and numbers that only count rows.
CLOCKS = frozenset({"first_seen", "measured_at", "saved_at", "first_named", "applied_at"})
AT_IS_A_CLOCK = frozenset(
    {"audit", "assignments", "corrected_maps", "ward_models", "_sqlite_migrations"}
)
COUNTERS = frozenset({"id", "rowid"})
# What is worked out as time allows, and marks of files by their time.
SPARE = frozenset({"edge_steps", "kept_marks"})
TABLES = ("readings.csv", "scores.csv", "ward.toml")


def state_of(ward: Path) -> State:
    """Return what a ward holds: its ledger row by row, its tables, cut-outs and maps.

    Raises
    ------
    sqlite3.DatabaseError
        If the ledger cannot be read.
    """
    found: State = {}
    with closing(sqlite3.connect(ward / "ward.db")) as db:
        faults = [row[0] for row in db.execute("pragma integrity_check")]
        if faults != ["ok"]:
            raise sqlite3.DatabaseError("; ".join(faults))
        names = [row[0] for row in db.execute("select name from sqlite_master where type='table'")]
        for name in sorted(names):
            if not name.startswith("sqlite_") and name not in SPARE:
                found[f"ledger {name}"] = _rows(db, name)
    for name in TABLES:
        path = ward / name
        found[name] = path.read_text("utf-8") if path.exists() else "not there"
    for folder in ("tiles", "masks", "photos"):
        for path in sorted((ward / folder).glob("*")):
            if path.is_file():
                found[f"{folder}/{path.name}"] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def _rows(db: sqlite3.Connection, table: str) -> str:
    cursor = db.execute(f'select * from "{table}"')
    names = [column[0] for column in cursor.description]
    left_out = CLOCKS | COUNTERS | ({"at"} if table in AT_IS_A_CLOCK else set())
    rows = []
    for row in cursor:
        cells = {n: _cell(v) for n, v in zip(names, row, strict=True) if n not in left_out}
        rows.append(json.dumps(cells, sort_keys=True))
    return "\n".join(sorted(rows))


def _cell(value: Any) -> Any:
    if isinstance(value, bytes):
        return hashlib.sha256(value).hexdigest()
    if isinstance(value, str) and '"measured_at"' in value:  # an old row in the audit
        said = json.loads(value)
        return {n: v for n, v in said.items() if n not in CLOCKS | COUNTERS}
    return value


def difference(wanted: State, found: State) -> list[str]:
    """Return in words what differs between two wards, nothing if they hold the same."""
    said = []
    for name in sorted(wanted.keys() | found.keys()):
        if name not in found:
            said.append(f"{name} is lost")
        elif name not in wanted:
            said.append(f"{name} is too much")
        elif wanted[name] != found[name]:
            old, new = set(wanted[name].splitlines()), set(found[name].splitlines())
            gone, more = sorted(old - new), sorted(new - old)
            said.append(
                f"{name}: {len(gone)} lines lost, {len(more)} new"
                + "".join(f"\n      - {line[:300]}" for line in gone[:2])
                + "".join(f"\n      + {line[:300]}" for line in more[:2])
            )
    return said
