"""The health of a ward's folder: what is damaged, missing, left over or not written."""

import re
import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from polypward.errors import BadInputError
from polypward_cli.files import is_whole, write_text
from polypward_cli.small import SMALL, small_of
from polypward_cli.terminal import json_text
from polypward_cli.ward.ledger import DATABASE

if TYPE_CHECKING:
    from polypward_cli.ward.ward import Ward

__all__ = [
    "DAMAGED",
    "Finding",
    "as_json",
    "check_ward",
    "count_rows",
    "refuse_half_a_ward",
    "write_table",
]

DAMAGED: Final = "The ledger is damaged"
HEADER_BYTES: Final = 100  # of a database (SQLite file format, 1.3)
# Findings of one kind that are named; the rest are counted.
MAX_NAMED: Final = 10
_LENGTH: Final = ("page_count", "page_size")
_OWN_COPY: Final = re.compile(r"ward-before-\w+-\d{8}T\d{6}\.db")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is not as it should be: what, which ones, and what to do.

    `harm` is true where figures or evidence suffer, false where it is only untidy.
    """

    what: str
    which: tuple[str, ...]
    do: str
    harm: bool = True

    def lines(self) -> Iterator[str]:
        """Yield it as lines of plain text."""
        yield f"{'Fault' if self.harm else 'Note'}: {self.what}. {self.do}"
        for name in self.which[:MAX_NAMED]:
            yield f"    {name}"
        if len(self.which) > MAX_NAMED:
            yield f"    ... and {len(self.which) - MAX_NAMED} more"

    def as_json(self) -> dict[str, object]:
        """Return it as JSON values."""
        return {"what": self.what, "which": list(self.which), "do": self.do, "harm": self.harm}


def check_ward(ward: "Ward") -> list[Finding]:
    """Look through a ward: its ledger, what that names, and what lies in its folder.

    Nothing is changed. The list is empty where all is well.
    """
    found = [finding for finding in _ledger(ward) if finding.which]
    if found:  # what a damaged ledger says of the folder is not to be trusted
        return found
    parts = (_settings, _names, _pictures, _folder)
    return [finding for part in parts for finding in part(ward) if finding.which]


def count_rows(ward: "Ward") -> dict[str, int]:
    """Return how much a ward holds, by what."""
    tables = {"specimens": "specimens", "photos": "photos", "entries": "care"}
    return {name: ward.db.table(table).count for name, table in tables.items()}


def refuse_half_a_ward(path: Path) -> None:
    """Refuse to make a new ledger in a folder that holds the rest of a ward.

    A folder that is still being synchronised, or a ledger that was moved away, looks like that; a
    new ledger would take the old one's place.

    Raises
    ------
    BadInputError
        If ward.db is missing or empty beside cut-outs or tables of a ward.
    """
    ledger = path / DATABASE
    # SQLite takes a file that ends within its header for an empty one.
    if ledger.exists() and ledger.stat().st_size >= HEADER_BYTES:
        return
    rest = [
        name
        for name in ("readings.csv", "scores.csv", "tiles", "masks")
        if (path / name).is_file() or ((path / name).is_dir() and any((path / name).iterdir()))
    ]
    if rest:
        state = "missing"
        if ledger.exists():
            state = "cut short" if ledger.stat().st_size else "empty"
        raise BadInputError(
            f"{ledger}: the ledger is {state}, but {rest[0]} of a ward is here. If the folder is "
            "synchronised, wait until it is complete; else bring a backup back into another folder "
            "(polypward ward restore). Nothing was changed."
        )


def write_table(path: Path, text: str) -> bool:
    """Write a table of the ward; if another program holds it, say so and go on: False.

    All that a table tells is in the ledger, so nothing is lost.
    """
    import typer

    try:
        write_text(path, text)
    except OSError as error:
        typer.echo(
            f"{path} could not be written ({error.strerror or error}). If it is open in a "
            "spreadsheet, close it there, then: polypward ward check --write-tables. Nothing is "
            "lost: all of it is in ward.db.",
            err=True,
        )
        return False
    # What office programs lay beside a table that they have open.
    if any(path.with_name(name).exists() for name in (f".~lock.{path.name}#", f"~${path.name}")):
        typer.echo(
            f"{path} is open in another program and was just written anew: close it there without "
            "saving, and open it again.",
            err=True,
        )
    return True


def _ledger(ward: "Ward") -> Iterator[Finding]:
    try:
        faults = [row[0] for row in ward.db.execute("pragma integrity_check(50)")]
    except sqlite3.DatabaseError as error:
        faults = [str(error)]
    yield Finding(
        DAMAGED,
        tuple(fault for fault in faults if fault != "ok"),
        "Bring the last backup back: polypward ward restore.",
    )
    if faults != ["ok"]:
        return
    yield Finding(
        DAMAGED, tuple(_cut_short(ward)), "Bring the last backup back: polypward ward restore."
    )
    rows = list(ward.db.execute("pragma foreign_key_check"))
    yield Finding(
        "Rows of the ledger name something that is not there",
        tuple(f"{table}, row {number}: no such {other}" for table, number, other, *_ in rows),
        "Keep this ward as it is and report it.",
    )


def _cut_short(ward: "Ward") -> Iterator[str]:
    """Say so if the file is not as long as its own header says; SQLite takes that for zeros."""
    pages, page = (ward.db.execute(f"pragma {name}").fetchone()[0] for name in _LENGTH)
    size = (ward.path / DATABASE).stat().st_size
    if size < pages * page:
        yield f"{size} bytes, but it was written with {pages * page}"


def _settings(ward: "Ward") -> Iterator[Finding]:
    try:
        ward.settings.course_settings()
    except BadInputError as error:
        yield Finding("The settings cannot be used", (str(error),), "Correct ward.toml.")


def _names(ward: "Ward") -> Iterator[Finding]:
    yield Finding(
        "Photo readings name a specimen that the ward does not hold",
        _column(
            ward,
            "select distinct specimen from readings where specimen != '' and specimen not in "
            "(select specimen from specimens)",
        ),
        "Score their folder again: polypward score FOLDER.",
    )
    yield Finding(
        "Specimens are cut from one that the ward does not hold",
        _column(
            ward,
            "select specimen || ' from ' || parent from specimens where parent != '' and "
            "parent not in (select specimen from specimens)",
        ),
        "Take the parent in by a register, or correct the line.",
    )


def _pictures(ward: "Ward") -> Iterator[Finding]:
    named: dict[str, str] = {}
    small: set[str] = set()  # missing ones are made again by the report
    for row in ward.db.query(
        "select tile, mask, path from readings join photos using (key) where copy_path = ''"
    ):
        named |= {row[kind]: row["path"] for kind in ("tile", "mask") if row[kind]}
        small.add(small_of(row["tile"], row["mask"]))
    missing = [name for name in named if not is_whole(ward.path / name)]
    yield Finding(
        "Cut-outs or tissue maps are missing or empty",
        tuple(sorted(f"{name}, of {named[name]}" for name in missing)),
        "Score the folder with their photos again: they are measured anew.",
    )
    there = {
        path.relative_to(ward.path).as_posix()
        for folder in ("tiles", "masks", SMALL)
        for path in (ward.path / folder).glob("*")
        if path.is_file()
    }
    parts = {name for name in there if name.endswith(".part")}
    yield Finding(
        "Cut-outs or maps belong to no reading",
        tuple(sorted(there - set(named) - small - parts)),
        "They take room only; delete them if you like.",
        harm=False,
    )
    yield Finding(
        "Files are left half written by a stopped run",
        tuple(sorted(parts)),
        "The next polypward score clears them away.",
        harm=False,
    )


def _folder(ward: "Ward") -> Iterator[Finding]:
    copies = [
        path.name
        for path in sorted(ward.path.glob("*.db"))
        if path.name != DATABASE and not _OWN_COPY.fullmatch(path.name)
    ]
    yield Finding(
        "Other ledgers lie beside ward.db",
        tuple(copies),
        "A synchronised folder makes such copies when two computers write at once; what was noted "
        "there is not in this ward. Put each into a folder of its own as ward.db, look into it by "
        "--ward, note here what is missing, and let one computer write at a time.",
    )
    yield Finding(
        "Tables are missing or older than the ledger",
        tuple(_stale(ward)),
        "polypward ward check --write-tables writes them anew.",
    )


def _stale(ward: "Ward") -> Iterator[str]:
    """Yield the tables that are not there, or do not hold the photos and specimens of the ledger.

    Spreadsheets save a table under its name in their own way: then the header differs.
    """
    from polypward_cli.ward.tables import READING_COLUMNS, SCORE_COLUMNS

    sql = "select distinct path from readings join photos using (key) where copy_path = ''"
    photos = {row["path"] for row in ward.db.query(sql)}
    names = {row["specimen"] for row in ward.db.query("select specimen from specimens")}
    for file, columns, wanted in (
        ("readings.csv", READING_COLUMNS, photos),
        ("scores.csv", SCORE_COLUMNS, names),
    ):
        path = ward.path / file
        if not path.is_file():
            if wanted:
                yield f"{file}: not there"
            continue
        header, first = _first_cells(path)
        if header != list(columns):
            yield f"{file}: its columns are not those polypward wrote"
        elif lacking := len(wanted - first):
            yield f"{file}: {lacking} row{'s' if lacking > 1 else ''} missing"


def _first_cells(path: Path) -> tuple[list[str], set[str]]:
    import csv

    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.reader(stream))
    except (OSError, ValueError, csv.Error):
        return [], set()
    cells = {row[0] for row in rows[1:] if row}
    # A cell that a spreadsheet would run has an apostrophe before it.
    return (rows[0] if rows else []), cells | {cell[1:] for cell in cells if cell[:1] == "'"}


def _column(ward: "Ward", sql: str) -> tuple[str, ...]:
    rows: Iterable[tuple[str]] = ward.db.execute(sql)
    return tuple(row[0] for row in rows)


def as_json(findings: Iterable[Finding]) -> str:
    """Return findings as JSON text."""
    return json_text([one.as_json() for one in findings])
