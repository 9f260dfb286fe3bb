"""Rows of the ledger to records and back: the only place that knows both."""

import json
from collections.abc import Mapping
from dataclasses import fields
from datetime import date, datetime
from functools import lru_cache
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from polypward.reasons import REJECTIONS
from polypward.records import CareEvent, Reading, Specimen

__all__ = [
    "MEASURES",
    "READING_ROW",
    "care_of",
    "reading_of",
    "residuals_blob",
    "residuals_of",
    "row_of_measures",
    "row_of_specimen",
    "specimen_of",
]

# Fields of a reading that measuring fills and a rejected row does not show.
MEASURES: Final = (
    *("mm_per_px", "tilt_deg", "camera_mm", "height_mm", "colour_grade", "de00_mean", "de00_max"),
    *("live_mm2", "live_mm2_sd", "bare_mm2", "overgrown_mm2", "live_cover", "live_cover_sd"),
    *("L", "a", "b", "tile_x_mm", "tile_y_mm", "tile_mm_per_px", "unsure"),
    *("lab_sd", "perimeter_mm"),
)
_TEXTS: Final = ("card", "card_serial", "tile", "mask")
# Columns that `reading_of` reads. The rest of a row, its colour correction above all, is ten times
# as long: left out, a large ward is read in a fraction of the time.
READING_ROW: Final = ", ".join(
    (
        *("specimen", "copy_path", "taken_at", "placing", "placing_detail", "light_changed"),
        *("measure_code", "notes", "detail", "lamp", "view", "open", "photographer"),
        *(*_TEXTS, *MEASURES, "bare_lab", "palette", "photos.path", "photos.sha256"),
    )
)


def row_of_measures(reading: Reading) -> dict[str, Any]:
    """Return the columns of `readings` that measuring decides, from what vision returned."""
    row: dict[str, Any] = {name: _plain(getattr(reading, name)) for name in (*MEASURES, *_TEXTS)}
    codes = [code for code in reading.reasons if code in REJECTIONS]
    rejected = reading.status == "rejected" or bool(codes)
    row["measure_code"] = (codes[0] if codes else "measuring-failed") if rejected else ""
    row["notes"] = json.dumps([code for code in reading.reasons if code not in REJECTIONS])
    row["detail"] = reading.detail
    row["bare_lab"] = None if reading.bare_lab is None else json.dumps(list(reading.bare_lab))
    palette = reading.live_palette
    row["palette"] = None if palette is None else np.ascontiguousarray(palette, "<f4").tobytes()
    return row


def reading_of(row: Mapping[str, Any], *, zone: ZoneInfo) -> Reading:
    """Return the reading in a row joined with its photo (columns `path`, `sha256`).

    Times are in `zone`. A rejected reading shows no measures, though the row may keep them.
    """
    placing = _codes(row["placing"])
    rejections = [code for code in placing if code in REJECTIONS]
    if row["measure_code"]:
        rejections.insert(0, row["measure_code"])
    notes = [*_codes(row["notes"]), *(code for code in placing if code not in REJECTIONS)]
    if row["light_changed"]:
        notes.append("light-changed")
    taken = datetime.fromisoformat(row["taken_at"]).astimezone(zone) if row["taken_at"] else None
    values: dict[str, Any] = {
        "photo": row["copy_path"] or row["path"],
        "sha256": row["sha256"],
        "specimen": row["specimen"],
        "taken_at": taken,
        "status": "rejected" if rejections else "accepted",
        "reasons": tuple(dict.fromkeys(rejections or notes)),
        "lamp": row["lamp"],
        "view": row["view"],
        "open": row["open"],
        "photographer": row["photographer"],
        "detail": row["detail"] or row["placing_detail"],
    }
    values |= {name: row[name] for name in _TEXTS}
    if not rejections:
        values |= {name: row[name] for name in MEASURES}
        values["bare_lab"] = tuple(json.loads(row["bare_lab"])) if row["bare_lab"] else None
        if row["palette"] is not None:
            values["live_palette"] = np.frombuffer(row["palette"], "<f4").reshape(-1, 4)
    return Reading(**values)


@lru_cache(maxsize=1024)
def _codes(text: str) -> tuple[str, ...]:
    """Return reason codes from their JSON; a ward has few sets of them, each a thousand times."""
    return tuple(json.loads(text))


def row_of_specimen(specimen: Specimen) -> dict[str, Any]:
    """Return the columns of `specimens` that a record holds."""
    return {item.name: _plain(getattr(specimen, item.name)) for item in fields(specimen)}


def specimen_of(row: Mapping[str, Any]) -> Specimen:
    """Return the specimen in a row."""
    values = {item.name: row[item.name] for item in fields(Specimen)}
    for name in ("arrived_on", "left_on"):
        values[name] = date.fromisoformat(values[name]) if values[name] else None
    values["registered"] = bool(values["registered"])
    return Specimen(**values)


def care_of(row: Mapping[str, Any], *, zone: ZoneInfo) -> CareEvent:
    """Return the care event in a row, its time in `zone`."""
    return CareEvent(
        specimen=row["specimen"],
        at=datetime.fromisoformat(row["at"]).astimezone(zone),
        what=row["what"],
        detail=json.loads(row["detail"]),
        by=row["by"],
    )


def residuals_blob(residuals: npt.NDArray[np.float64] | None) -> bytes | None:
    """Bytes of patch residuals of shape (P, 3), Lab units."""
    return None if residuals is None else np.ascontiguousarray(residuals, "<f8").tobytes()


def residuals_of(blob: bytes) -> npt.NDArray[np.float64]:
    """Patch residuals of shape (P, 3) from their bytes."""
    return np.frombuffer(blob, "<f8").reshape(-1, 3)


def _plain(value: Any) -> Any:
    """Return a value that SQLite takes: numpy numbers as Python's, days as text."""
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, np.generic):
        return value.item()
    return value
