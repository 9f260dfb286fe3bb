"""The pictures of a claim sheet: originals found again by their SHA-256, small, bare of data."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from polypward.errors import BadInputError, PhotoRejectedError
from polypward.records import Reading
from polypward_cli.files import sha256_of_file
from polypward_cli.scan import PICTURE_SUFFIXES
from polypward_cli.ward import Ward

__all__ = ["Picture", "find_originals", "small_pictures"]

# Of a mail with both attachments nothing is bounced by common limits; the picture part of an HTML
# page grows by 4/3 in base64 (RFC 4648), and text needs room too.
ALL_BYTES: Final = 3_400_000
MOST_BYTES: Final = 350_000
LEAST_BYTES: Final = 8_000
# Long side in pixels and JPEG quality, from good to bare: the first that fits is taken.
STEPS: Final = (
    *((1400, 85), (1200, 82), (1000, 80), (800, 78), (640, 75), (480, 72), (360, 68)),
    *((280, 60), (200, 50), (150, 40)),
)


@dataclass(frozen=True, slots=True)
class Picture:
    """A JPEG with nothing but its pixels; `note` says where it is not the whole photo."""

    jpeg: bytes
    width: int
    height: int
    note: str = ""


def find_originals(
    ward: Ward, readings: Sequence[Reading], folders: Sequence[Path]
) -> dict[str, Path]:
    """Return where the photos of readings lie, by SHA-256; only files with just that hash.

    Looked for below `folders` first where they were when they were scored, then anywhere by size.
    """
    found: dict[str, Path] = {}
    for reading in readings:
        for folder in folders:
            path = folder / reading.photo
            if path.is_file() and sha256_of_file(path) == reading.sha256:
                found[reading.sha256] = path
                break
    wanted = {reading.sha256 for reading in readings} - found.keys()
    if not wanted:
        return found
    sizes: dict[int, set[str]] = {}
    for row in ward.db.query("select sha256, bytes from photos where bytes is not null"):
        if row["sha256"] in wanted:
            sizes.setdefault(row["bytes"], set()).add(row["sha256"])
    for path in _pictures(folders):
        try:
            hashes = sizes.get(path.stat().st_size, set()) & wanted
            digest = sha256_of_file(path) if hashes else ""
        except OSError:
            continue
        if digest in hashes:
            found[digest] = path
            wanted.discard(digest)
    return found


def _pictures(folders: Sequence[Path]) -> Iterator[Path]:
    for folder in folders:
        for path in sorted(folder.rglob("*")):
            if path.suffix.lower() in PICTURE_SUFFIXES and path.is_file():
                yield path


def small_pictures(
    ward: Ward, readings: Sequence[Reading], originals: Mapping[str, Path]
) -> dict[str, Picture]:
    """Return a small picture of each photo by SHA-256, all together at most `ALL_BYTES`.

    Where the original is not there, the cut-out that the ward kept stands for it. The pictures
    carry pixels only: no data of the camera, no place, no name.

    Raises
    ------
    BadInputError
        If there are so many photos that none could be seen any more.
    """
    if not readings:
        return {}
    share = min(MOST_BYTES, ALL_BYTES // len(readings))
    if share < LEAST_BYTES:
        raise BadInputError(
            f"{len(readings)} photos do not fit a sheet of 5 MB; claim fewer pieces at a time, or "
            "take photos out of it: polypward assign PHOTO --drop"
        )
    pictures = {}
    for reading in readings:
        found = _pixels(ward, reading, originals.get(reading.sha256))
        if found is not None:
            pixels, note = found
            pictures[reading.sha256] = _small(pixels, note, share)
    return pictures


def _pixels(ward: Ward, reading: Reading, original: Path | None) -> tuple[Any, str] | None:
    """Upright 8-bit RGB pixels of a photo, or of its cut-out, with a note; None if neither."""
    import numpy as np

    from polypward_vision.load import load_photo

    if original is not None:
        try:
            rgb = load_photo(original).rgb
        except (PhotoRejectedError, OSError):
            return None
        return (rgb >> 8).astype(np.uint8) if rgb.dtype == np.uint16 else rgb, ""
    tile = ward.path / reading.tile
    if reading.tile and tile.is_file():
        return load_photo(tile).rgb, "cut-out; the original was not at hand"
    return None


def _small(pixels: Any, note: str, most_bytes: int) -> Picture:
    import cv2

    rows, cols = pixels.shape[:2]
    jpeg, size = b"", (cols, rows)
    for side, quality in STEPS:
        scale = min(1.0, side / max(rows, cols))
        size = (max(1, round(cols * scale)), max(1, round(rows * scale)))
        small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA) if scale < 1 else pixels
        bgr = cv2.cvtColor(small, cv2.COLOR_RGB2BGR)
        jpeg = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes()
        if len(jpeg) <= most_bytes:
            break
    return Picture(jpeg, *size, note)
