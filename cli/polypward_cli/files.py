"""Files written whole or not at all, and digests of what a file holds."""

import hashlib
import os
import secrets
from contextlib import suppress
from functools import cache
from pathlib import Path

from polypward.errors import BadInputError

__all__ = [
    "code_digest",
    "force_folder",
    "is_own",
    "is_there",
    "is_whole",
    "read_small",
    "sha256_of_file",
    "write_bytes",
    "write_text",
]


def write_bytes(path: Path, data: bytes, *, forced: bool = True) -> None:
    """Write `data` so that a reader, or a power cut, sees the old file or the new one, no third.

    The bytes go into a file beside `path`, are forced to the disk, and take its name in one step.
    Without `forced` a power cut may leave an empty file: for what is made again from the rest.

    Raises
    ------
    OSError
        If the folder cannot be written; the old file is then untouched.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        with temporary.open("xb") as stream:
            stream.write(data)
            if forced:
                stream.flush()
                os.fsync(stream.fileno())
        temporary.replace(path)
    except BaseException:
        with suppress(OSError):
            temporary.unlink()
        raise
    if forced:
        force_folder(path.parent)


def write_text(path: Path, text: str) -> None:
    r"""Write `text` as UTF-8 with ``\n`` line ends, whole or not at all (see `write_bytes`)."""
    write_bytes(path, text.encode())


def sha256_of_file(path: Path) -> str:
    """SHA-256 of the file's bytes in lower-case hexadecimal, read piece by piece.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def read_small(path: Path, *, most: int) -> bytes:
    """Read a file that a person wrote, of at most `most` bytes.

    Raises
    ------
    BadInputError
        If it cannot be read, or is larger.
    """
    try:
        with path.open("rb") as stream:
            data = stream.read(most + 1)
    except OSError as error:
        raise BadInputError(f"{path}: cannot be read ({error.strerror})") from error
    if len(data) > most:
        raise BadInputError(f"{path}: over {most / 1e6:g} MB; such a file is smaller")
    return data


@cache
def code_digest(*folders: Path, kinds: tuple[str, ...] = (".py",)) -> str:
    """Return a digest of the files of these kinds in and below folders, 20 hex digits."""
    files = (file for folder in folders for file in sorted(folder.rglob("*.*")))
    code = b"\0".join(file.read_bytes() for file in files if file.suffix in kinds)
    return hashlib.sha256(code).hexdigest()[:20]


def is_own(name: str) -> bool:
    """Say whether a path below the ward is that of a cut-out or map, and leads nowhere else."""
    folder, _, file = name.partition("/")
    return (
        folder in ("tiles", "masks") and file not in ("", ".", "..") and not set(file) & set("/\\:")
    )


def is_there(path: Path) -> bool:
    """Say whether a file is where it was; not where its disk no longer answers."""
    try:
        return path.exists()
    except OSError:
        return False


def is_whole(path: Path) -> bool:
    """Say whether there is a file that holds anything."""
    try:
        return path.stat().st_size > 0
    except OSError:
        return False


def force_folder(folder: Path) -> None:
    """Force the new name to the disk where the system lets a folder be opened (not Windows)."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
