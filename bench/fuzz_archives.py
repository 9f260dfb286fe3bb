"""Readers of whole wards: backups and ledgers."""

import io
import json
import random
import shutil
import zipfile
from pathlib import Path
from typing import Any

from bench import fuzz_mutate as change
from bench.fuzz_pictures import Seeds, file_of
from bench.fuzz_written import ROOM
from polypward.errors import BadInputError

__all__ = ["backup_seeds", "change_backup", "ledger_seeds", "read_backup", "read_ledger"]


def read_backup(name: str, data: bytes, folder: str) -> None:
    """Bring a backup back; nothing is left of one that is refused."""
    from polypward_cli.ward.backup import restore

    to = Path(folder) / "restored"
    shutil.rmtree(to, ignore_errors=True)
    try:
        restore(file_of(folder, "backup.zip", data), to)
    except BadInputError:
        assert not to.exists(), "a refused backup left a folder"
        assert not to.with_name(".restored.part").exists()
        raise


def backup_seeds() -> Seeds:
    """Return a backup of a small ward, and ones that a hostile hand put together."""
    from polypward_cli.ward import Ward
    from polypward_cli.ward.backup import back_up

    path = Path("source")
    with Ward.open(path, create=True) as ward:
        (path / "tiles").mkdir(exist_ok=True)
        (path / "tiles" / "a.jpg").write_bytes(b"tile")
        target = Path("good.zip")
        target.unlink(missing_ok=True)
        back_up(ward, target)
    good = target.read_bytes()
    seeds = [("good", good)]
    with zipfile.ZipFile(io.BytesIO(good)) as packed:
        contents = json.loads(packed.read("contents.json"))
        files = {name: packed.read(name) for name in contents["files"]}
    names = ("../escape", "/escape", "a/../../escape", "tiles/../../escape", "C:/escape", "x\\y")
    for number, name in enumerate(names):
        seeds.append((f"path {number}", _packed(contents, files, name, b"hostile")))
    link = zipfile.ZipInfo("tiles/link")
    link.external_attr = 0o120777 << 16
    seeds.append(("link", _packed(contents, files, link, b"/etc/passwd")))
    return seeds


def _packed(contents: Any, files: dict[str, bytes], name: Any, data: bytes) -> bytes:
    import hashlib

    text = name if isinstance(name, str) else name.filename
    sha256 = hashlib.sha256(data).hexdigest()
    told = contents | {"files": contents["files"] | {text: [sha256, len(data)]}}
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as packed:
        for one, held in files.items():
            packed.writestr(one, held)
        packed.writestr(name, data)
        packed.writestr("contents.json", json.dumps(told))
    return stream.getvalue()


def read_ledger(name: str, data: bytes, folder: str) -> None:
    """Open a ward whose ledger was changed, look it through, compute its courses.

    What SQLite itself says of a damaged file becomes a line at the desk, as a PolypwardError does.
    """
    import sqlite3

    from polypward_cli.ward import Ward
    from polypward_cli.ward.upkeep import DAMAGED, check_ward

    path = Path(folder) / "damaged"
    path.mkdir(exist_ok=True)
    for spare in path.glob("ward*db*"):
        spare.unlink()
    (path / "ward.db").write_bytes(data)
    try:
        with Ward.open(path) as ward:
            found = check_ward(ward)
            if found and found[0].what == DAMAGED:
                raise BadInputError(DAMAGED)
            ward.specimens(), ward.readings(), ward.care()
    except sqlite3.Error as error:
        raise BadInputError(f"the ledger cannot be used: {error}") from error


def ledger_seeds() -> Seeds:
    """Return the ledger of the ward that tables are read into."""
    return [("ledger", (ROOM / "ward.db").read_bytes())]


def change_backup(data: bytes, rng: random.Random) -> bytes:
    """Change the file, or its table of contents."""
    if rng.random() < 0.6:
        return change.change_bytes(data, rng)
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(stream, "w") as new:
        for name in old.namelist():
            held = old.read(name)
            if name == "contents.json":
                held = change.change_json(held, rng)
            new.writestr(name, held)
    return stream.getvalue()
