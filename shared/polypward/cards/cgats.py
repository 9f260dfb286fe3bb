"""Measured patch colours from a CGATS.17 (ISO 28178) text or a table with a header line.

Any text is taken: the file is read by the caller.
"""

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from polypward.errors import CardError

__all__ = ["Measurement", "read_measurements"]

Lab = tuple[float, float, float]

# D50 in XYZ with Y = 1: ASTM E308-01 for the 2 degree observer, as used by the ICC profile space.
_D50_WHITE = (0.96422, 1.0, 0.82521)

_NAME_FIELDS = ("SAMPLE_NAME", "NAME", "PATCH", "SAMPLE_ID", "ID", "SAMPLE")
_LAB_FIELDS = (("LAB_L", "LAB_A", "LAB_B"), ("L", "A", "B"), ("L*", "A*", "B*"))
_XYZ_FIELDS = (("XYZ_X", "XYZ_Y", "XYZ_Z"), ("X", "Y", "Z"))


@dataclass(frozen=True, slots=True)
class Measurement:
    """One measured sample: the name it was given, its CIELAB D50, and its line in the text."""

    name: str
    lab_d50: Lab
    line: int


@dataclass(frozen=True, slots=True)
class _Cell:
    text: str
    line: int
    column: int  # of its first character, from 1


def read_measurements(text: str) -> tuple[Measurement, ...]:
    """Read measured colours, CGATS.17 if the text says so, else a table with a header line.

    Parameters
    ----------
    text : str
        CGATS.17: a data format with ``SAMPLE_NAME`` or ``SAMPLE_ID`` and ``LAB_L LAB_A LAB_B`` or
        ``XYZ_X XYZ_Y XYZ_Z`` (0..100). A table: separated by comma, semicolon or tab, with a name
        column (``name``, ``patch``) and ``L,a,b`` or ``X,Y,Z``; decimal commas are read where the
        separator is another.

    Returns
    -------
    tuple of Measurement
        CIELAB under D50, in the order of the text. XYZ is taken relative to a perfect white of
        Y = 100 under D50 and converted by CIE 15.

    Raises
    ------
    CardError
        Naming line and column of what cannot be read.
    """
    text = text.removeprefix("\ufeff")
    if "\0" in text:
        raise CardError("The measurements are not a text file.")
    if "BEGIN_DATA_FORMAT" in text.upper():
        fields, rows = _cgats(text)
    else:
        fields, rows = _table(text)
    return _measurements(fields, rows)


def _cgats(text: str) -> tuple[list[_Cell], list[list[_Cell]]]:
    cells = list(_cgats_cells(text))
    _check_illuminant(cells)
    fields = _between(cells, "BEGIN_DATA_FORMAT", "END_DATA_FORMAT")
    data = _between(cells, "BEGIN_DATA", "END_DATA")
    width = len(fields)
    if width == 0:
        raise CardError("The data format is empty: name SAMPLE_NAME LAB_L LAB_A LAB_B.")
    # Sets may be broken over lines: the standard separates values by white space only.
    rows = [data[start : start + width] for start in range(0, len(data), width)]
    if rows and len(rows[-1]) != width:
        last = rows[-1][-1]
        raise CardError(
            f"Line {last.line}, column {last.column}: the last set has {len(rows[-1])} of "
            f"{width} values."
        )
    return fields, rows


def _cgats_cells(text: str) -> Iterator[_Cell]:
    for number, line in enumerate(text.splitlines(), 1):
        for match in re.finditer(r'"((?:[^"]|"")*)"|#.*|[^\s"]+', line):
            if match[0].startswith("#"):
                continue
            value = match[0] if match[1] is None else match[1].replace('""', '"')
            yield _Cell(value, number, match.start() + 1)


def _between(cells: Sequence[_Cell], begin: str, end: str) -> list[_Cell]:
    words = [cell.text.upper() for cell in cells]
    if begin not in words:
        raise CardError(f"{begin} is missing.")
    start = words.index(begin) + 1
    if end not in words[start:]:
        raise CardError(f"Line {cells[start - 1].line}: {begin} has no {end}.")
    return list(cells[start : words.index(end, start)])


def _check_illuminant(cells: Sequence[_Cell]) -> None:
    for cell in cells:
        match = re.search(r"(?i)illuminant\s*[,=: ]\s*\"?([A-Z]\w*)", cell.text)
        if match and match[1].upper() not in {"D50", "D5000"}:
            raise CardError(
                f"Line {cell.line}, column {cell.column}: measured under {match[1]}, but the card "
                "needs D50 (2 degree observer). Export it again for D50."
            )


def _table(text: str) -> tuple[list[_Cell], list[list[_Cell]]]:
    lines = text.splitlines()
    header = next((line for line in lines if line.strip() and not line.startswith("#")), "")
    separator = max(",;\t", key=header.count)
    if header.count(separator) == 0:
        raise CardError(
            "Neither CGATS.17 (no BEGIN_DATA_FORMAT) nor a table: the first line must name the "
            "columns, such as name,L,a,b."
        )
    rows = []
    for number, line in enumerate(lines, 1):
        if not line.strip() or line.startswith("#"):
            continue
        try:
            values = next(csv.reader([line], delimiter=separator, strict=True))
        except csv.Error as error:
            raise CardError(f"Line {number}: {error}.") from error
        if separator != ",":
            values = [re.sub(r"^(\s*[-+]?\d*),(\d+\s*)$", r"\1.\2", value) for value in values]
        # Column numbers of a table count its cells.
        rows.append([_Cell(value.strip(), number, i) for i, value in enumerate(values, 1)])
    for row in rows[1:]:
        if len(row) != len(rows[0]):
            raise CardError(
                f"Line {row[0].line}: {len(row)} cells, but the header names {len(rows[0])}."
            )
    return rows[0], rows[1:]


def _measurements(
    fields: Sequence[_Cell], rows: Sequence[Sequence[_Cell]]
) -> tuple[Measurement, ...]:
    names = [field.text.upper() for field in fields]
    name_at = next((names.index(name) for name in _NAME_FIELDS if name in names), None)
    if name_at is None:
        raise CardError(f"Line {fields[0].line}: no column says which patch it is (SAMPLE_NAME).")
    lab_at = _triple(names, _LAB_FIELDS)
    xyz_at = _triple(names, _XYZ_FIELDS)
    at = lab_at or xyz_at
    if at is None:
        raise CardError(
            f"Line {fields[0].line}: no colour columns; LAB_L LAB_A LAB_B or XYZ_X XYZ_Y XYZ_Z "
            "are needed."
        )
    if not rows:
        raise CardError("There are columns but no measured rows.")
    measured = []
    for row in rows:
        values = tuple(_number(row[index], names[index]) for index in at)
        measured.append((row[name_at], np.array(values)))
    if lab_at is None and max(values[1] for _, values in measured) <= 1.5:
        raise CardError("XYZ must be on the scale where white has Y = 100, not 1.")
    return tuple(
        Measurement(cell.text, _lab(values if lab_at else _xyz_to_lab(values), cell), cell.line)
        for cell, values in measured
    )


def _triple(names: Sequence[str], choices: Sequence[tuple[str, ...]]) -> tuple[int, ...] | None:
    for choice in choices:
        if all(name in names for name in choice):
            return tuple(names.index(name) for name in choice)
    return None


def _number(cell: _Cell, field: str) -> float:
    try:
        value = float(cell.text)
    except ValueError:
        value = float("nan")
    # Beyond any XYZ or Lab value of a surface; also refuses inf and nan.
    if not abs(value) <= 200:
        raise CardError(
            f"Line {cell.line}, column {cell.column}: {field} is {cell.text!r}, not a number that "
            "can be a colour."
        )
    return value


def _lab(values: "np.ndarray[tuple[int], np.dtype[np.float64]]", cell: _Cell) -> Lab:
    lightness, a, b = (round(float(value), 4) for value in values)
    if not (0 <= lightness <= 105 and abs(a) <= 128 and abs(b) <= 128):
        raise CardError(
            f"Line {cell.line}: {cell.text!r} has L {lightness:g}, a {a:g}, b {b:g}, which is no "
            "colour of a print."
        )
    return (lightness, a, b)


def _xyz_to_lab(
    xyz: "np.ndarray[tuple[int], np.dtype[np.float64]]",
) -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
    """XYZ (0..100, D50) to CIELAB by CIE 15:2004, 8.2.1.1."""
    ratio = np.clip(xyz / 100 / np.array(_D50_WHITE), 0, None)
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * 841 / 108 + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])
