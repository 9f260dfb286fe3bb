import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from polypward_cli.main import app
from polypward_cli.ward import Ward


@pytest.fixture
def ward(tmp_path: Path) -> Path:
    register = tmp_path / "r.csv"
    register.write_text("batch,supplier,kind,count,cost\nB1,Ondriva,brain,2,40\n")
    path = tmp_path / "ward"
    Ward.open(path, create=True, time_zone="Europe/Berlin").close()
    assert run(path, "intake", register).exit_code == 0
    return path


def run(ward: Path, *words: object) -> Result:
    return CliRunner().invoke(app, [*(str(word) for word in words), "--ward", str(ward)])


def sheets(ward: Path) -> list[dict[str, object]]:
    found: list[dict[str, object]] = json.loads(run(ward, "unpack", "--json").stdout)
    return found


def test_a_sheet_is_kept_and_corrected(ward: Path) -> None:
    words = ("unpack", "b1", "--box", "3", "--at", "2025-03-01T09:30", "--by", "Kim")
    first = run(ward, *words, "--temp-c", 19.5, "--salinity", 34, "--ph", 7.1,
                "--transit-hours", 38)  # fmt: skip
    assert first.exit_code == 0
    assert "19.5 °C, 34 PSU, pH 7.1, 38 h" in first.stdout
    assert run(ward, *words, "--temp-c", 20.5).exit_code == 0
    [sheet] = sheets(ward)
    assert (sheet["batch"], sheet["box"], sheet["at"]) == ("B1", "3", "2025-03-01T09:30:00+01:00")
    assert (sheet["bag_temp_c"], sheet["bag_salinity"], sheet["bag_ph"]) == (20.5, 34, 7.1)
    assert (sheet["transit_hours"], sheet["by"]) == (38, "Kim")
    with Ward.open(ward) as opened:
        [old] = opened.db.query("select old from audit where what = 'unpacking sheet changed'")
        assert json.loads(old["old"])["bag_temp_c"] == 19.5


def test_opening_a_bag_says_what_becomes_of_its_ammonia(ward: Path) -> None:
    """Ten times fewer hydrogen ions are nearly ten times the NH3 while most of it is NH4."""
    words = ("unpack", "B1", "--box", "9", "--at", "2025-03-01T09:30", "--temp-c", 20)
    assert (
        "un-ionised ammonia (NH3): not available, because pH and salinity of the bag were not read."
        in (run(ward, *words).stdout)
    )
    told = run(ward, *words, "--salinity", 34, "--ph", 7.2).stdout
    assert (
        "once its pH has risen to 8.2 (sea water open to the air, from memory), 9.6 times as much: "
        "match the temperature, no long drip in bag water."
    ) in told
    place = ("specimen", "list", "--json")
    name = json.loads(run(ward, *place).stdout)[0]["specimen"]
    moved = run(ward, "specimen", "move", name, "--to", "rack 1", "--water-system", "main")
    assert moved.exit_code == 0, moved.output
    run(ward, "care", "water", "log", "main", "ph=8.0", "--at", "2025-02-28T09:00")
    told = run(ward, *words, "--ph", 7.5).stdout
    assert "once its pH has risen to 8 (as of main, tested on 2025-02-28), " in told
    told = run(ward, *words, "--ph", 8.3).stdout
    assert "% of all in this bag." in told
    assert "once" not in told
    assert "outside 20 to 40 PSU" in run(ward, *words, "--salinity", 12).stdout


def test_a_sheet_of_now_is_corrected_by_the_time_that_the_list_shows(ward: Path) -> None:
    told = run(ward, "unpack", "B1", "--ph", 7.4).stdout
    shown = told.removeprefix("new: ")[:16].replace(" ", "T")
    assert run(ward, "unpack", "B1", "--ph", 7.1, "--at", shown).stdout.startswith("changed: ")
    assert [sheet["bag_ph"] for sheet in sheets(ward)] == [7.1]


def test_the_cautions_of_opened_bags_are_said_once_a_person(ward: Path, tmp_path: Path) -> None:
    words = ("unpack", "B1", "--temp-c", 20, "--at")
    told = run(ward, *words, "2025-03-01T09:30", "--by", "Kim").stderr
    for caution in (
        "pH rises and ammonia",
        "match the temperature",
        "no long drip in bag water",
        "Bag water never goes into a system",
    ):
        assert caution in told
    assert run(ward, *words, "2025-03-01T09:40", "--by", "Kim").stderr == ""
    assert "no long drip" in run(ward, *words, "2025-03-01T09:50", "--by", "Ana").stderr


@pytest.mark.parametrize(
    ("words", "fault"),
    [
        (("B9", "--temp-c", 20), '"B9" is no batch of this ward; there are B1'),
        (("B1", "--temp-c", 72), "from 5 to 45 °C, got 72; that looks like °F"),
        (("B1", "--salinity", 1.025), "that looks like a specific gravity"),
        (("B1", "--ph", 71), "bag_ph must be from 5 to 9.5"),
        (("B1", "--transit-hours", -1), "transit_hours must be from 0 to 240"),
        (("B1", "--ph", "nan"), "bag_ph must be"),
        (("B1", "--ph", 7, "--at", "2999-01-01T10:00"), "is in the future"),
        (("--ph", 7), "say which batch"),
        (("B1", "--note", "leaked"), "a note goes with a reading"),
    ],
)
def test_a_sheet_that_cannot_be(ward: Path, words: tuple[object, ...], fault: str) -> None:
    done = run(ward, "unpack", *words)
    assert done.exit_code == 2
    assert fault in " ".join(done.stderr.split())
    assert sheets(ward) == []


def test_a_table_is_taken_whole_or_not_at_all(ward: Path, tmp_path: Path) -> None:
    table = tmp_path / "bags.csv"
    # As a spreadsheet saves it: cp1252, semicolons, decimal commas.
    text = "batch;box;at;bag_temp_c;bag_ph;note\nB1;1;2025-03-01T09:30;19,5;7,1;trüb\n"
    table.write_bytes((text + "B1;2;2025-03-01T09:35;21;71;\nB7;;soon;;;\n").encode("cp1252"))
    bad = run(ward, "unpack", "--table", table)
    assert bad.exit_code == 2
    assert "line 3: bag_ph must be a number from 5 to 9.5" in bad.stderr
    assert "line 4:" in bad.stderr
    assert sheets(ward) == []
    table.write_bytes(text.encode("cp1252"))
    assert run(ward, "unpack", "--table", table).stdout == "1 new, 0 changed, 0 known.\n"
    assert run(ward, "unpack", "--table", table).stdout == "0 new, 0 changed, 1 known.\n"
    [sheet] = sheets(ward)
    assert (sheet["bag_temp_c"], sheet["bag_ph"], sheet["note"]) == (19.5, 7.1, "trüb")


def test_a_sheet_is_taken_back_and_kept(ward: Path) -> None:
    words = ("unpack", "B1", "--box", "3")
    for time, ph in (("09:30", 7.1), ("10:30", 7.9)):
        run(ward, *words, "--ph", ph, "--at", f"2025-03-01T{time}", "--by", "Kim")
    told = run(ward, *words, "--undo", "--by", "Ana").stdout
    assert told == "taken back: 2025-03-01 10:30  batch B1, box 3: pH 7.9, Kim\n"
    assert [sheet["bag_ph"] for sheet in sheets(ward)] == [7.1]
    for more in (("--at", "2025-03-01T09:31"), ("--box", "4"), ("--ph", 7)):
        done = run(ward, *words, "--undo", *more)
        assert done.exit_code == 2, more
    assert [sheet["bag_ph"] for sheet in sheets(ward)] == [7.1]
    assert run(ward, *words, "--undo", "--at", "2025-03-01T09:30").exit_code == 0
    assert sheets(ward) == []
    with Ward.open(ward) as opened:
        rows = opened.db.query("select old, new from audit where what like '%taken back'")
        kept = [(json.loads(row["old"])["bag_ph"], json.loads(row["new"])["by"]) for row in rows]
    assert kept == [(7.9, "Ana"), (7.1, "")]


def test_no_bag_is_opened_before_it_arrived(ward: Path) -> None:
    for name in json.loads(run(ward, "specimen", "list", "--json").stdout):
        run(ward, "specimen", "change", name["specimen"], "--arrived-on", "2025-03-01")
    done = run(ward, "unpack", "B1", "--ph", 7, "--at", "2025-02-28T23:00")
    assert (done.exit_code, 'batch "B1" arrived on 2025-03-01' in done.stderr) == (2, True)
    assert sheets(ward) == []


def test_the_sheets_go_out_as_csv_and_come_in_again(ward: Path, tmp_path: Path) -> None:
    """A note that a spreadsheet would run has an apostrophe on its way, and none at its end."""
    run(ward, "unpack", "B1", "--ph", 7.1, "--at", "2025-03-01T09:30", "--note", "=1+1")
    out = tmp_path / "out.csv"
    assert run(ward, "unpack", "--csv", out).stdout == f"{out}: 1 row\n"
    assert ",'=1+1," in out.read_text()
    before = sheets(ward)
    assert run(ward, "unpack", "--table", out).stdout == "0 new, 0 changed, 1 known.\n"
    assert sheets(ward) == before


def test_a_sheet_told_twice_in_a_table_is_a_fault(ward: Path, tmp_path: Path) -> None:
    table = tmp_path / "bags.csv"
    table.write_text("batch,at,bag_ph\nB1,2025-03-01,7\nb1,2025-03-01,8\n")
    done = run(ward, "unpack", "--table", table)
    assert (done.exit_code, "line 3: the same batch, box and time as line 2" in done.stderr) == (
        2,
        True,
    )
    table.write_text("batch,at\n")
    assert "no rows under the header" in run(ward, "unpack", "--table", table).stderr
    assert sheets(ward) == []
