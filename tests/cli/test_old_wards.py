"""Wards of every earlier form of the ledger open, lose nothing and go on.

Each file in old_wards/ is the ledger of a small ward as the commands of that time wrote it: two
specimens, three photos, an assignment, a dip, and what else they knew to note.
"""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from polypward_cli.main import app
from polypward_cli.ward import Ward
from polypward_cli.ward.migrations import STEPS, migrations

OLD = sorted((Path(__file__).parent / "old_wards").glob("*.sql"))
Rows = dict[str, list[dict[str, object]]]


def run(ward: Path, *words: str) -> Result:
    return CliRunner().invoke(app, [*words, "--ward", str(ward)])


def rows(database: Path) -> Rows:
    """Return every row of every table, in the order of their keys."""
    with closing(sqlite3.connect(database)) as db:
        db.row_factory = sqlite3.Row
        names = db.execute("select name from sqlite_master where type = 'table'").fetchall()
        return {
            name: sorted(map(dict, db.execute(f'select * from "{name}"')), key=_in_order)
            for (name,) in names
            if not name.startswith(("sqlite_", "_sqlite"))
        }


def _in_order(row: dict[str, object]) -> str:
    return repr(list(row.values())[:2])


def columns(database: Path) -> dict[str, dict[str, tuple[object, ...]]]:
    """Return type, "not null" and default of every column, by table and name."""
    with closing(sqlite3.connect(database)) as db:
        return {
            name: {row[1]: row[2:6] for row in db.execute(f'pragma table_info("{name}")')}
            for (name,) in db.execute("select name from sqlite_master where type = 'table'")
        }


def helpers(database: Path) -> set[tuple[str, str]]:
    """Return the names of all indexes and triggers, each with its kind."""
    with closing(sqlite3.connect(database)) as db:
        return set(
            db.execute("select type, name from sqlite_master where type in ('index', 'trigger')")
        )


@pytest.fixture(params=OLD, ids=lambda path: path.stem)
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    ward = tmp_path / "ward"
    ward.mkdir()
    with closing(sqlite3.connect(ward / "ward.db")) as db:
        db.executescript(request.param.read_text())
    return ward


def test_every_form_of_the_ledger_is_kept_here() -> None:
    """One dump at least for each number of steps that commands were ever run with."""
    assert [path.stem for path in OLD] == [
        "1-first", "2-life", "3-phone", "4-care", "5-water", "6-course", "7-kept-courses",
    ]  # fmt: skip


def test_it_becomes_what_a_new_ward_is(old: Path, tmp_path: Path) -> None:
    Ward.open(old, time_zone="Europe/Berlin").close()
    Ward.open(tmp_path / "new", create=True).close()
    now, wanted = columns(old / "ward.db"), columns(tmp_path / "new" / "ward.db")
    # A table that nothing uses any more may stay; all others are just alike.
    assert set(now) - set(wanted) <= {"outlines"}
    for table, known in wanted.items():
        assert now[table] == known, table
    assert helpers(tmp_path / "new" / "ward.db") <= helpers(old / "ward.db")
    with closing(sqlite3.connect(old / "ward.db")) as db:
        assert db.execute("pragma foreign_key_check").fetchall() == []
        assert db.execute("pragma integrity_check").fetchall() == [("ok",)]


def test_nothing_that_was_noted_is_lost(old: Path) -> None:
    before = rows(old / "ward.db")
    with closing(sqlite3.connect(old / "ward.db")) as db:
        done = [name for (name,) in db.execute("select name from _sqlite_migrations")]
    pending = next((name for name in STEPS if name not in done), None)
    Ward.open(old, time_zone="Europe/Berlin").close()
    after = rows(old / "ward.db")
    assert before["specimens"]
    assert before["readings"]
    for table, known in before.items():
        kept = [{name: row[name] for name in known[0]} for row in after[table]] if known else []
        assert kept == known, table
    with Ward.open(old) as ward:
        assert {one.name for one in migrations.applied(ward.db)} == set(STEPS)
    # The ledger as it was lies beside it, named after the first step that was still to do.
    copies = list(old.glob("ward-before-*.db"))
    if pending is None:
        assert copies == []
        return
    [copy] = copies
    assert rows(copy) == before
    assert copy.name.startswith(f"ward-before-{pending}-")


def test_it_goes_on_with_the_commands_of_today(old: Path) -> None:
    for words, told in (
        (("specimen", "list"), "2 specimens"),
        (("assign", "IMG_7.jpg", "--undo"), "IMG_7.jpg: no specimen"),
        (("specimen", "move", "amber", "--to", "tub"), "amber: move"),
        (("unpack", "B1", "--ph", "7.4"), "pH 7.4"),
        (("labels", "put", "18", "amber"), "amber wears tag 18"),
        (("claim", "B1", "--poor", "amber"), "amber (brain): poor"),
        (("care", "treat", "blue", "--agent", "salt", "--course"), "blue: salt"),
        (("care", "treat", "blue", "--done", "--by", "Kim"), "ended"),
        (("care", "inspect", "tub", "--found", "snail"), "snail"),
        (("care", "water", "log", "lagoon", "alkalinity=8 dKH"), "lagoon"),
        (("specimen", "sold", "amber", "--price", "90"), "Now sold"),
        (("rounds",), "Round of"),
    ):
        done = run(old, *words)
        assert done.exit_code == 0, (words, done.output)
        assert told in done.stdout, words
    with Ward.open(old) as ward:
        [treated] = ward.db.query("select ended_by from treatments where agent = 'salt'")
        assert treated == {"ended_by": "Kim"}
    # Its photos are not here: that is what a check finds, and nothing else.
    found = run(old, "ward", "check").stdout
    assert found.count("Fault:") == 1
    assert "Cut-outs or tissue maps are missing" in found
