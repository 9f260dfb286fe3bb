"""An upload measured: through the same functions as `polypward score`, one photo at a time."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from polypward.records import Reading
from polypward_cli.eyes import Eyes
from polypward_cli.labels.worn import marks_in_use
from polypward_cli.manifest import Manifest, photo_key
from polypward_cli.options import Options
from polypward_cli.phone.inbox import PHOTOS, Arrival, forget
from polypward_cli.scan import Found, Scan
from polypward_cli.scoring import score_scan
from polypward_cli.ward import Ward
from polypward_cli.ward.courses import courses, looks_dead, sources_of, summary
from polypward_cli.ward.ledger import audit, dumps
from polypward_cli.ward.light import mark_changed_light
from polypward_cli.ward.rows import reading_of

if TYPE_CHECKING:
    from polypward.course import Course, PooledSd

__all__ = [
    "Upload",
    "course_of",
    "measure_again",
    "readings_of_key",
    "rows_of_lot",
    "take_in",
    "upload_of",
    "warm",
]

# Reasons of a photo that may be one of a tag alone.
_NO_CARD: Final = ("no-card", "card-cut", "card-small", "blurred", "too-dark", "glare")


@dataclass(frozen=True, slots=True, kw_only=True)
class Upload:
    """A row of phone_uploads."""

    token: str
    key: str
    file: str
    received_at: datetime
    time_source: str
    lot: str
    place_in_lot: int
    tags: tuple[str, ...]
    said: dict[str, Any]
    settled: bool


def take_in(
    ward: Ward, arrival: Arrival, *, eyes: Eyes, now: datetime, pooled: "PooledSd | None"
) -> Upload:
    """Measure a photo that came in and keep what it was; call it in the writer's thread.

    The very same bytes sent again are one photo: what was said last counts.

    Raises
    ------
    OSError
        If the original is gone or the ward cannot be written.
    """
    file = _known_file(ward, arrival)
    _bring_back(ward, arrival.sha256)
    said = {
        "specimen": arrival.specimen,
        "view": arrival.view,
        "open": arrival.open,
        "photographer": arrival.by,
    }
    manifest = _manifest_of(ward, arrival.sha256) | {k: v for k, v in said.items() if v}
    _score(ward, [file], Manifest({photo_key(file): manifest}), eyes=eyes, now=now)
    photo = next(ward.db.query("select * from photos where key = ?", [arrival.sha256]))
    tags = json.loads(photo["tags"])
    if not tags and arrival.lot and _may_be_a_tag(ward, arrival.sha256):
        tags = list(loose_tags(ward.path / PHOTOS / file, marks_in_use(ward)))
    row = {
        "token": arrival.token,
        "key": arrival.sha256,
        "file": file,
        "received_at": arrival.received_at,
        "time_source": "photo" if photo["exif_taken_at"] else "upload",
        "said": dumps({k: v for k, v in said.items() if v}),
        "lot": arrival.lot,
        "place_in_lot": arrival.place_in_lot,
        "tags": dumps(tags),
        "settled": 0 if arrival.lot else 1,
    }
    with ward.db.atomic():
        ward.db.table("phone_uploads").insert(row, pk="token", replace=True)
        mark_changed_light(ward)
        for reading in readings_of_key(ward, arrival.sha256):
            if reading.specimen:
                keep_summary(ward, course_of(ward, reading.specimen, pooled=pooled))
    forget(ward.path, arrival.token)
    return _upload(row)


def measure_again(ward: Ward, files: list[str], *, eyes: Eyes, now: datetime) -> None:
    """Measure photos again whose specimen, and with it their height, has changed.

    Those that stand on unchanged inputs are not opened.
    """
    _score(ward, files, Manifest({}), eyes=eyes, now=now)


def upload_of(ward: Ward, token: str) -> Upload | None:
    """Return an upload by its token, None if it is not in the ledger (yet)."""
    rows = list(ward.db.query("select * from phone_uploads where token = ?", [token]))
    return _upload(rows[0]) if rows else None


def rows_of_lot(ward: Ward, lot: str) -> list[Upload]:
    """Return the uploads of a lot in upload order; the same photo sent twice once."""
    rows = ward.db.query(
        "select * from phone_uploads where lot = ? order by place_in_lot, received_at, token", [lot]
    )
    by_key = {row["key"]: row for row in reversed(list(rows))}
    return [_upload(row) for row in reversed(list(by_key.values()))]


def readings_of_key(ward: Ward, key: str) -> list[Reading]:
    """Return the readings of one photo, the one that holds its measures first."""
    rows = ward.db.query(
        "select readings.*, photos.path, photos.sha256 from readings join photos using (key) "
        "where key = ? order by copy_path != '', readings.id",
        [key],
    )
    return [reading_of(row, zone=ward.settings.zone) for row in rows]


def course_of(ward: Ward, specimen: str, *, pooled: "PooledSd | None") -> "Course | None":
    """Return the course of one specimen, None if the ward does not know it.

    `pooled` is the repeatability of the ward as it was computed last; None is taken as unknown.
    """
    from polypward.course import PooledSd

    sources = sources_of(ward, [specimen])
    found = courses(ward, today=ward.zone_today, sources=sources, pooled=pooled or PooledSd())
    return found.get(specimen)


def keep_summary(ward: Ward, course: "Course | None") -> None:
    """Keep what the round needs of a course, so that today's list is right at once."""
    if course is not None:
        row = {
            "specimen": course.specimen,
            "summary": dumps(summary(course, dead=looks_dead(course))),
        }
        ward.db.table("summaries").insert(row, pk="specimen", replace=True)


def warm(eyes: Eyes) -> None:
    """Measure a drawn disc, so that the first real photo need not wait for libraries to load."""
    import tempfile

    import numpy as np
    from PIL import Image

    from polypward.errors import PhotoRejectedError
    from polypward.records import PhotoSettings

    pixels = np.full((300, 400, 3), 200, np.uint8)
    rows, cols = np.mgrid[:300, :400]
    disc = (rows - 150) ** 2 + (cols - 200) ** 2 < 80**2
    pixels[disc] = np.random.default_rng(0).integers(40, 120, (disc.sum(), 3), dtype=np.uint8)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "disc.png"
        Image.fromarray(pixels).save(path)
        for settings in (PhotoSettings(mm_per_px=0.2), PhotoSettings()):
            try:
                eyes.measure(eyes.open(path), settings=settings, cards=(), print_residuals={})
            except PhotoRejectedError:
                continue


def loose_tags(path: Path, ids: Sequence[int]) -> tuple[str, ...]:
    """Return the names on tags in a photo that shows no card; () if it cannot be read."""
    from polypward.errors import PhotoRejectedError
    from polypward_vision.find_card import grey_of
    from polypward_vision.load import load_photo
    from polypward_vision.loose_tags import read_loose_tags

    try:
        return read_loose_tags(grey_of(load_photo(path).rgb), ids=ids)
    except (PhotoRejectedError, OSError):
        return ()


def _score(ward: Ward, files: list[str], manifest: Manifest, *, eyes: Eyes, now: datetime) -> None:
    found = tuple(Found(ward.path / PHOTOS / file, file) for file in files)
    options = Options(manifest=manifest, workers=1)
    score_scan(ward, Scan(found, 0, ()), options=options, eyes=eyes, now=now)


def _known_file(ward: Ward, arrival: Arrival) -> str:
    """Return the file to measure: an earlier one of the same bytes; the second is taken away."""
    rows = ward.db.query(
        "select file from phone_uploads where key = ? order by rowid", [arrival.sha256]
    )
    for row in rows:
        earlier: str = row["file"]
        if (ward.path / PHOTOS / earlier).is_file():
            if earlier != arrival.file:
                (ward.path / PHOTOS / arrival.file).unlink(missing_ok=True)
            return earlier
    return arrival.file


def _manifest_of(ward: Ward, key: str) -> dict[str, Any]:
    rows = list(ward.db.query("select manifest from photos where key = ?", [key]))
    found: dict[str, Any] = json.loads(rows[0]["manifest"]) if rows else {}
    return found


def _bring_back(ward: Ward, key: str) -> None:
    """Take a photo in again that was taken out: it was sent once more on purpose."""
    for row in list(
        ward.db.query("select * from assignments where key = ? and dropped = 1", [key])
    ):
        with ward.db.atomic():
            ward.db.table("assignments").update(key, {"dropped": 0})
            audit(ward.db, "sent again", key, old=row, new=row | {"dropped": 0})


def _may_be_a_tag(ward: Ward, key: str) -> bool:
    return any(code in _NO_CARD for one in readings_of_key(ward, key) for code in one.reasons)


def _upload(row: dict[str, Any]) -> Upload:
    return Upload(
        token=row["token"],
        key=row["key"],
        file=row["file"],
        received_at=datetime.fromisoformat(row["received_at"]),
        time_source=row["time_source"],
        lot=row["lot"],
        place_in_lot=row["place_in_lot"],
        tags=tuple(json.loads(row["tags"])),
        said=json.loads(row["said"]),
        settled=bool(row["settled"]),
    )
