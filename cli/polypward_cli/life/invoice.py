"""The lines of a register: an invoice line with its count, or one specimen by its name."""

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from polypward.errors import BadInputError
from polypward_cli.amounts import thousand_or_not
from polypward_cli.dates import parse_day
from polypward_cli.ids import is_id, looks_misread
from polypward_cli.life.change import HEIGHT_MM, UNPACKED_AS
from polypward_cli.naming import check_signs, clean_name
from polypward_cli.tablein import Faults, Row, read_table
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import dumps

__all__ = ["COLUMNS", "Line", "read_lines"]

COLUMNS: Final = (
    *("specimen", "batch", "supplier", "kind", "count", "cost", "arrived_on", "place"),
    *("water_system", "height_mm", "expected_price", "as_is_price", "parent"),
    *("box", "permit", "light", "unpacked_as", "note"),
)
_TEXTS: Final = (
    *("batch", "supplier", "kind", "place", "water_system", "parent", "box", "permit", "light"),
    "note",
)
_NUMBERS: Final = ("cost", "expected_price", "as_is_price")
# What an invoice line cannot do without; all else may come later.
_NEEDED: Final = ("batch", "supplier", "kind", "cost")
# What tells one line with a count from another; the rest of it may be corrected later.
_IDENTITY: Final = ("batch", "supplier", "kind", "arrived_on")
MAX_COUNT: Final = 10_000


@dataclass(frozen=True, slots=True)
class Line:
    """A line that has been understood: `specimen` or `count`, and what it says.

    `key` tells it from the others: by its name, or by what it is and how often that came before.
    """

    line: int
    specimen: str
    count: int
    values: dict[str, Any]
    key: str


def read_lines(ward: Ward, path: Path, *, more: bool = False) -> tuple[list[Line], tuple[str, ...]]:
    """Read a register; return its lines and the columns that nobody knows.

    Parameters
    ----------
    more : bool
        Lines that look like corrected ones of an earlier register are further boxes.

    Raises
    ------
    BadInputError
        With the line of every fault.
    """
    table = read_table(path, known=COLUMNS, required=())
    faults = Faults(path)
    if not {"specimen", "count"} & set(table.columns):
        known = ", ".join(COLUMNS)
        faults.add(
            1, f'a register needs a column "specimen", or "count" for new ids; known: {known}'
        )
        faults.raise_any()
    lines: list[Line] = []
    seen: Counter[str] = Counter()
    for row in table.rows:
        if line := _line(ward, row, faults, seen):
            lines.append(line)
    _twice(lines, faults)
    _kin(ward, lines, faults)
    if not more:
        _corrected_lines(ward, lines, faults)
    faults.raise_any()
    if not lines:
        raise BadInputError(f"{path}: no rows under the header")
    return lines, table.unknown


def _line(ward: Ward, row: Row, faults: Faults, seen: Counter[str]) -> Line | None:
    before = len(faults.lines)
    values: dict[str, Any] = {name: clean_name(row.text(name)) for name in _TEXTS if row.text(name)}
    for name in _NUMBERS:
        text = row.text(name)
        if unclear := thousand_or_not(text):
            faults.add(row.line, f'{name} "{text}" {unclear}')
        else:
            values[name] = row.number(name, faults)
    low, high = HEIGHT_MM
    values["height_mm"] = row.number("height_mm", faults, low=low, high=high)
    values["unpacked_as"] = word = row.text("unpacked_as").lower() or None
    if word and word not in UNPACKED_AS:
        faults.add(row.line, f'unpacked_as is {", ".join(UNPACKED_AS)} or empty, got "{word}"')
    _day(ward, row, values, faults)
    specimen = clean_name(row.text("specimen"))
    count = row.number("count", faults, low=1, high=MAX_COUNT)
    if count is not None and count != int(count):
        faults.add(row.line, f'count must be a whole number, got "{row.text("count")}"')
    if specimen and count not in (None, 1):
        faults.add(row.line, f'"{specimen}" is one specimen, but count is {row.text("count")}')
    if not specimen and count is None and len(faults.lines) == before:
        faults.add(row.line, "needs a specimen, or a count for new ids")
    if not specimen and count is not None:
        lacking = [name for name in _NEEDED if not row.text(name)]
        if lacking:
            faults.add(row.line, f"a line with a count needs {', '.join(lacking)} as well")
    try:
        check_signs(specimen)
    except BadInputError as error:
        faults.add(row.line, str(error))
    if len(faults.lines) > before:
        return None
    values = {name: value for name, value in values.items() if value is not None}
    if specimen:
        return Line(row.line, specimen, 1, values, f"specimen {specimen.casefold()}")
    identity = dumps({name: values.get(name) for name in _IDENTITY})
    seen[identity] += 1
    return Line(row.line, "", int(count or 1), values, f"{identity}#{seen[identity]}")


def _day(ward: Ward, row: Row, values: dict[str, Any], faults: Faults) -> None:
    if not row.text("arrived_on"):
        return
    try:
        day = parse_day(row.text("arrived_on"))
    except BadInputError as error:
        faults.add(row.line, f"arrived_on: {error}")
        return
    values["arrived_on"] = day.isoformat()
    if day > ward.zone_today:
        faults.add(row.line, f"arrived_on {day} is in the future; leave it empty until it is here")


def _twice(lines: Sequence[Line], faults: Faults) -> None:
    first: dict[str, int] = {}
    for line in lines:
        key = line.specimen.casefold()
        if key and key in first:
            faults.add(line.line, f'"{line.specimen}" is already in line {first[key]}')
        first.setdefault(key, line.line)


def _kin(ward: Ward, lines: Sequence[Line], faults: Faults) -> None:
    """Note parents that nobody knows, and new names that are a known id with one sign misread."""
    known = {one.specimen.casefold() for one in ward.specimens()}
    there = known | {line.specimen.casefold() for line in lines if line.specimen}
    made = [name.upper() for name in known if is_id(name)]
    for line in lines:
        parent = line.values.get("parent", "")
        if parent and parent.casefold() not in there:
            faults.add(line.line, f'parent "{parent}" is no specimen of this ward or register')
        name = line.specimen
        if name and name.casefold() not in known and looks_misread(name):
            near = next((one for one in made if _one_off(name.upper(), one)), "")
            if near:
                faults.add(
                    line.line,
                    f'"{name}" is no specimen, and its check sign does not fit; is it "{near}"?',
                )


def _corrected_lines(ward: Ward, lines: Iterable[Line], faults: Faults) -> None:
    """Note lines with a count that look like one taken before, with one thing put right.

    Taken as new ones, they would make the same corals a second time.
    """
    stored = {
        row["register_key"]: (json.loads(row["row"]), row["count"])
        for row in ward.db.query("select * from register_rows where register_key like '{%'")
    }
    counted = [line for line in lines if not line.specimen]
    gone = {key: told for key, told in stored.items() if key not in {one.key for one in counted}}
    for line in counted:
        if line.key in stored:
            continue
        for key, (row, count) in gone.items():
            differs = [name for name in _IDENTITY if row.get(name) != line.values.get(name)]
            same = count == line.count and row.get("cost") == line.values.get("cost")
            if not same or len(differs) != 1:
                continue
            [name] = differs
            sql = "select specimen from specimens where register_key = ? order by 1"
            mine = " ".join(one["specimen"] for one in ward.db.query(sql, [key]))
            faults.add(
                line.line,
                f"{count} corals like these are registered with {name} "
                f'"{row.get(name, "")}" ({mine}). To correct them: polypward specimen change, or a '
                f"register that names them (polypward specimen list --csv). If these are further "
                "ones: --more",
            )
            break


def _one_off(one: str, other: str) -> bool:
    """Say whether two texts of one length differ in one sign, or by a swap of neighbours."""
    if len(one) != len(other):
        return False
    wrong = [place for place in range(len(one)) if one[place] != other[place]]
    if len(wrong) == 2 and wrong[1] == wrong[0] + 1:
        return one[wrong[0]] == other[wrong[1]] and one[wrong[1]] == other[wrong[0]]
    return len(wrong) == 1
