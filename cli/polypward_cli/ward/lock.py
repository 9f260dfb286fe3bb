"""One program at a time works in a ward: a lock the system takes back when a program ends."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from polypward.errors import BadInputError

__all__ = ["LOCK", "hold"]

LOCK = "ward.lock"
# Windows locks bytes, and locked bytes cannot be read: the byte far behind the text is locked.
LOCKED_BYTE = 4096


@contextmanager
def hold(folder: Path, doing: str, *, only_reads: bool = False) -> Iterator[None]:
    """Hold the ward's lock while the block runs; `doing` names the command for the others.

    A killed program leaves no lock behind. On a file system that knows no locks nothing is held
    and SQLite's own lock remains. What `only_reads` needs no lock where nobody can write.

    Raises
    ------
    BadInputError
        If another program holds it, with what it does and since when; or the folder is read-only.
    """
    try:
        stream = (folder / LOCK).open("a+b")
    except OSError as error:
        if only_reads:
            yield
            return
        raise BadInputError(
            f"{folder}: the ward cannot be written ({error.strerror}); nothing was noted. Is its "
            "folder or disk read-only? Lists work there; to note things, copy the ward to where "
            "you may write."
        ) from error
    with stream:
        try:
            taken = _take(stream)
        except OSError:
            taken = True
        if not taken:
            stream.seek(0)
            who = stream.read(200).decode(errors="replace").strip() or "another polypward"
            raise BadInputError(
                f"{folder}: {who} is working in this ward. Wait until it is done, then try again."
            )
        since = datetime.now().strftime("%H:%M")
        stream.truncate(0)
        stream.write(f"polypward {doing} (process {os.getpid()}, since {since})".encode())
        stream.flush()
        try:
            yield
        finally:
            with suppress(OSError):
                stream.truncate(0)
                _give_back(stream)


if sys.platform == "win32":
    import msvcrt

    def _take(stream: BinaryIO) -> bool:
        stream.seek(LOCKED_BYTE)
        try:
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        except PermissionError:
            return False
        return True

    def _give_back(stream: BinaryIO) -> None:
        stream.seek(LOCKED_BYTE)
        msvcrt.locking(stream.fileno(), msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _take(stream: BinaryIO) -> bool:
        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def _give_back(stream: BinaryIO) -> None:
        fcntl.flock(stream, fcntl.LOCK_UN)
