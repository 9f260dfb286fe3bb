"""Check, backup and restore of a ward, wards of earlier versions, synchronised folders."""

import ctypes
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from sqlite_utils import Database
from tests.cli.conftest import Desk
from tests.cli.fakes import photo
from typer.testing import CliRunner, Result

from polypward.errors import BadInputError
from polypward_cli.main import app
from polypward_cli.ward import Ward, ledger
from polypward_cli.ward.migrations import STEPS, m001_first_tables
from polypward_cli.ward.upkeep import check_ward


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture
def scored(desk: Desk) -> Desk:
    for day in (4, 11):
        photo(desk.photos / "amber" / f"{day}.jpg", f"2026-05-{day:02d}T10:00:00+02:00")
    photo(desk.photos / "amber" / "x.jpg", rejected="no-card")
    desk.score()
    return desk


def faults(desk: Desk) -> list[str]:
    with desk.ward() as ward:
        return [finding.what for finding in check_ward(ward) if finding.harm]


# Check.


def test_a_good_ward_has_nothing_to_find(scored: Desk) -> None:
    before = {path: path.read_bytes() for path in scored.path.rglob("*") if path.is_file()}
    done = run("ward", "check", "--ward", scored.path)
    assert (done.exit_code, done.stdout.splitlines()[-1]) == (0, "All is well.")
    assert "specimens 1, photos 3" in done.stdout
    assert {path: path.read_bytes() for path in before} == before


def test_missing_cut_outs_are_named_with_their_photo_and_made_again(scored: Desk) -> None:
    tile = next((scored.path / "tiles").iterdir())
    tile.unlink()
    done = run("ward", "check", "--json", "--ward", scored.path)
    [finding] = json.loads(done.stdout)
    assert done.exit_code == 1
    assert finding["what"] == "Cut-outs or tissue maps are missing or empty"
    [which] = finding["which"]
    assert which.startswith(f"tiles/{tile.name}, of amber/")
    scored.score()
    assert faults(scored) == []


def test_an_empty_map_is_a_missing_one(scored: Desk) -> None:
    next((scored.path / "masks").iterdir()).write_bytes(b"")
    assert faults(scored) == ["Cut-outs or tissue maps are missing or empty"]


def test_what_only_takes_room_is_a_note(scored: Desk) -> None:
    (scored.path / "tiles" / "old.jpg").write_bytes(b"x")
    (scored.path / "masks" / ".half.png.0000.part").write_bytes(b"x")
    (scored.path / "small" / "old.jpg").write_bytes(b"x")
    done = run("ward", "check", "--ward", scored.path)
    assert done.exit_code == 0
    assert "Note: Cut-outs or maps belong to no reading" in done.stdout
    assert "    small/old.jpg\n    tiles/old.jpg\n" in done.stdout
    assert "half written" in done.stdout


def test_orphans_are_found(scored: Desk) -> None:
    with closing(sqlite3.connect(scored.path / "ward.db")) as db:
        db.execute("insert into care (specimen, at, what) values ('gone', '2025', 'dip')")
        db.commit()
    assert faults(scored) == ["Rows of the ledger name something that is not there"]


def test_readings_and_pieces_without_their_specimen_are_found(scored: Desk) -> None:
    with closing(sqlite3.connect(scored.path / "ward.db")) as db:
        db.execute("update readings set specimen = 'gone'")
        db.execute("update specimens set parent = 'mother'")
        db.commit()
    found = faults(scored)
    assert "Photo readings name a specimen that the ward does not hold" in found
    assert "Specimens are cut from one that the ward does not hold" in found


def test_a_damaged_ledger_is_found(scored: Desk) -> None:
    path = scored.path / "ward.db"
    data = bytearray(path.read_bytes())
    # The pages from the fifth on: the header and the schema stay readable.
    data[5 * 4096 : 9 * 4096] = b"\x00" * (4 * 4096)
    path.write_bytes(data)
    done = run("ward", "check", "--ward", scored.path)
    assert done.exit_code == 1
    assert done.stdout.startswith("Fault: The ledger is damaged. Bring the last backup back")
    path.write_bytes(bytes(data[:100]) + b"\x00" * 60_000)
    done = run("ward", "check", "--ward", scored.path)
    assert (done.exit_code, "bring the last backup back" in done.stderr) == (2, True)


def test_tables_that_are_gone_old_or_resaved_are_found_and_written_anew(scored: Desk) -> None:
    scores, readings = scored.path / "scores.csv", scored.path / "readings.csv"
    good = scores.read_bytes(), readings.read_bytes()
    scores.unlink()
    # What a spreadsheet makes of it: semicolons, another encoding.
    text = readings.read_text("utf-8")
    readings.write_bytes(text.replace(",", ";").encode("utf-16"))
    done = run("ward", "check", "--ward", scored.path)
    assert done.exit_code == 1
    assert "scores.csv: not there" in done.stdout
    assert "readings.csv: its columns are not those polypward wrote" in done.stdout
    readings.write_text("\n".join(text.splitlines()[:-1]) + "\n")
    assert "readings.csv: 1 row missing" in run("ward", "check", "--ward", scored.path).stdout
    assert run("ward", "check", "--write-tables", "--ward", scored.path).exit_code == 0
    with scored.ward() as ward:
        assert len(ward.readings()) == 3
    assert readings.read_bytes() == good[1]
    assert scores.read_text().splitlines()[0] == good[0].decode().splitlines()[0]


# Synchronised folders and spreadsheets.


def test_copies_that_a_synchronised_folder_makes_are_found(scored: Desk) -> None:
    shutil.copy(scored.path / "ward.db", scored.path / "ward (copy of the laptop).db")
    (scored.path / "ward-before-m002_life-20260101T000000.db").write_bytes(b"our own")
    done = run("ward", "check", "--ward", scored.path)
    assert done.exit_code == 1
    assert "Other ledgers lie beside ward.db" in done.stdout
    assert "ward (copy of the laptop).db" in done.stdout
    assert "ward-before" not in done.stdout


@pytest.mark.parametrize("empty", [True, False])
def test_no_new_ledger_is_made_beside_half_a_ward(scored: Desk, empty: bool) -> None:
    ledger_file = scored.path / "ward.db"
    ledger_file.unlink()
    if empty:
        ledger_file.touch()
    for words in (
        ("score", scored.photos),
        ("intake", "r.csv"),
        ("rounds",),
        ("ward", "check"),
    ):
        done = run(*words, "--ward", scored.path)
        assert done.exit_code == 2
        told = " ".join(done.stderr.split())
        assert "wait until it is complete" in told
        assert "Nothing was changed" in told
    assert ledger_file.exists() == empty
    assert (scored.path / "readings.csv").exists()


def test_a_table_open_in_a_spreadsheet_costs_nothing(
    scored: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Windows refuses to replace an open file; the entry is kept, the table follows later."""
    real = Path.replace

    def refused(self: Path, target: Path) -> Path:
        if Path(target).name == "scores.csv":
            raise PermissionError(13, "Permission denied", str(target))
        return real(self, target)

    before = (scored.path / "scores.csv").read_bytes()
    monkeypatch.setattr(Path, "replace", refused)
    words = ("specimen", "sold", "amber", "--price", 9, "--at", "2026-05-20")
    done = run(*words, "--ward", scored.path)
    assert done.exit_code == 0
    assert "amber: sold" in done.stdout
    told = " ".join(done.stderr.split())
    assert "scores.csv could not be written (Permission denied)" in told
    assert "Nothing is lost" in told
    assert (scored.path / "scores.csv").read_bytes() == before
    monkeypatch.undo()
    assert run("ward", "check", "--write-tables", "--ward", scored.path).exit_code == 0
    assert (scored.path / "scores.csv").read_bytes() != before
    with scored.ward() as ward:
        assert ward.specimens()[0].state == "sold"


def test_a_table_that_an_office_program_has_open_is_told(scored: Desk) -> None:
    (scored.path / ".~lock.scores.csv#").touch()
    done = run("specimen", "sold", "amber", "--at", "2026-05-20", "--ward", scored.path)
    assert done.exit_code == 0
    assert "close it there without saving" in " ".join(done.stderr.split())


def test_a_ledger_that_another_program_holds_is_told(scored: Desk) -> None:
    with closing(sqlite3.connect(scored.path / "ward.db")) as holder:
        holder.execute("begin exclusive")
        before = ledger.BUSY_TIMEOUT_S
        ledger.BUSY_TIMEOUT_S = 0.1
        try:
            done = run("specimen", "cut", "amber", "--ward", scored.path)
        finally:
            ledger.BUSY_TIMEOUT_S = before
    assert done.exit_code == 2
    assert "another program holds the ward open" in done.stderr


# Backup and restore.


def contents(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name not in ("ward.lock", "ward.db")
    }


def dump(folder: Path) -> list[str]:
    with closing(sqlite3.connect(folder / "ward.db")) as db:
        return list(db.iterdump())


def test_a_restored_ward_is_the_ward(scored: Desk, tmp_path: Path) -> None:
    os.utime(scored.path / "ward.toml", (0, 0))  # a clock that was never set: 1970
    (scored.path / "report").mkdir()
    (scored.path / "report" / "index.html").write_text("made from the rest")
    (scored.path / "charts").mkdir()
    (scored.path / "charts" / "a.z").write_text("made from the rest")
    archive = tmp_path / "disk" / "b.zip"
    done = run("ward", "backup", "--to", archive, "--ward", scored.path)
    assert done.exit_code == 0, done.output
    assert "read back and whole" in done.stdout
    again = tmp_path / "again"
    done = run("ward", "restore", archive, "--ward", again)
    assert done.exit_code == 0, done.output
    wanted = contents(scored.path)
    made_from_the_rest = [
        name for name in wanted if name.startswith(("report/", "small/", "charts/"))
    ]
    assert len(made_from_the_rest) > 1
    for name in made_from_the_rest:
        del wanted[name]
    assert contents(again) == wanted
    assert dump(again) == dump(scored.path)
    # And it goes on from there: nothing is measured again.
    scored.eyes.opened.clear()
    scored.path = again
    closing_list = scored.score()
    assert (scored.eyes.opened, len(closing_list.accepted)) == ([], 2)
    assert [path.name for path in tmp_path.glob(".*")] == []


def test_a_backup_takes_no_files_place_and_lies_outside(scored: Desk, tmp_path: Path) -> None:
    there = tmp_path / "b.zip"
    there.write_bytes(b"dear")
    for to in (there, scored.path / "b.zip"):
        assert run("ward", "backup", "--to", to, "--ward", scored.path).exit_code == 2
    assert there.read_bytes() == b"dear"
    assert not (scored.path / "b.zip").exists()
    done = run("ward", "backup", "--ward", scored.path)
    assert done.exit_code == 0
    [made] = tmp_path.glob("ward-backup-*.zip")
    assert zipfile.is_zipfile(made)


def test_nothing_is_restored_over_a_ward(scored: Desk, tmp_path: Path) -> None:
    run("ward", "backup", "--to", tmp_path / "b.zip", "--ward", scored.path)
    before = contents(scored.path)
    done = run("ward", "restore", tmp_path / "b.zip", "--ward", scored.path)
    assert (done.exit_code, "not empty" in done.stderr) == (2, True)
    assert contents(scored.path) == before


@pytest.mark.parametrize("harm", ["cut", "changed", "missing", "outside", "other", "none"])
def test_a_damaged_backup_is_not_brought_back(scored: Desk, tmp_path: Path, harm: str) -> None:
    good, bad = tmp_path / "good.zip", tmp_path / "bad.zip"
    run("ward", "backup", "--to", good, "--ward", scored.path)
    if harm == "cut":
        bad.write_bytes(good.read_bytes()[:-2000])
    elif harm != "none":
        with zipfile.ZipFile(good) as old, zipfile.ZipFile(bad, "w") as new:
            listed = json.loads(old.read("contents.json"))
            names = [name for name in old.namelist() if name != "contents.json"]
            tile = next(name for name in names if name.startswith("tiles/"))
            for name in names:
                if name == tile and harm == "missing":
                    continue
                data = old.read(name)
                new.writestr(name, data[:-1] + b"?" if name == tile and harm == "changed" else data)
            if harm == "outside":
                new.writestr("../evil.txt", b"x")
                listed["files"]["../evil.txt"] = ["0" * 64, 1]
            if harm == "other":
                listed["format"] = "something else"
            new.writestr("contents.json", json.dumps(listed))
    done = run("ward", "restore", bad, "--ward", tmp_path / "again")
    assert done.exit_code == 2
    assert "bad.zip" in done.stderr
    assert "Traceback" not in done.output
    assert not (tmp_path / "again").exists()
    assert not (tmp_path / "evil.txt").exists()
    assert not list(tmp_path.glob(".again*"))


# Wards of earlier versions.


def ward_of_the_first_version(path: Path) -> None:
    """Write the ledger as the first step left it, with what that version knew to write."""
    path.mkdir()
    steps = ledger.migrations.__class__("polypward")
    steps(name="m001_first_tables")(m001_first_tables.migrate)
    with closing(sqlite3.connect(path / "ward.db")) as connection:
        db = Database(connection)
        steps.apply(db)
        key = "ab" * 32
        db.table("specimens").insert(
            {"specimen": "amber", "cost": 40.0, "place": "rack 1", "first_named": "2025-03-01"}
        )
        db.table("specimens").insert({"specimen": "blue", "first_named": "2025-03-01"})
        db.table("photos").insert(
            {"key": key, "sha256": key, "path": "IMG_1.jpg", "first_seen": "2025-03-01T09:00+00:00",
             "exif_taken_at": "2025-03-01T10:00:00", "decoded": 1}
        )  # fmt: skip
        db.table("readings").insert(
            {"key": key, "specimen": "amber", "specimen_from": "assigned", "inputs": "{}",
             "taken_at": "2025-03-01T09:00:00.000000+00:00", "live_cover": 0.9, "live_mm2": 900.0,
             "measured_at": "2025-03-01"}
        )  # fmt: skip
        said = {"key": key, "specimen": "amber", "dropped": 0, "shift_minutes": 0, "at": "2025"}
        db.table("assignments").insert(said)
        ledger.audit(db, "person said", key, new=said)
        was = {"specimen": "", "specimen_from": "", "taken_at": None}
        ledger.audit(db, "assigned", key, old=was, new=was | {"specimen": "amber"})
        db.table("care").insert(
            {"specimen": "amber", "at": "2025-03-02T09:00:00+00:00", "what": "dip"}
        )
        db.conn.commit()


def test_a_ward_of_the_first_version_opens_and_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "ward"
    ward_of_the_first_version(path)
    with Ward.open(path, time_zone="Europe/Berlin") as ward:
        assert [one.specimen for one in ward.specimens()] == ["amber", "blue"]
        one = ward.specimen("amber")
        assert one is not None
        assert (one.cost, one.permit, one.light) == (40.0, "", "")
        [reading] = ward.readings("amber")
        assert reading.live_cover == 0.9
        assert [event.what for event in ward.care()] == ["dip"]
        applied = [done.name for done in ledger.migrations.applied(ward.db)]
        assert applied == list(STEPS)
    assert list(path.glob("ward-before-m002_life-*.db"))
    # What was assigned before there were steps can be taken back as well.
    done = run("assign", "IMG_1.jpg", "--undo", "--ward", path)
    assert done.exit_code == 0, done.output
    assert "IMG_1.jpg: no specimen" in done.stdout
    assert run("specimen", "move", "amber", "--to", "rack 2", "--ward", path).exit_code == 0
    assert run("specimen", "undo", "amber", "--ward", path).exit_code == 0
    with Ward.open(path) as ward:
        assert [one.place for one in ward.specimens()] == ["rack 1", ""]


def test_every_step_of_the_ledger_is_one_transaction(tmp_path: Path) -> None:
    """A step that fails half way leaves the ledger as the step before it left it."""
    for number, name in enumerate(STEPS[1:], start=1):
        db = Database(sqlite3.connect(":memory:"))
        steps = ledger.migrations.__class__("polypward")
        module = sys.modules[f"polypward_cli.ward.migrations.{name}"]

        def fails(db: Database, migrate=module.migrate) -> None:  # type: ignore[no-untyped-def]
            migrate(db)
            raise RuntimeError("half way")

        for before in STEPS[:number]:
            step = sys.modules[f"polypward_cli.ward.migrations.{before}"]
            steps(name=before)(step.migrate)
        steps.apply(db)
        was = list(db.conn.iterdump())
        steps(name=name)(fails)
        with pytest.raises(RuntimeError, match="half way"):
            steps.apply(db)
        assert list(db.conn.iterdump()) == was, name
        db.close()


def test_restore_needs_a_backup(tmp_path: Path) -> None:
    (tmp_path / "x.zip").write_text("no zip")
    for words in (("restore", tmp_path / "x.zip"), ("restore", tmp_path / "gone.zip")):
        done = run("ward", *words, "--ward", tmp_path / "again")
        assert done.exit_code == 2
    assert not (tmp_path / "again").exists()


def test_half_a_ward_is_refused_as_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "tiles").mkdir()
    (tmp_path / "tiles" / "a.jpg").touch()
    with pytest.raises(BadInputError, match="the ledger is missing, but tiles of a ward is here"):
        Ward.open(tmp_path, create=True)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["tiles"]


# Wards that cannot be written.


@pytest.fixture
def read_only(scored: Desk) -> Iterator[Desk]:
    """The ward's folder without the right to write, for whoever has not every right anyway."""
    paths = [scored.path, *scored.path.rglob("*")]
    for path in paths:
        path.chmod(path.stat().st_mode & ~0o222)
    yield scored
    for path in paths:
        path.chmod(path.stat().st_mode | 0o200)


def as_anyone(*words: object) -> subprocess.CompletedProcess[str]:
    """Run a command as a user whom file rights bind; root of this machine gives that up first."""

    def bound() -> None:
        if os.geteuid() == 0:  # PR_CAPBSET_DROP, CAP_DAC_OVERRIDE (linux/prctl.h, capability.h)
            ctypes.CDLL(None).prctl(24, 1, 0, 0, 0)

    code = "from polypward_cli.main import app; app()"
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, words)],
        capture_output=True,
        text=True,
        preexec_fn=bound,
        check=False,
    )


@pytest.mark.skipif(sys.platform != "linux", reason="rights of files are tried on Linux")
def test_a_read_only_ward_is_read_and_told(read_only: Desk, tmp_path: Path) -> None:
    ward = ("--ward", read_only.path)
    before = {p: p.read_bytes() for p in read_only.path.rglob("*") if p.is_file()}
    listed = as_anyone("specimen", "list", *ward)
    assert (listed.returncode, "1 specimen" in listed.stdout) == (0, True), listed.stderr
    noted = as_anyone("specimen", "cut", "amber", *ward)
    assert noted.returncode == 2
    assert "the ward cannot be written (Permission denied); nothing was noted" in noted.stderr
    kept = as_anyone("ward", "backup", "--to", tmp_path / "b.zip", *ward)
    assert (kept.returncode, "read back and whole" in kept.stdout) == (0, True), kept.stderr
    assert {p: p.read_bytes() for p in before} == before


@pytest.mark.skipif(sys.platform != "linux", reason="rights of files are tried on Linux")
def test_an_old_read_only_ward_says_why_it_does_not_open(tmp_path: Path) -> None:
    path = tmp_path / "ward"
    ward_of_the_first_version(path)
    Path(path / "ward.toml").write_text('time_zone = "Europe/Berlin"\n')
    path.chmod(0o500)
    done = as_anyone("specimen", "list", "--ward", path)
    path.chmod(0o700)
    assert done.returncode == 2
    told = " ".join(done.stderr.split())
    assert "written by an earlier polypward, and read-only here" in told
    assert "restore" not in told
    assert not list(path.glob("ward-before-*"))
