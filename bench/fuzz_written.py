"""Readers of what people write: outlines, settings, and tables that go into a ward."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from bench.fuzz_pictures import Seeds, file_of
from polypward.errors import BadInputError

__all__ = [
    *("BAGS", "CARE", "MANIFEST", "OUTLINES", "REGISTERS", "ROOM", "TESTS", "make_ward"),
    *("read_outline", "read_toml", "table_reader", "take_bags", "take_care", "take_manifest"),
    *("take_register", "take_tests", "toml_seeds"),
]

ROOM = Path("ward")


def read_outline(name: str, data: bytes, folder: str) -> None:
    """Read outlines; no number is absurd."""
    from polypward_cli.manifest import read_outlines

    for points in read_outlines(file_of(folder, "outline.json", data)).values():
        assert all(abs(v) < 1e9 for point in points for v in point)


def read_toml(name: str, data: bytes, folder: str) -> None:
    """Read ward.toml and all that is made of it; change it as the phone page does."""
    from polypward_cli.phone.config import changed_text
    from polypward_cli.ward.money_settings import money_of, terms_of
    from polypward_cli.ward.settings import read_settings

    path = file_of(folder, "fuzzed.toml", data)
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


def table_reader(read: Callable[[Any, Path], object]) -> Callable[[str, bytes, str], None]:
    """Return a reader of a table into a ward: a refused table must have changed nothing."""

    def reads(name: str, data: bytes, folder: str) -> None:
        ward = _ward()
        path = file_of(folder, "table.csv", data)
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


def take_manifest(ward: Any, path: Path) -> None:
    """Read a manifest."""
    from polypward_cli.manifest import read_manifest

    read_manifest(path, zone=ward.settings.zone)


def take_register(ward: Any, path: Path) -> None:
    """Read a register or an invoice."""
    from polypward_cli import register

    register.take_register(ward, path, by="fuzz")


def take_care(ward: Any, path: Path) -> None:
    """Read care."""
    from polypward_cli.care import read_care

    events = read_care(ward, path)
    with ward.db.atomic():  # as the command does
        for event in events:
            ward.add_care(event)


def take_tests(ward: Any, path: Path) -> None:
    """Read water tests."""
    from polypward_cli.water.testing import import_tests

    import_tests(ward, path, new_systems=True)


def take_bags(ward: Any, path: Path) -> None:
    """Read what bags were like."""
    from polypward_cli.life.unpacking import unpack_table

    unpack_table(ward, path)


OUTLINES: Seeds = [
    ("good", b'{"LAN-01": [[1, 2], [30.5, 2], [30, 25], [1, 20]], "a/b.jpg": [[0,0],[1,0],[0,1]]}')
]
REGISTERS: Seeds = [("named", REGISTER), ("lines", LINES)]
