"""One photo measured, in this process or in a worker: files written, a plain result returned.

Nothing that a photo does may stop the others: every exception becomes a result.
"""

import io
import json
import traceback
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from polypward.errors import BadInputError, PhotoRejectedError
from polypward.reasons import REJECTIONS
from polypward.records import Card, PhotoSettings, Reading
from polypward_cli.eyes import Eyes, Opened, Seen
from polypward_cli.files import is_there, write_bytes
from polypward_cli.small import SMALL, draw_small, small_of
from polypward_cli.ward.rows import residuals_blob, row_of_measures

if TYPE_CHECKING:
    from polypward_vision.lens import Lens

__all__ = [
    "Bench",
    "Job",
    "Measured",
    "NotWrittenError",
    "encoded",
    "measure_one",
    "not_measured",
    "not_opened",
    "write_pictures",
]

# Cut-outs are kept for measuring again: no chroma subsampling, and a quality at which the error
# of the coding stays under that of the camera.
TILE_QUALITY: Final = 95


class NotWrittenError(BadInputError):
    """A cut-out or map could not be written; no photo's fault, so the run ends."""


class _GoneError(Exception):
    """The photo's file is no longer where it was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What every photo of a run is measured with."""

    ward: Path
    eyes: Eyes
    cards: tuple[Card, ...] = ()
    print_residuals: Mapping[str, npt.NDArray[np.float64]] = field(default_factory=dict)
    # Calibrated lenses by the camera's name in its photos.
    lenses: Mapping[str, tuple["Lens", ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A photo to measure; its files are called `name`, in tiles/ and masks/ of the ward."""

    key: str
    path: Path
    name: str
    settings: PhotoSettings
    # What the reading will stand on, as the ledger keeps it.
    inputs: Mapping[str, Any] = field(default_factory=dict)
    # What the ward knows of this photo alone, as `Eyes.measure` takes it.
    known: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """The outcome of a job: columns of `readings`, and what the photo itself says."""

    job: Job
    row: Mapping[str, Any]
    decoded: bool = False
    exif_taken_at: str | None = None
    camera: str = ""
    gps_at: str | None = None
    tags: tuple[str, ...] = ()
    # Of a tray photo, its further specimens by tag; the row of the first has its tag as `part`.
    parts: tuple[tuple[str, Mapping[str, Any]], ...] = ()
    trace: str = ""
    # The file was no longer there; nothing is known of it.
    gone: bool = False


def measure_one(job: Job, bench: Bench) -> Measured:
    """Measure a photo and write its cut-out and map; whatever goes wrong is in the result.

    Raises
    ------
    NotWrittenError
        If the ward takes no more: a full disk, no right to write.
    """
    about: dict[str, Any] = {}
    try:
        opened = _open(job, bench)
        about = _about(opened)
        seen = bench.eyes.measure(
            opened,
            settings=job.settings,
            cards=bench.cards,
            print_residuals=bench.print_residuals,
            **job.known,
            **_lens(opened, bench),
        )
        row = _row(seen, job.name, bench.ward)
        tags = tuple(dict.fromkeys(tag.strip() for tag in seen.tags if tag.strip()))
        parts = _parts(seen, job, bench.ward)
        if parts:
            row["part"] = tags[0]
            tags = (tags[0], *(tag for tag, _ in parts))
        return Measured(job=job, row=row, tags=tags, parts=parts, **about)
    except PhotoRejectedError as error:
        row = _rejected(error.code, error.detail, error.known)
        return Measured(job=job, row=row, **about)
    except _GoneError:
        return Measured(job=job, row={}, gone=True)
    except NotWrittenError:
        raise
    except Exception as error:
        what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
        return Measured(
            job=job,
            row=_rejected("measuring-failed", what.splitlines()[0][:200]),
            trace=traceback.format_exc(),
            **about,
        )


def _lens(opened: Opened, bench: Bench) -> dict[str, Any]:
    """Return the calibrated lens through which a photo was taken, where there is one."""
    for lens in bench.lenses.get(opened.camera, ()):
        if lens.fits(opened.photo):
            return {"lens": lens}
    return {}


def _about(opened: Opened) -> dict[str, Any]:
    """Return what a photo that could be opened says of itself, as `Measured` keeps it."""
    return {
        "decoded": True,
        "exif_taken_at": opened.taken_at.isoformat() if opened.taken_at else None,
        "camera": opened.camera,
        "gps_at": opened.gps_at.isoformat() if opened.gps_at else None,
    }


def _open(job: Job, bench: Bench) -> Opened:
    try:
        return bench.eyes.open(job.path)
    except OSError as error:
        if not is_there(job.path):
            raise _GoneError from error
        raise PhotoRejectedError("unreadable", error.strerror or str(error)) from error


def not_opened(job: Job, error: OSError) -> Measured:
    """Return the outcome of a job whose file cannot be read: it is gone, or unreadable."""
    if not is_there(job.path):
        return Measured(job=job, row={}, gone=True)
    return Measured(job=job, row=_rejected("unreadable", error.strerror or str(error)))


def not_measured(job: Job) -> Measured:
    """Return the outcome of a job that ended every process that tried it."""
    return Measured(
        job=job, row=_rejected("measuring-failed", "the process that measured it ended")
    )


def _rejected(code: str, detail: str, known: Mapping[str, Any] | None = None) -> dict[str, Any]:
    if code not in REJECTIONS:
        code, detail = "measuring-failed", f"{code}: {detail}"
    return row_of_measures(
        Reading(
            photo="", sha256="", status="rejected", reasons=(code,), detail=detail, **(known or {})
        )
    ) | {"correction": "{}", "patch_residuals": None}


def _row(seen: Seen, name: str, ward: Path) -> dict[str, Any]:
    """Return the columns of `readings` of what was seen, its files written."""
    row = row_of_measures(_with_files(seen, name, ward))
    row["correction"] = json.dumps(dict(seen.correction), sort_keys=True, allow_nan=False)
    row["patch_residuals"] = residuals_blob(seen.patch_residuals)
    return row


def _parts(seen: Seen, job: Job, ward: Path) -> tuple[tuple[str, dict[str, Any]], ...]:
    """Return the further specimens of a tray photo by tag, also those that were left out."""
    parts = []
    for number, other in enumerate(getattr(seen, "others", ()), start=2):
        # The card's patches are the same: they count once a photo.
        row = _row(other, f"{job.name}-{number}", ward) | {"patch_residuals": None}
        parts.append((other.tags[0].strip(), row))
    for left in getattr(seen, "left_out", ()):
        parts.append((left.tag.strip(), _rejected(left.code, left.detail)))
    return tuple(parts)


def _with_files(seen: Seen, name: str, ward: Path) -> Reading:
    """Write the cut-out, its map and its small picture; return the reading with their paths."""
    reading = seen.reading
    if seen.tile is None or seen.mask is None:
        return reading
    tile, mask = f"tiles/{name}.jpg", f"masks/{name}.png"
    pictures = {
        tile: encoded(seen.tile, "JPEG", quality=TILE_QUALITY, subsampling=0),
        mask: encoded(seen.mask, "PNG"),
    }
    if (small := draw_small(seen.tile, seen.mask)) is not None:
        pictures[small_of(tile, mask)] = small
    write_pictures(ward, pictures)
    return replace(reading, tile=tile, mask=mask)


def write_pictures(ward: Path, pictures: Mapping[str, bytes]) -> None:
    """Write cut-outs, maps and small pictures, by their paths below the ward.

    Raises
    ------
    NotWrittenError
        If the ward takes no more.
    """
    for file, data in pictures.items():
        try:
            write_bytes(ward / file, data, forced=not file.startswith(f"{SMALL}/"))
        except OSError as error:
            raise NotWrittenError(
                f"{ward / file}: cannot be written ({error.strerror or error}). What was measured "
                "before is kept; make room, or see to the right to write, and run it again."
            ) from error


def encoded(pixels: npt.NDArray[np.uint8], kind: str, **options: Any) -> bytes:
    """Bytes of a picture file of `kind`, as Pillow names it."""
    from PIL import Image

    stream = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(pixels)).save(stream, kind, **options)
    return stream.getvalue()
