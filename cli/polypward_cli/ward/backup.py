"""A ward in one file, and back again: every file with its SHA-256, checked both ways."""

import hashlib
import json
import os
import shutil
import sqlite3
import zipfile
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Final

from polypward.errors import BadInputError
from polypward_cli.files import is_own, sha256_of_file
from polypward_cli.small import SMALL
from polypward_cli.ward.ledger import DATABASE
from polypward_cli.ward.lock import LOCK

if TYPE_CHECKING:
    from polypward_cli.ward.ward import Ward

__all__ = ["Backup", "back_up", "default_name", "restore"]

CONTENTS: Final = "contents.json"
_FORMAT: Final = "polypward ward backup"
# Made again from the rest, or of the moment only.
_LEFT_OUT: Final = frozenset({"report", SMALL, "charts", LOCK})
# Pictures are packed already.
_PACKED: Final = frozenset({".jpg", ".jpeg", ".png", ".heic", ".zip", ".pdf"})
_PIECE: Final = 1 << 20
_MOST_BYTES: Final = 1 << 50
_MOST_CONTENTS: Final = 100_000_000  # bytes; of half a million files


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup that was written or read back: its file or folder, how much is in it."""

    path: Path
    files: int
    size: int  # bytes of the files
    made_at: str


def back_up(ward: "Ward", to: Path) -> Backup:
    """Write a ward into one zip file, and read that back before it takes its name.

    The ledger is copied as one consistent state, whatever is being written. The report and
    the small pictures and charts are left out: they are made from the rest.

    Raises
    ------
    BadInputError
        If `to` is there already, lies in the ward, or cannot be written whole.
    """
    to = to.resolve()
    if to.exists():
        raise BadInputError(f"{to}: there is a file already; a backup never takes its place")
    if ward.path.resolve() in to.parents:
        raise BadInputError(f"{to}: keep a backup outside the ward, best on another disk")
    to.parent.mkdir(parents=True, exist_ok=True)
    part = to.with_name(f".{to.name}.part")
    try:
        with TemporaryDirectory(dir=to.parent) as spare:
            ledger = Path(spare) / DATABASE
            with closing(sqlite3.connect(ledger)) as target:
                ward.db.conn.backup(target)
            files = {DATABASE: ledger} | dict(_files(ward.path))
            made_at = datetime.now(ward.settings.zone).isoformat(timespec="seconds")
            known = _write(part, files, made_at)
        _check(part, known)
        part.replace(to)
    except (OSError, zipfile.BadZipFile) as error:
        raise BadInputError(f"{to}: the backup could not be written ({error})") from error
    finally:
        part.unlink(missing_ok=True)
    return Backup(to, len(known), sum(size for _, size in known.values()), made_at)


def restore(archive: Path, to: Path) -> Backup:
    """Bring a ward back from a backup into a folder that is not there yet, or empty.

    Every file is checked against its SHA-256 before the folder takes its name.

    Raises
    ------
    BadInputError
        If the archive is no backup, is damaged, or the folder holds anything.
    """
    if to.exists() and (not to.is_dir() or any(to.iterdir())):
        raise BadInputError(
            f"{to}: not empty. A backup is brought back into a new folder, so that nothing is "
            "lost; name another --ward, look at it, then put it in the old one's place."
        )
    part = to.resolve().with_name(f".{to.resolve().name}.part")
    shutil.rmtree(part, ignore_errors=True)
    try:
        with zipfile.ZipFile(archive) as packed:
            made_at, files = _contents(archive, packed)
            _refuse_too_much(archive, to.resolve().parent, files)
            for name, (sha256, size) in files.items():
                _unpack(packed, name, part, sha256=sha256, size=size)
            _refuse_strange(archive, part / DATABASE)
        if to.exists():
            to.rmdir()
        part.replace(to)
    except BadInputError:
        raise
    except Exception as error:  # what zipfile and its unpackers say of damage is of many kinds
        raise BadInputError(
            f"{archive}: the backup cannot be brought back ({error}); nothing was kept of it"
        ) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return Backup(to, len(files), sum(size for _, size in files.values()), made_at)


def _files(folder: Path) -> list[tuple[str, Path]]:
    """Return what a backup takes besides the ledger, by name below the ward."""
    found = []
    for parent, folders, names in os.walk(folder):
        here = Path(parent)
        if here == folder:
            folders[:] = [name for name in folders if name not in _LEFT_OUT]
        for name in names:
            path = here / name
            below = path.relative_to(folder).as_posix()
            spare = name.endswith((".part", "-journal")) or path.is_symlink()
            if below not in (*_LEFT_OUT, DATABASE) and not spare and path.is_file():
                found.append((below, path))
    return sorted(found)


def _write(part: Path, files: dict[str, Path], made_at: str) -> dict[str, tuple[str, int]]:
    known: dict[str, tuple[str, int]] = {}
    with zipfile.ZipFile(part, "w", strict_timestamps=False) as packed:
        for name, path in files.items():
            how = zipfile.ZIP_STORED if path.suffix.lower() in _PACKED else zipfile.ZIP_DEFLATED
            packed.write(path, name, compress_type=how)
            known[name] = (sha256_of_file(path), path.stat().st_size)
        contents = {"format": _FORMAT, "version": 1, "made_at": made_at, "files": known}
        packed.writestr(CONTENTS, json.dumps(contents, indent=1), zipfile.ZIP_DEFLATED)
    with part.open("rb") as stream:
        os.fsync(stream.fileno())
    return known


def _check(part: Path, known: dict[str, tuple[str, int]]) -> None:
    with zipfile.ZipFile(part) as packed:
        for name, (sha256, _) in known.items():
            with packed.open(name) as stream:
                if hashlib.file_digest(stream, "sha256").hexdigest() != sha256:  # type: ignore[arg-type]
                    raise zipfile.BadZipFile(f"{name} changed while it was copied; try again")


def _contents(archive: Path, packed: zipfile.ZipFile) -> tuple[str, dict[str, tuple[str, int]]]:
    """Return when a backup was made, and SHA-256 and size of each of its files."""
    try:
        if packed.getinfo(CONTENTS).file_size > _MOST_CONTENTS:
            raise ValueError("a table of contents of absurd size")
        contents = json.loads(packed.read(CONTENTS))
        good = contents["format"] == _FORMAT and contents["version"] == 1
        files = {str(name): (str(one[0]), int(one[1])) for name, one in contents["files"].items()}
        made_at = str(contents["made_at"])
        good = good and all(0 <= size < _MOST_BYTES for _, size in files.values())
    except (KeyError, ValueError, TypeError, IndexError, AttributeError, RecursionError):
        good, files, made_at = False, {}, ""
    if not good or DATABASE not in files:
        raise BadInputError(f"{archive}: no backup of a ward that this polypward can read")
    return made_at, files


def _refuse_too_much(archive: Path, folder: Path, files: dict[str, tuple[str, int]]) -> None:
    """Refuse a backup that holds more than the disk has room for, before any of it is written."""
    size = sum(size for _, size in files.values())
    there = next(one for one in (folder, *folder.parents) if one.is_dir())
    free = shutil.disk_usage(there).free
    if size > free:
        raise BadInputError(
            f"{archive}: holds {size / 1e6:.0f} MB, but there is room for {free / 1e6:.0f} MB at "
            f"{there}; name a --ward on another disk"
        )


def _refuse_strange(archive: Path, ledger: Path) -> None:
    """Refuse a backup whose ledger names cut-outs or maps outside the ward."""
    with closing(sqlite3.connect(ledger)) as db:
        rows = db.execute("select tile from readings union select mask from readings")
        strange = [name for (name,) in rows if name and not is_own(str(name))]
    if strange:
        raise BadInputError(
            f"{archive}: its ledger names {strange[0]!r} as a cut-out, which is none of the "
            "ward's; nothing was kept of it"
        )


def _unpack(packed: zipfile.ZipFile, name: str, to: Path, *, sha256: str, size: int) -> None:
    pure = PurePosixPath(name)
    if pure.is_absolute() or ".." in pure.parts or "\\" in name or ":" in name:
        raise zipfile.BadZipFile(f'"{name}" would lie outside the ward')
    path = to / pure
    path.parent.mkdir(parents=True, exist_ok=True)
    digest = hashlib.sha256()
    left = size
    try:
        stream = packed.open(name)
    except KeyError as error:
        raise zipfile.BadZipFile(f"{name} is not in it") from error
    with stream, path.open("xb") as target:
        while piece := stream.read(_PIECE):
            left -= len(piece)
            if left < 0:
                break
            digest.update(piece)
            target.write(piece)
    if left or digest.hexdigest() != sha256:
        raise zipfile.BadZipFile(f"{name} is damaged")


def default_name(ward: "Ward") -> Path:
    """Return where a backup goes if nobody says: beside the ward, with the time in its name."""
    folder = ward.path.resolve()
    stamp = datetime.now(ward.settings.zone).strftime("%Y%m%dT%H%M%S")
    return folder.with_name(f"{folder.name}-backup-{stamp}.zip")
