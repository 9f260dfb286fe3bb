import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import fields
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polypward.course import CourseSettings, Score
from polypward.errors import BadInputError
from polypward.records import CareEvent, Reading, Specimen
from polypward_cli.files import write_bytes, write_text
from polypward_cli.ward import Ward, ledger
from polypward_cli.ward.settings import read_settings
from polypward_cli.ward.tables import (
    READING_COLUMNS,
    SCORE_COLUMNS,
    csv_text,
    guarded,
    reading_line,
)

# The contract, spelt out again: other people's scripts read these columns.
READINGS = (
    "photo,sha256,specimen,taken_at,status,reasons,card,card_serial,mm_per_px,tilt_deg,camera_mm,"
    "height_mm,lamp,colour_grade,de00_mean,de00_max,live_mm2,live_mm2_sd,pale_mm2,bare_mm2,"
    "overgrown_mm2,live_cover,live_cover_sd,L,a,b,paling,paling_sd,tile_x_mm,tile_y_mm,"
    "tile_mm_per_px,tile,mask,view,open,expansion,unsure,photographer"
)
SCORES = (
    "specimen,first_seen,last_seen,visits,condition,condition_sd,condition_intake,recovery,"
    "recovery_low,recovery_high,live_mm2,live_change_pct,cover_change_per_week,"
    "paling_change_per_week,flags,advice"
)


def make(path: Path, **options: object) -> Ward:
    return Ward.open(path, create=True, time_zone="Europe/Berlin", **options)  # type: ignore[arg-type]


def test_the_columns_are_those_of_the_contract() -> None:
    assert ",".join(READING_COLUMNS[:38]) == READINGS
    assert ",".join(SCORE_COLUMNS[:16]) == SCORES
    assert set(READING_COLUMNS) <= {item.name for item in fields(Reading)}
    assert set(SCORE_COLUMNS) <= {item.name for item in fields(Score)}


def test_empty_is_not_available_and_times_have_offsets() -> None:
    at = datetime(2026, 1, 12, 10, 30, tzinfo=UTC)
    reading = Reading(
        photo="a.jpg", sha256="x", taken_at=at, live_cover=0.9, L=float("nan"), a=-0.0
    )
    header, line, end = (csv_text(READING_COLUMNS, ()) + reading_line(reading)).split("\n")
    cells = dict(zip(header.split(","), line.split(","), strict=True))
    assert end == ""
    assert cells["taken_at"] == "2026-01-12T10:30:00+00:00"
    assert (cells["live_cover"], cells["height_mm"], cells["L"], cells["a"]) == (
        "0.9",
        "",
        "",
        "0.0",
    )


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\r"])
def test_formula_signs_are_guarded(sign: str) -> None:
    assert guarded(f"{sign}x") == f"'{sign}x"
    assert guarded(f"x{sign}") == f"x{sign}"


def test_no_ward_is_told_and_nothing_made(tmp_path: Path) -> None:
    with pytest.raises(BadInputError, match="no ward here"):
        Ward.open(tmp_path / "w")
    assert not (tmp_path / "w").exists()
    (tmp_path / "f").touch()
    with pytest.raises(BadInputError, match="a file, but a ward is a folder"):
        make(tmp_path / "f")


def test_a_new_ward_opens_again(tmp_path: Path) -> None:
    with make(tmp_path / "w") as ward:
        assert ward.specimens() == ward.readings() == ward.care() == ward.looks() == []
        assert ward.settings.time_zone == "Europe/Berlin"
        assert ward.settings.course_settings().zone == ward.settings.zone
    with Ward.open(tmp_path / "w") as ward:
        assert ward.settings.course_settings().rules == CourseSettings().rules


def test_other_files_are_not_taken_for_a_ward(tmp_path: Path) -> None:
    (tmp_path / "ward.db").write_bytes(b"no database" * 100)
    with pytest.raises(BadInputError, match="cannot be read as a ward"):
        Ward.open(tmp_path)
    with closing(sqlite3.connect(tmp_path / "other.db")) as db:
        db.execute("create table things (a)")
    (tmp_path / "other.db").replace(tmp_path / "ward.db")
    with pytest.raises(BadInputError, match="no ward of polypward"):
        Ward.open(tmp_path)


def test_a_newer_ward_is_not_opened(tmp_path: Path) -> None:
    with make(tmp_path) as ward:
        ward.db.table("_sqlite_migrations").insert(
            {"migration_set": "polypward", "name": "m999_later", "applied_at": "2030"}
        )
    with pytest.raises(BadInputError, match=r"newer polypward \(m999_later\)"):
        Ward.open(tmp_path)


def test_a_migration_keeps_a_copy_and_a_failing_one_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with make(tmp_path) as ward:
        ward.save_specimen(Specimen(specimen="amber"))
    steps = ledger.migrations.__class__("polypward")
    steps._migrations = list(ledger.migrations._migrations)
    fails = True

    @steps()
    def m998_next(db: object) -> None:
        db.execute("create table later (a)")  # type: ignore[attr-defined]
        if fails:
            raise RuntimeError("half way")

    monkeypatch.setattr(ledger, "migrations", steps)
    with pytest.raises(RuntimeError, match="half way"):
        Ward.open(tmp_path)
    with closing(sqlite3.connect(tmp_path / "ward.db")) as db:
        assert db.execute("select 1 from sqlite_master where name = 'later'").fetchone() is None
    fails = False
    with Ward.open(tmp_path) as ward:
        assert [one.specimen for one in ward.specimens()] == ["amber"]
    [copy, *_] = tmp_path.glob("ward-before-m998_next-*.db")
    with closing(sqlite3.connect(copy)) as db:
        assert db.execute("select specimen from specimens").fetchall() == [("amber",)]
        assert db.execute("select 1 from sqlite_master where name = 'later'").fetchone() is None


def test_the_ledger_is_one_file_with_foreign_keys(tmp_path: Path) -> None:
    with make(tmp_path) as ward:
        assert ward.db.execute("pragma journal_mode").fetchone() == ("delete",)
        assert ward.db.execute("pragma foreign_keys").fetchone() == (1,)
        with pytest.raises(sqlite3.IntegrityError):
            ward.db.execute("insert into care (specimen, at, what) values ('x', 'y', 'z')")


def test_the_audit_only_grows(tmp_path: Path) -> None:
    with make(tmp_path) as ward:
        ledger.audit(ward.db, "tried", "x", old={"a": 1})
        for statement in ("delete from audit", "update audit set what = 'other'"):
            with pytest.raises(sqlite3.IntegrityError, match="append-only"):
                ward.db.execute(statement)
        assert ward.db.table("audit").count == 1


@given(
    specimen=st.text(min_size=1, max_size=20).filter(lambda text: "\0" not in text),
    cost=st.none() | st.floats(0, 1e9),
    arrived_on=st.none() | st.dates(),
)
def test_any_specimen_reads_back_equal(
    tmp_path_factory: pytest.TempPathFactory,
    specimen: str,
    cost: float | None,
    arrived_on: date | None,
) -> None:
    wanted = Specimen(specimen=specimen, cost=cost, arrived_on=arrived_on, registered=False)
    from polypward_cli.ward.rows import row_of_specimen, specimen_of

    with closing(sqlite3.connect(":memory:")) as db:
        db.row_factory = sqlite3.Row
        row = row_of_specimen(wanted)
        db.execute(f"create table s ({','.join(row)})")
        db.execute(f"insert into s values ({','.join('?' * len(row))})", list(row.values()))
        [stored] = db.execute("select * from s")
        assert specimen_of(dict(stored)) == wanted


def test_care_changes_what_it_changes_once(tmp_path: Path) -> None:
    at = datetime(2026, 1, 12, 23, 30, tzinfo=UTC)
    with make(tmp_path) as ward:
        ward.save_specimen(Specimen(specimen="amber", kind="brain", cost=30.0))
        move = CareEvent(specimen="amber", at=at, what="move", detail={"to": "rack 2"}, by="Kim")
        assert ward.add_care(move)
        assert not ward.add_care(move)
        assert ward.care("amber") == [move]
        assert ward.specimens()[0].place == "rack 2"
        split = {"children": "amber-a; amber-b"}
        ward.add_care(CareEvent(specimen="amber", at=at, what="split", detail=split))
        kept = {one.specimen: one for one in ward.specimens()}
        # 23:30 in UTC is the next day in Berlin.
        assert (kept["amber"].state, kept["amber"].left_on) == ("split", date(2026, 1, 13))
        assert (kept["amber-b"].parent, kept["amber-b"].kind) == ("amber", "brain")
        assert kept["amber-b"].state == "held"
        ward.add_care(CareEvent(specimen="amber-a", at=at, what="sold"))
        assert {one.specimen: one.state for one in ward.specimens()}["amber-a"] == "sold"
        with pytest.raises(BadInputError, match="no specimen of this ward"):
            ward.add_care(CareEvent(specimen="blue", at=at, what="dip"))


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ('owner = ""', "owner = 3", r"line 5: owner must be text in quotes, got 3"),
        ('owner = ""', 'ownr = ""', r'line 5: "ownr" is no setting of a ward'),
        ('"Europe/Berlin"', '"Mars/Base"', r'line 9: time_zone "Mars/Base" is not known'),
        ('lamp = ""', "lamp = true", r"line 14: lamp must be text"),
        ("# height_mm = 0", "height_mm = -1", r"line 17: height_mm must be a number from 0"),
        ('"linear"\n', '"cubic"\n', r"line 21: colour_model is"),
        ('owner = ""', 'owner = "', r"line 5: not valid TOML"),
        ("[course]", "[cours]", r'"cours" is no setting of a ward'),
    ],
)
def test_faults_in_ward_toml_are_told_with_their_line(
    tmp_path: Path, old: str, new: str, fault: str
) -> None:
    make(tmp_path).close()
    path = tmp_path / "ward.toml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(BadInputError, match=fault):
        read_settings(path)


def test_the_course_table_and_the_advice_rules_can_be_changed(tmp_path: Path) -> None:
    make(tmp_path).close()
    path = tmp_path / "ward.toml"
    text = path.read_text()
    changed = text.replace("# interval_days = 7", "interval_days = 5").replace(
        "# white_lab = [90.0, 0.0, 8.0]", "white_lab = [91, 1, 7]"
    )
    changed = changed.replace('"visits < 3"', '"visits < 4"')
    path.write_text(changed + '\n[course.kind_references]\n"brain" = [40, 10, 20.5]\n')
    settings = read_settings(path).course_settings()
    assert (settings.interval_days, settings.white_lab) == (5, (91.0, 1.0, 7.0))
    assert settings.kind_references == {"brain": (40.0, 10.0, 20.5)}
    assert ("visits < 4",) in [rule.when for rule in settings.rules]


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ("# interval_days = 7", "interval_days = 7.5", "interval_days must be a whole number"),
        ("# limit_sds", "limit_sdz", '"limit_sdz" is no setting of'),
        ("# white_lab = [90.0, 0.0, 8.0]", "white_lab = [1]", "white_lab must be a list of 3"),
        ('"visits < 3"', '"visitz < 3"', "no fact 'visitz'"),
        ("next_photo_days = 1", "next_photo_days = -1", "next_photo_days must be"),
        ('advice = "discard"', 'advice = "burn"', "advice must be hold"),
    ],
)
def test_faults_in_the_course_are_told_with_their_line(
    tmp_path: Path, old: str, new: str, fault: str
) -> None:
    make(tmp_path).close()
    path = tmp_path / "ward.toml"
    changed = path.read_text().replace(old, new, 1)
    path.write_text(changed)
    with pytest.raises(BadInputError) as caught:
        read_settings(path).course_settings()
    assert fault in str(caught.value)
    line = int(str(caught.value).split("line ")[1].split(":")[0])
    faulty = next(n for n, text in enumerate(changed.splitlines(), 1) if new in text)
    assert line == faulty


def test_a_file_is_written_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "deep" / "a.txt"
    write_text(path, "ünï\n")
    assert path.read_bytes() == "ünï\n".encode()

    def full(_: int) -> None:
        raise OSError("no space left")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OSError, match="no space"):
        write_bytes(path, b"new")
    assert path.read_text(encoding="utf-8") == "ünï\n"
    assert [found.name for found in path.parent.iterdir()] == ["a.txt"]


def test_a_lock_ends_with_its_program(tmp_path: Path) -> None:
    make(tmp_path).close()
    code = (
        "import sys, os; from pathlib import Path; from polypward_cli.ward import lock\n"
        "with lock.hold(Path(sys.argv[1]), 'score'):\n"
        "    os._exit(9)\n"
    )
    run = subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False)
    assert run.returncode == 9
    with Ward.open(tmp_path) as ward, ward.working("score"):
        pass
