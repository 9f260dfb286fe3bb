"""The readers that are fuzzed: good files to begin with, how they are changed, what must hold."""

import io
import json
import random
import shutil
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bench import fuzz_mutate as change
from bench.fuzz_pages import (
    change_texts,
    read_requests,
    read_texts,
    request_seeds,
    start_page,
    text_seeds,
)
from bench.fuzz_seeds import (
    bomb_seeds,
    change_bomb,
    exif_seeds,
    icc_seeds,
    npz_seeds,
    picture_seeds,
    raw_seeds,
    taught_seeds,
)
from polypward.errors import BadInputError

__all__ = ["READERS", "Reader"]

Seeds = list[tuple[str, bytes]]
ROOM = Path("ward")


@dataclass(frozen=True, slots=True)
class Reader:
    """A reader: its share of the cases, its seeds, and how a changed one is read and checked.

    `read` gets the seed's name, the bytes and the folder that it may write to.
    """

    name: str
    share: float
    seeds: Callable[[], Seeds]
    change: change.Mutate
    read: Callable[[str, bytes, str], None]
    prepare: Callable[[Path], None] = lambda _: None


# Pictures.


def read_picture(name: str, data: bytes, _: str) -> None:
    """Decode; what comes is an upright picture of the size that is told."""
    from polypward_vision.load import decode

    photo = decode(data)
    assert photo.rgb.ndim == 3, photo.rgb.shape
    assert photo.rgb.shape[2] == 3, photo.rgb.shape
    assert tuple(full // photo.scale for full in photo.full_size) == photo.rgb.shape[:2]
    _check_about(photo)
    _check_encoding(photo.icc)


def read_raw(name: str, data: bytes, _: str) -> None:
    """Develop a raw file."""
    from polypward_vision.load import decode_raw

    _check_about(decode_raw(data))


def _check_about(photo: Any) -> None:
    for moment in (photo.taken_at, photo.gps_at):
        assert moment is None or 1990 <= moment.year <= 9999, moment
    assert photo.camera.isprintable(), photo.camera
    assert len(photo.camera) <= 161, photo.camera
    assert photo.focal_35mm is None or 5 <= photo.focal_35mm <= 1000, photo.focal_35mm


def _check_encoding(encoding: Any) -> None:
    import numpy as np

    xyz = encoding.to_xyz_d50(np.array([[0, 0, 0], [9, 99, 255]], np.uint8))
    assert np.isfinite(xyz).all(), xyz
    assert np.abs(xyz).max() < 10, xyz


def read_icc(name: str, data: bytes, _: str) -> None:
    """Read an ICC profile."""
    from polypward_vision.colour.icc import encoding_of_profile

    for top in (255.0, 65535.0):
        _check_encoding(encoding_of_profile(data, top=top))


def read_map(name: str, data: bytes, folder: str) -> None:
    """Read a painted map."""
    from polypward_cli.teaching.painting import read_painted

    labels = read_painted(_file(folder, "map.png", data), shape=(48, 64))
    assert labels.shape == (48, 64), labels.shape
    assert labels.max() <= 3, labels.max()


def map_seeds() -> Seeds:
    """Return a painted map, a grey one, and one with a palette."""
    import numpy as np
    from PIL import Image

    from polypward_cli.teaching.painting import painted

    labels = np.zeros((48, 64), np.uint8)
    labels[5:30, 9:50], labels[30:40, 9:50] = 1, 2
    seeds = [("painted", painted(labels))]
    for kind in ("L", "P"):
        stream = io.BytesIO()
        Image.fromarray(labels).convert(kind).save(stream, "PNG")
        seeds.append((kind, stream.getvalue()))
    return seeds


# Cards and models.


def read_card(name: str, data: bytes, _: str) -> None:
    """Read a card.json; what is read can be written and read again."""
    from polypward.cards import card_from_json, card_to_json

    card = card_from_json(_json(data))
    assert card_from_json(json.loads(json.dumps(card_to_json(card)))) == card


def read_small_picture(name: str, data: bytes, _: str) -> None:
    """Read what a small picture of the ward shows."""
    from polypward_cli.small import shown_by

    shown = shown_by(data)
    if shown is None:
        raise BadInputError("damaged, so that it is made again")
    assert min(shown.width, shown.height, *shown.frame[2:]) > 0, shown


def small_seeds() -> Seeds:
    """Return a small picture with and without outlines."""
    import numpy as np

    from polypward_cli.small import draw_small

    labels = np.zeros((48, 64), np.uint8)
    labels[5:30, 9:50], labels[30:40, 9:50] = 1, 2
    drawn = (draw_small(np.full((48, 64, 3), 90, np.uint8), map_) for map_ in (labels, None))
    return [(f"picture {i}", data) for i, data in enumerate(drawn) if data is not None]


def card_seeds() -> Seeds:
    """Return both layouts."""
    from polypward.cards import LAYOUTS, card_to_json, load_layout

    return [(name, json.dumps(card_to_json(load_layout(name))).encode()) for name in LAYOUTS]


def read_patches(name: str, data: bytes, folder: str) -> None:
    """Read measured colours as `card measure` does."""
    from polypward.cards import load_layout, read_measurements, with_measurements
    from polypward_cli.commands.card import _text_of

    measured = read_measurements(_text_of(_file(folder, "patches.txt", data)))
    assert all(0 <= one.lab_d50[0] <= 105 for one in measured)
    with_measurements(load_layout("frame"), measured)


def patch_seeds() -> Seeds:
    """Return a CGATS.17 file and a table of the frame card."""
    from polypward.cards import load_layout

    patches = load_layout("frame").patches
    rows = [(one.name, *one.lab_d50) for one in patches]
    lines = [f'{n}\t"{name}"\t{L}\t{a}\t{b}' for n, (name, L, a, b) in enumerate(rows, 1)]
    cgats = (
        'CGATS.17\nORIGINATOR\t"nobody"\nNUMBER_OF_FIELDS\t5\nBEGIN_DATA_FORMAT\n'
        "SAMPLE_ID\tSAMPLE_NAME\tLAB_L\tLAB_A\tLAB_B\nEND_DATA_FORMAT\n"
        f"NUMBER_OF_SETS\t{len(rows)}\nBEGIN_DATA\n" + "\n".join(lines) + "\nEND_DATA\n"
    )
    table = "name,L,a,b\n" + "\n".join(",".join(map(str, row)) for row in rows)
    return [("cgats", cgats.encode()), ("table", table.encode())]


def read_taught(name: str, data: bytes, _: str) -> None:
    """Put a ward's own model from the ledger on the base model."""
    import numpy as np

    from polypward_cli.eyes import _model

    model = _model.__wrapped__(data.decode("utf-8", "replace") or "{}", "fuzz")
    lab, chances = np.zeros((6, 7, 3), np.float32), np.full((6, 7, 4), 0.25, np.float32)
    with np.errstate(all="ignore"):
        assert model.reconsider(lab, chances, mm_per_px=0.2).shape == (6, 7, 4)


def read_npz(name: str, data: bytes, _: str) -> None:
    """Make a tissue model of the arrays of an .npz file."""
    import numpy as np

    from polypward_vision.tissue.model import model_from_arrays

    try:
        arrays = np.load(io.BytesIO(data), allow_pickle=False)  # noqa: TID251
        if not hasattr(arrays, "files"):
            raise BadInputError("not an .npz file")
    except (ValueError, OSError, EOFError, zipfile.BadZipFile, NotImplementedError) as error:
        raise BadInputError(f"not an .npz file: {error!r}") from error
    with arrays:
        model_from_arrays(arrays)


# What people write.


def read_outline(name: str, data: bytes, folder: str) -> None:
    """Read outlines; no number is absurd."""
    from polypward_cli.manifest import read_outlines

    for points in read_outlines(_file(folder, "outline.json", data)).values():
        assert all(abs(v) < 1e9 for point in points for v in point)


def read_toml(name: str, data: bytes, folder: str) -> None:
    """Read ward.toml and all that is made of it; change it as the phone page does."""
    from polypward_cli.phone.config import changed_text
    from polypward_cli.ward.money_settings import money_of, terms_of
    from polypward_cli.ward.settings import read_settings

    path = _file(folder, "fuzzed.toml", data)
    settings = read_settings(path)
    settings.course_settings()
    money_of(settings.money, path=path)
    terms_of(settings.suppliers, path=path, supplier="Ondriva")
    text = path.read_text(encoding="utf-8-sig")
    changed_text(text, {"lamp": "white", "height_mm": "", "owner": 'a"b'})


def toml_seeds() -> Seeds:
    """Return the settings of a new ward, and some with everything switched on."""
    from polypward_cli.ward.settings import write_new_settings

    path = Path("new.toml")
    write_new_settings(path, time_zone="Europe/Berlin")
    new = path.read_text("utf-8")
    lines = [
        line.removeprefix("# ") if line.startswith("# ") and " = " in line[:40] else line
        for line in new.splitlines()
    ]
    good = [("new", new.encode())]
    try:
        read_toml("on", "\n".join(lines).encode(), ".")
        good.append(("on", "\n".join(lines).encode()))
    except BadInputError:
        pass
    own = 'owner = "Mo"\ntime_zone = "UTC"\n[photos]\nlamp = "w"\nheight_mm = 3\nwater_mm = 1.5\n'
    own += '[rounds]\nphotos_per_day = 3\n[[supplier]]\nname = "Ondriva"\nclaim_hours = 24\n'
    return [*good, ("own", own.encode())]


def _table(read: Callable[[Any, Path], object]) -> Callable[[str, bytes, str], None]:
    """Return a reader of a table into a ward: a refused table must have changed nothing."""

    def reads(name: str, data: bytes, folder: str) -> None:
        ward = _ward()
        path = _file(folder, "table.csv", data)
        before = _rows(ward)
        try:
            with ward.db.atomic():
                try:
                    read(ward, path)
                except BadInputError:
                    assert _rows(ward) == before, "a refused table was kept in part"
                    raise
                raise _BackError
        except _BackError:
            pass

    return reads


class _BackError(Exception):
    """Take back what a good table wrote."""


def _rows(ward: Any) -> list[int]:
    tables = ("specimens", "care", "water_tests", "unpackings", "register_rows", "audit")
    return [ward.db.table(name).count for name in tables]


_open: list[Any] = []


def _ward() -> Any:
    return _open[0]


def make_ward(folder: Path) -> None:
    """Make the ward that tables are read into."""
    from polypward_cli.register import take_register
    from polypward_cli.ward import Ward

    ward = Ward.open(folder / ROOM, create=True, time_zone="Europe/Berlin")
    path = folder / "first.csv"
    path.write_bytes(REGISTER)
    take_register(ward, path)
    _open[:] = [ward]


REGISTER = (
    b"specimen,batch,supplier,kind,cost,arrived_on,place,water_system,height_mm,expected_price,"
    b"parent,note\nLAN-01,B1,Ondriva,button coral,42,2025-09-08,shelf low,lagoon,12,120,,\n"
    b"LAN-02,B1,Ondriva,cup coral,65.50,2025-09-08,shelf low,lagoon,15,170,LAN-01,pale\n"
)
LINES = (
    b"batch,supplier,kind,count,cost,arrived_on,place,water_system,box,permit,light,unpacked_as\n"
    b"B7,Mellquay,folded coral,12,90,2025-09-08,quarantine tub,quarantine,3,P-1,low,fair\n"
    b"B7,Mellquay,plate coral,3,48,2025-09-08,quarantine tub,quarantine,3,P-1,low,good\n"
)
CARE = (
    b"at,specimen,what,detail,by\n2025-09-18T19:00:00+02:00,LAN-01,feeding,food=shrimp; eaten=yes,"
    b"mo\n2025-09-23T16:00:00+02:00,LAN-02,move,to=shelf high,mo\n"
    b"2025-09-30,LAN-02,look,state=alive,\n2025-10-01,LAN-01,split,children=A B,\n"
    b"2025-10-13T17:00:00+02:00,LAN-02,sold,price=120,ana\n"
)
TESTS = (
    b"system,at,what,value,unit,kit,kit_expires,by,note\nlagoon,2025-09-08T10:00,calcium,420,mg/L,"
    b"drops,2027-01-01,mo,\nlagoon,2025-09-08T10:00,alkalinity,7.5,dKH,,,,\n"
    b"lagoon,2025-09-09,nitrate,<2,ppm NO3,,,,\nlagoon,2025-09-09,temperature,25.5,C,,,,x\n"
)
BAGS = (
    b"batch,box,at,bag_temp_c,bag_salinity,bag_ph,transit_hours,note,by\n"
    b'B1,1,2025-09-08T11:00,19.5,34,7.1,31,"wet, torn",mo\nB1,2,2025-09-08T11:10,21,,,,,\n'
)
MANIFEST = (
    b"photo,specimen,taken_at,height_mm,water_mm,lamp,mm_per_px,view,open,photographer\n"
    b"LAN-01/a.jpg,LAN-01,2025-09-08T10:30+02:00,12,0,white 5000 K,,top,out,mo\n"
    b"LAN-01/b.jpg,,2025-09-09,,,,0.05,side,half,\n"
)


def _manifest(ward: Any, path: Path) -> None:
    from polypward_cli.manifest import read_manifest

    read_manifest(path, zone=ward.settings.zone)


def _register(ward: Any, path: Path) -> None:
    from polypward_cli.register import take_register

    take_register(ward, path, by="fuzz")


def _care(ward: Any, path: Path) -> None:
    from polypward_cli.care import read_care

    events = read_care(ward, path)
    with ward.db.atomic():  # as the command does
        for event in events:
            ward.add_care(event)


def _tests(ward: Any, path: Path) -> None:
    from polypward_cli.water.testing import import_tests

    import_tests(ward, path, new_systems=True)


def _bags(ward: Any, path: Path) -> None:
    from polypward_cli.life.unpacking import unpack_table

    unpack_table(ward, path)


# Archives and ledgers.


def read_backup(name: str, data: bytes, folder: str) -> None:
    """Bring a backup back; nothing is left of one that is refused."""
    from polypward_cli.ward.backup import restore

    to = Path(folder) / "restored"
    shutil.rmtree(to, ignore_errors=True)
    try:
        restore(_file(folder, "backup.zip", data), to)
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


def _file(folder: str, name: str, data: bytes) -> Path:
    path = Path(folder) / name
    path.write_bytes(data)
    return path


def _json(data: bytes) -> Any:
    try:
        return json.loads(data)
    except (ValueError, RecursionError) as error:
        raise BadInputError(f"no valid JSON ({error})"[:300]) from error


def _npz_change(data: bytes, rng: random.Random) -> bytes:
    """Change the file, or one of the arrays in it (a zip of .npy), so that its sum is right."""
    if rng.random() < 0.5 or not zipfile.is_zipfile(io.BytesIO(data)):
        return change.change_bytes(data, rng)
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(stream, "w") as new:
        chosen = rng.choice(old.namelist())
        for name in old.namelist():
            held = old.read(name)
            new.writestr(name, change.change_bytes(held, rng) if name == chosen else held)
    return stream.getvalue()


def _backup_change(data: bytes, rng: random.Random) -> bytes:
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


def _one(data: bytes) -> Callable[[], Seeds]:
    return lambda: [("good", data)]


_ALL: Sequence[Reader] = (
    Reader("pictures", 22, picture_seeds, change.change_bytes, read_picture),
    Reader("EXIF", 10, exif_seeds, change.change_bytes, read_picture),
    Reader("ICC", 8, icc_seeds, change.change_bytes, read_icc),
    Reader("raw", 2, raw_seeds, change.change_bytes, read_raw),
    Reader("painted map", 5, map_seeds, change.change_bytes, read_map),
    Reader("small picture", 2, small_seeds, change.change_bytes, read_small_picture),
    Reader("card.json", 5, card_seeds, change.change_json, read_card),
    Reader("measured patches", 6, patch_seeds, change.change_text, read_patches),
    Reader("outlines", 6, lambda: OUTLINES, change.change_json, read_outline),
    Reader("ward.toml", 6, toml_seeds, change.change_text, read_toml),
    Reader("manifest", 5, _one(MANIFEST), change.change_table, _table(_manifest), make_ward),
    Reader("register", 6, lambda: REGISTERS, change.change_table, _table(_register), make_ward),
    Reader("care", 5, _one(CARE), change.change_table, _table(_care), make_ward),
    Reader("water tests", 5, _one(TESTS), change.change_table, _table(_tests), make_ward),
    Reader("unpacking", 4, _one(BAGS), change.change_table, _table(_bags), make_ward),
    Reader("ward's model", 3, taught_seeds, change.change_json, read_taught),
    Reader("base model", 2, npz_seeds, _npz_change, read_npz),
    Reader("backup", 4, backup_seeds, _backup_change, read_backup),
    Reader("bombs", 0.03, bomb_seeds, change_bomb, read_picture),
    Reader("hostile names", 0.2, text_seeds, change_texts, read_texts),
    Reader("phone requests", 2, request_seeds, change.change_text, read_requests, start_page),
    Reader("ledger", 3, ledger_seeds, change.change_bytes, read_ledger, make_ward),
)
OUTLINES: Seeds = [
    ("good", b'{"LAN-01": [[1, 2], [30.5, 2], [30, 25], [1, 20]], "a/b.jpg": [[0,0],[1,0],[0,1]]}')
]
REGISTERS: Seeds = [("named", REGISTER), ("lines", LINES)]
READERS = {one.name: one for one in _ALL}
