"""CSV files that people made, read row by row, with the line of every fault."""

import csv
import difflib
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from polypward.errors import BadInputError

__all__ = ["Faults", "Row", "Table", "read_table"]

# Spreadsheets save any of these; a text without semicolons in its header is comma or tab.
_SEPARATORS = ",;\t"
# A table is read whole; one over this size is no table a person made.
MAX_BYTES = 50_000_000
# As many faults as a person repairs in one go.
MAX_FAULTS = 20


@dataclass(slots=True)
class Faults:
    """Collects what is wrong in a file, to be told all at once."""

    path: Path
    lines: list[str] = field(default_factory=list)

    def add(self, line: int, what: str) -> None:
        """Note a fault on a line, counted from 1."""
        self.lines.append(f"{self.path}, line {line}: {what}")

    def raise_any(self) -> None:
        """Raise a BadInputError that names every fault, if there is any."""
        if self.lines:
            more = len(self.lines) - MAX_FAULTS
            shown = self.lines[:MAX_FAULTS] + ([f"... and {more} more faults"] if more > 0 else [])
            raise BadInputError("\n".join(shown))


@dataclass(frozen=True, slots=True)
class Row:
    """A row: its line in the file, and its cells by column, stripped; empty cells are left out."""

    line: int
    cells: dict[str, str]

    def text(self, column: str) -> str:
        """Return the cell, or "" if it is empty."""
        return self.cells.get(column, "")

    def number(
        self, column: str, faults: Faults, *, low: float = 0.0, high: float = 1e9
    ) -> float | None:
        """Return the cell as a number in low..high, None if empty; notes a fault otherwise.

        A decimal comma is understood.
        """
        text = self.text(column)
        if not text:
            return None
        plain = text.replace(",", ".") if text.count(",") == 1 and "." not in text else text
        try:
            value = float(plain)
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            faults.add(
                self.line, f'{column} must be a number from {low:g} to {high:g}, got "{text}"'
            )
            return None
        return value


@dataclass(frozen=True, slots=True)
class Table:
    """A CSV file: its columns, its rows, and the columns that nobody knows."""

    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    unknown: tuple[str, ...]


def read_table(path: Path, *, known: Sequence[str], required: Sequence[str]) -> Table:
    """Read a CSV in UTF-8 (with or without a mark), UTF-16 or cp1252, by comma, semicolon or tab.

    Column names are compared without case and spaces. A column close to a known name is a
    fault (a misspelt one would be lost silently); any other unknown one is only told.

    Raises
    ------
    BadInputError
        If it cannot be read, has no header, lacks a required column, names one twice, or a row
        has more cells than the header; with the line.
    """
    text = _text(path)
    lines = _records(path, text)
    try:
        first_line, header = next(lines)
    except StopIteration:
        raise BadInputError(f"{path}: the file is empty; it needs a header line") from None
    names = [cell.strip().casefold().replace(" ", "_").replace("-", "_") for cell in header]
    by_fold = {name.casefold(): name for name in known}
    columns = [by_fold.get(name, name) for name in names]
    faults = Faults(path)
    for name in dict.fromkeys(columns):
        if name and columns.count(name) > 1:
            faults.add(first_line, f'the column "{name}" is there twice')
        near = difflib.get_close_matches(name, known, n=1, cutoff=0.8)
        if name and name not in known and near and near[0] not in columns:
            faults.add(first_line, f'unknown column "{name}"; is it "{near[0]}"?')
    for name in required:
        if name not in columns:
            faults.add(first_line, f'the column "{name}" is missing; known: {", ".join(known)}')
    faults.raise_any()
    rows = []
    for line, cells in lines:
        if not any(cell.strip() for cell in cells):
            continue
        if any(cell.strip() for cell in cells[len(columns) :]):
            faults.add(line, f"{len(cells)} cells, but the header has {len(columns)} columns")
            continue
        pairs = zip(columns, cells, strict=False)
        rows.append(
            Row(line, {name: text for name, cell in pairs if name and (text := _bare(cell))})
        )
    faults.raise_any()
    unknown = tuple(name for name in columns if name and name not in known)
    return Table(tuple(columns), tuple(rows), unknown)


def _bare(cell: str) -> str:
    """Return a cell stripped, without the apostrophe that keeps a spreadsheet from running it."""
    text = cell.strip()
    return text[1:] if len(text) > 1 and text[0] == "'" and text[1] in "=+-@" else text


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise BadInputError(f"{path}: over {MAX_BYTES // 10**6} MB, that is no table")
        data = path.read_bytes()
    except OSError as error:
        raise BadInputError(f"{path}: cannot be read ({error.strerror})") from error
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings: tuple[str, ...] = ("utf-16",)
    else:
        encodings = ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise BadInputError(f"{path}: not a text file; save the table as CSV in UTF-8")


def _records(path: Path, text: str) -> Iterator[tuple[int, list[str]]]:
    """Yield the records that are not empty, each with the line on which it begins."""
    head = next((line for line in text.splitlines() if line.strip()), "")
    separator = max(_SEPARATORS, key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    line = 1
    try:
        for record in reader:
            if record:
                yield line, record
            line = reader.line_num + 1
    except csv.Error as error:
        raise BadInputError(f"{path}, line {reader.line_num}: no valid CSV ({error})") from error
