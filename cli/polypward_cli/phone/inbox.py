"""What came in by the network, made safe before anything else is done with it.

An original lies in the ward's folder photos/ under a name of ours, made of the time it came in and
the SHA-256 of its bytes; a small JSON file in photos/waiting/ says that it is not measured yet and
what the phone said of it. Both are on the disk before the phone is answered, so that a network
that drops, a killed program or a power cut loses nothing.
"""

import hashlib
import json
import os
import re
import secrets
import shutil
import time
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, BinaryIO, Final

from polypward.errors import BadInputError
from polypward_cli.files import force_folder, write_text

__all__ = [
    "MAX_PHOTO_BYTES",
    "PHOTOS",
    "Arrival",
    "NoRoomError",
    "clean",
    "forget",
    "is_token",
    "keep",
    "kind_of",
    "new_token",
    "waiting",
]

PHOTOS: Final = "photos"
WAITING: Final = "waiting"
# The largest originals of phones, 48 megapixels with raw data in them, are about 80 MB.
MAX_PHOTO_BYTES: Final = 100_000_000
# Room that is left to the ward itself: a full disk stops everything.
KEEP_FREE_BYTES: Final = 200_000_000
# What is half received for so long was left by a page that is gone.
HALF_AFTER_S: Final = 3600.0
_PIECE: Final = 1 << 20
_TOKEN: Final = re.compile(r"[0-9a-f]{20}")
# First bytes of the kinds of picture that are opened, and the suffix that each is kept under.
_MAGIC: Final = (
    (b"\xff\xd8\xff", ".jpg"),
    (b"\x89PNG\r\n\x1a\n", ".png"),
    (b"II*\0", ".tif"),
    (b"MM\0*", ".tif"),
)
# Brands of ISO base media files (ISO/IEC 14496-12) that hold pictures.
_HEIF: Final = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")


class NoRoomError(BadInputError):
    """The disk of the ward is too full to take a photo."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """A photo that came in: its file in photos/, and what the phone said of it.

    `received_at` is an aware ISO 8601 text: the upload's time, less what the photo waited on the
    phone for a network.
    """

    token: str
    file: str
    sha256: str
    size: int
    received_at: str
    specimen: str = ""
    view: str = ""
    open: str = ""
    by: str = ""
    lot: str = ""
    place_in_lot: int = 0


def new_token() -> str:
    """Return a name for an upload that nobody can guess."""
    return secrets.token_hex(10)


def is_token(text: str) -> bool:
    """Say whether `text` may be the name of an upload or a lot."""
    return bool(_TOKEN.fullmatch(text))


def kind_of(head: bytes) -> str:
    """Return the suffix for a picture that begins with `head` (16 bytes), or "" if it is none.

    The name and the content type that a phone sends are never asked.
    """
    for magic, suffix in _MAGIC:
        if head.startswith(magic):
            return suffix
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return ".webp"
    if head[4:8] == b"ftyp":
        if head[8:12] in _HEIF:
            return ".heic"
        if head[8:12] == b"avif":
            return ".avif"
    return ""


def keep(
    ward: Path, stream: BinaryIO, *, at: datetime, said: dict[str, Any], token: str = ""
) -> Arrival:
    """Keep a photo's bytes and what was said of it; both are on the disk on return.

    Parameters
    ----------
    ward : Path
        The ward's folder.
    stream : binary stream
        The bytes, from where it stands.
    at : datetime
        When it came in, in the ward's zone: the photo's time if its own data hold none.
    said : dict
        Fields of `Arrival`: specimen, view, open, by, lot, place_in_lot.
    token : str, optional
        The upload's name; a new one by default.

    Raises
    ------
    BadInputError
        If the bytes are no picture, too many, or the disk is nearly full. Nothing is kept then.
    OSError
        If the ward cannot be written.
    """
    folder = ward / PHOTOS
    folder.mkdir(exist_ok=True)
    token = token or new_token()
    part = folder / f".{token}.part"
    digest, size, suffix = hashlib.sha256(), 0, ""
    try:
        if shutil.disk_usage(folder).free < KEEP_FREE_BYTES:
            raise NoRoomError("The disk of the ward is almost full. Make room, then send it again.")
        with part.open("xb") as out:
            while piece := stream.read(_PIECE):
                if not size and not (suffix := kind_of(piece[:16])):
                    raise BadInputError(
                        "This file is no picture. Send a photo (JPEG, HEIC, PNG, TIFF, WebP)."
                    )
                size += len(piece)
                if size > MAX_PHOTO_BYTES:
                    raise BadInputError(
                        f"This photo is larger than {MAX_PHOTO_BYTES // 1_000_000} MB. "
                        "Set the camera to JPEG or HEIC without raw data."
                    )
                digest.update(piece)
                out.write(piece)
            if not size:
                raise BadInputError("This file is empty. Choose the photo again.")
            out.flush()
            os.fsync(out.fileno())
        name = f"{at:%Y-%m-%d_%H%M%S}-{digest.hexdigest()}{suffix}"
        arrival = Arrival(
            token=token,
            file=name,
            sha256=digest.hexdigest(),
            size=size,
            received_at=at.isoformat(timespec="seconds"),
            **said,
        )
        # The note first: an original without one would lie there unknown after a power cut.
        write_text(folder / WAITING / f"{token}.json", json.dumps(asdict(arrival)))
        part.replace(folder / name)
        force_folder(folder)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return arrival


def waiting(ward: Path) -> list[Arrival]:
    """Return what came in and is not measured yet, oldest first."""
    found = []
    for path in sorted((ward / PHOTOS / WAITING).glob("*.json")):
        try:
            one = Arrival(**json.loads(path.read_text("utf-8")))
        except (OSError, ValueError, TypeError):
            continue  # half of a file that a dying disk left; the original is in photos/
        if (ward / PHOTOS / one.file).is_file():
            found.append(one)
    return sorted(found, key=lambda one: (one.received_at, one.lot, one.place_in_lot))


def clean(ward: Path) -> None:
    """Take away what a killed page left half received; nobody was told that it is safe."""
    folder = ward / PHOTOS
    whole = {one.token for one in waiting(ward)}
    notes = [path for path in (folder / WAITING).glob("*.json") if path.stem not in whole]
    for path in (*folder.glob(".*.part"), *notes):
        with suppress(OSError):  # another page may be at work on what is young
            if time.time() - path.stat().st_mtime > HALF_AFTER_S:
                path.unlink()


def forget(ward: Path, token: str) -> None:
    """Say that an upload is in the ledger now."""
    (ward / PHOTOS / WAITING / f"{token}.json").unlink(missing_ok=True)
