"""What a person says of single photos: the manifest, and outlines."""

import json
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from polypward.errors import BadInputError
from polypward_cli.dates import parse_time
from polypward_cli.files import read_small
from polypward_cli.naming import clean_name
from polypward_cli.tablein import Faults, Row, read_table

__all__ = ["COLUMNS", "Manifest", "photo_key", "read_manifest", "read_outlines"]

COLUMNS: Final = (
    *("photo", "specimen", "taken_at", "height_mm", "water_mm", "lamp", "mm_per_px", "view"),
    *("open", "photographer"),
)
VIEWS: Final = ("top", "side")
OPEN: Final = ("out", "half", "in")
# Bounds that catch a slipped decimal point or a wrong unit.
HEIGHT_MM: Final = (-500.0, 1000.0)
WATER_MM: Final = (0.0, 2000.0)
MM_PER_PX: Final = (1e-4, 10.0)
OUTLINE_POINTS: Final = 100_000
OUTLINE_MM: Final = 10_000
OUTLINE_BYTES: Final = 20_000_000


@dataclass(frozen=True, slots=True)
class Manifest:
    """The manifest by photo (see `photo_key`), and the columns that were not understood.

    The value of a photo holds the filled cells only: texts, numbers, and `taken_at` as ISO 8601
    text with offset.
    """

    rows: Mapping[str, Mapping[str, Any]]
    unknown_columns: tuple[str, ...] = ()


def photo_key(photo: str) -> str:
    """Return a photo's path in the form in which paths are compared: slashes, one Unicode form."""
    path = unicodedata.normalize("NFC", photo.strip().replace("\\", "/"))
    return "/".join(part for part in path.split("/") if part not in ("", ".")).casefold()


def read_manifest(path: Path, *, zone: ZoneInfo) -> Manifest:
    """Read a manifest: a CSV with `photo` and any of the other columns.

    Raises
    ------
    BadInputError
        With the line of every fault: no photo, a photo named twice, a time, number or word that
        is not understood.
    """
    table = read_table(path, known=COLUMNS, required=("photo",))
    faults = Faults(path)
    rows: dict[str, dict[str, Any]] = {}
    lines: dict[str, int] = {}
    for row in table.rows:
        key = photo_key(row.text("photo"))
        if not key:
            faults.add(row.line, "photo is empty")
            continue
        values = _values(row, faults, zone)
        if key in rows and rows[key] != values:
            faults.add(
                row.line,
                f'"{row.text("photo")}" is already in line {lines[key]}; one row for each photo',
            )
        rows.setdefault(key, values)
        lines.setdefault(key, row.line)
    faults.raise_any()
    return Manifest(rows, table.unknown)


def read_outlines(path: Path) -> dict[str, tuple[tuple[float, float], ...]]:
    """Read outlines: JSON, a list of at least three [x_mm, y_mm] for each specimen or photo.

    Raises
    ------
    BadInputError
        If it is not that, with the entry.
    """
    text = read_small(path, most=OUTLINE_BYTES)
    try:
        data = json.loads(text.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise BadInputError(f"{path}: no valid JSON ({error})") from error
    if not isinstance(data, dict):
        raise BadInputError(f'{path}: must be {{"specimen or photo": [[x_mm, y_mm], ...]}}')
    return {str(name): _outline(path, str(name), points) for name, points in data.items()}


def _outline(path: Path, name: str, points: Any) -> tuple[tuple[float, float], ...]:
    if not isinstance(points, list) or not 3 <= len(points) <= OUTLINE_POINTS:
        raise BadInputError(f'{path}: "{name}" needs a list of at least three points')
    outline = []
    for number, point in enumerate(points):
        good = (
            isinstance(point, list)
            and len(point) == 2
            and all(isinstance(v, int | float) and not isinstance(v, bool) for v in point)
            and all(abs(v) <= OUTLINE_MM for v in point)
        )
        if not good:
            raise BadInputError(
                f'{path}: "{name}", point {number + 1}: must be [x_mm, y_mm], each at most '
                f"{OUTLINE_MM} mm, got {str(point)[:80]}"
            )
        outline.append((float(point[0]), float(point[1])))
    return tuple(outline)


def _values(row: Row, faults: Faults, zone: ZoneInfo) -> dict[str, Any]:
    values: dict[str, Any] = {
        "specimen": clean_name(row.text("specimen")),
        "lamp": row.text("lamp"),
        "photographer": row.text("photographer"),
        "height_mm": row.number("height_mm", faults, low=HEIGHT_MM[0], high=HEIGHT_MM[1]),
        "water_mm": row.number("water_mm", faults, low=WATER_MM[0], high=WATER_MM[1]),
        "mm_per_px": row.number("mm_per_px", faults, low=MM_PER_PX[0], high=MM_PER_PX[1]),
    }
    for column, words in (("view", VIEWS), ("open", OPEN)):
        word = row.text(column).lower()
        if word and word not in words:
            faults.add(row.line, f'{column} is {", ".join(words)} or empty, got "{word}"')
        values[column] = word
    if row.text("taken_at"):
        try:
            values["taken_at"] = parse_time(row.text("taken_at"), zone=zone).isoformat()
        except BadInputError as error:
            faults.add(row.line, f"taken_at: {error}")
    return {name: value for name, value in values.items() if value not in ("", None)}
