"""readings.csv and scores.csv: columns that others rely on, so new ones go to the end only."""

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Final

from polypward.records import Reading

if TYPE_CHECKING:
    from polypward.course import Score

__all__ = ["READING_COLUMNS", "SCORE_COLUMNS", "csv_text", "guarded", "reading_line", "score_line"]

READING_COLUMNS: Final = (
    *("photo", "sha256", "specimen", "taken_at", "status", "reasons", "card", "card_serial"),
    *("mm_per_px", "tilt_deg", "camera_mm", "height_mm", "lamp", "colour_grade", "de00_mean"),
    *("de00_max", "live_mm2", "live_mm2_sd", "pale_mm2", "bare_mm2", "overgrown_mm2"),
    *("live_cover", "live_cover_sd", "L", "a", "b", "paling", "paling_sd", "tile_x_mm"),
    *("tile_y_mm", "tile_mm_per_px", "tile", "mask", "view", "open", "expansion", "unsure"),
    "photographer",
)
SCORE_COLUMNS: Final = (
    *("specimen", "first_seen", "last_seen", "visits", "condition", "condition_sd"),
    *("condition_intake", "recovery", "recovery_low", "recovery_high", "live_mm2"),
    *("live_change_pct", "cover_change_per_week", "paling_change_per_week", "flags", "advice"),
)

# Decimals that hold more than the figure is known to, so that a file stays readable.
_DECIMALS: Final = {
    **dict.fromkeys(("mm_per_px", "cover_change_per_week", "paling_change_per_week"), 6),
    **dict.fromkeys(("live_cover", "live_cover_sd", "paling", "paling_sd", "unsure"), 4),
    **dict.fromkeys(("tile_x_mm", "tile_y_mm", "tile_mm_per_px", "expansion"), 4),
    **dict.fromkeys(("tilt_deg", "camera_mm"), 1),
}
_DECIMALS_ELSE: Final = 2


def reading_line(reading: Reading) -> str:
    """Return a row of readings.csv with its line end."""
    return csv_text([_cell(name, getattr(reading, name)) for name in READING_COLUMNS], ())


def score_line(score: "Score") -> str:
    """Return a row of scores.csv with its line end."""
    return csv_text([_cell(name, getattr(score, name)) for name in SCORE_COLUMNS], ())


def csv_text(columns: Sequence[Any], rows: Iterable[Iterable[Any]]) -> str:
    """Return a head and rows as CSV, text `guarded`; None is empty."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    for row in (columns, *rows):
        writer.writerow([_told(cell) for cell in row])
    return stream.getvalue()


def guarded(text: str) -> str:
    """Return `text` with an apostrophe before a sign that a spreadsheet takes for a formula."""
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r", "\n")) else text


def _told(cell: Any) -> Any:
    """Return a cell as it is written; a bare carriage return would end a row unquoted."""
    if not isinstance(cell, str):
        return cell
    return guarded(cell.replace("\r\n", "\n").replace("\r", "\n"))


def _cell(name: str, value: Any) -> Any:
    if value is None or value != value:
        return None
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, tuple | list):
        return ";".join(str(item) for item in value)
    if isinstance(value, str | int):
        return value
    rounded = round(float(value), _DECIMALS.get(name, _DECIMALS_ELSE))
    return rounded + 0.0  # no "-0.0"
