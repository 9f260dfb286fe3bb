"""The commands `care water` and `care dose`, typed as a keeper would."""

import csv
import json
import sqlite3
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from polypward.records import CareEvent, Specimen
from polypward_cli.main import app
from polypward_cli.rounds import plan_round
from polypward_cli.ward import Ward
from polypward_cli.water.due import ward_water_due


@pytest.fixture
def ward(tmp_path: Path) -> Path:
    with Ward.open(tmp_path / "ward", create=True, time_zone="Europe/Berlin") as made:
        made.save_specimen(Specimen(specimen="amber", place="rack 1", water_system="main"))
    return tmp_path / "ward"


def run(ward: Path, *words: object) -> Result:
    found = CliRunner().invoke(app, ["care", *map(str, words), "--ward", str(ward)])
    assert "Traceback" not in found.output
    return found


def ok(ward: Path, *words: object) -> str:
    found = run(ward, *words)
    assert found.exit_code == 0, found.output
    return found.stdout


def refused(ward: Path, *words: object) -> str:
    """What a refusal says; nothing was written."""
    before = rows(ward)
    found = run(ward, *words)
    assert found.exit_code == 2, found.output
    assert rows(ward) == before
    return " ".join(found.stderr.split())


def rows(ward: Path) -> list[tuple[object, ...]]:
    tables = ("water_systems", "water_tests", "water_targets", "water_doses", "audit")
    with closing(sqlite3.connect(ward / "ward.db")) as db:
        return [row for table in tables for row in db.execute(f"select * from {table}")]


def ready(ward: Path) -> None:
    """A system with good temperature and salinity, low alkalinity, 400 L, targets accepted."""
    ok(ward, "water", "log", "main", "temp=25", "psu=35", "dkh=7.3", "ca=390", "--by", "Kim")
    ok(ward, "water", "targets", "main", "--accept", "--by", "Kim")
    ok(ward, "water", "volume", "main", "--measured", "400 L")


def test_the_usual_targets_are_offered_once_and_never_taken_by_themselves(ward: Path) -> None:
    first = ok(ward, "water", "log", "main", "dkh=8.4")
    assert "not set. Accept these?" in first
    assert "common practice, no source" in first
    assert "Accept these?" not in ok(ward, "water", "log", "main", "ca=430")
    told = ok(ward, "water")
    assert "Targets: not set" in told
    assert "no target" in told
    assert "in target" not in told
    assert "7.5 to 9.5 dKH, aim 8.5" in ok(ward, "water", "targets", "main", "--accept")
    assert "alkalinity   8.4 dKH; today; in target" in ok(ward, "water")


def test_the_list_says_what_is_out_and_what_was_never_tested(ward: Path) -> None:
    ready(ward)
    for day, value in ((5, "po4=nd"), (2, "po4=<0.02")):
        at = (datetime.now(UTC) - timedelta(days=day)).isoformat(timespec="minutes")
        ok(ward, "water", "log", "main", value, "--at", at)
    ok(ward, "water", "log", "main", "k=400", "--by", "Jo", "--kit", "drop test")
    told = ok(ward, "water", "--system", "MAIN")
    assert "magnesium    not tested" in told
    assert "potassium    400 mg/L; today, Jo, drop test; in target" in told
    assert "alkalinity 7.3 dKH: under target (7.5 to 9.5 dKH, aim 8.5 dKH)" in told
    assert "phosphate    under 0.02 mg/L PO4; 2 days ago; undetectable" in told
    assert "phosphate undetectable twice in a row" in told
    states = json.loads(ok(ward, "water", "--json"))["systems"][0]["states"]
    by_key = {state["parameter"]: state for state in states}
    assert by_key["magnesium"] == {
        "parameter": "magnesium",
        "verdict": "not tested",
        "latest": None,
        "age_days": None,
        "target": "1250 to 1400 mg/L, aim 1300 mg/L",
        "per_week": None,
        "trend_p": None,
        "trend_tests": 0,
        "remarks": [],
        "kit_expired": False,
    }
    assert by_key["alkalinity"]["latest"]["by"] == "Kim"


def test_bad_tests_are_refused_as_a_whole(ward: Path) -> None:
    told = refused(ward, "water", "log", "main", "dkh=8.4", "ca=-3", "sg=1.025")
    assert "from 0 to 1000 mg/L, not -3" in told
    assert "at which temperatures" in told
    assert "Nothing was written" in told
    assert "twice" in refused(ward, "water", "log", "main", "dkh=8.4", "alk=3 meq/L")
    assert 'Is it "main"' in refused(ward, "water", "log", "mian", "dkh=8.4")
    assert "future" in refused(ward, "water", "log", "main", "dkh=8.4", "--at", "2099-01-01")
    assert "year right" in refused(ward, "water", "log", "main", "dkh=8.4", "--at", "1026-01-01")
    assert "is no day" in refused(ward, "water", "log", "main", "ca=430", "--kit-expires", "soon")
    assert "first test names it" in refused_empty(ward.parent / "empty")
    nowhere = run(ward.parent / "nowhere", "water", "log", "main", "dkh=8.4")
    assert (nowhere.exit_code, "--new makes it" in nowhere.stderr) == (2, True)
    new = ("water", "log", "main", "--new")
    for bad in (("dkh=high",), ("dkh=8", "--at", "2999-01-01"), ("dkh=8", "--kit-expires", "x")):
        assert run(ward.parent / "nowhere", *new, *bad).exit_code == 2
    assert not (ward.parent / "nowhere").exists()


def test_the_un_ionised_part_of_ammonia_is_shown_where_it_can_be_known(ward: Path) -> None:
    """0.2 mg/L N at pH 8.1, 25 degC, 34 PSU: 5.32 % by Bower & Bidwell 1978, ours within 11 %."""
    told = ok(ward, "water", "log", "main", "tan=0.2", "ph=8.1", "temp=25", "psu=34")
    assert (
        "un-ionised ammonia (NH3): about 5 % of all, about 0.012 mg/L NH3 (pH 8.1, 25 degC, 34 PSU)"
        in told
    )
    assert "un-ionised ammonia (NH3): about 5 % of all" in ok(ward, "water")
    [system] = json.loads(ok(ward, "water", "--json"))["systems"]
    [nh3] = [state["nh3"] for state in system["states"] if "nh3" in state]
    assert nh3["share"] == pytest.approx(0.0532, rel=0.11)
    assert (nh3["mg_per_l"], nh3["why_not"]) == (pytest.approx(0.0121, abs=5e-4), "")
    later = ("--at", (datetime.now(UTC) - timedelta(days=3)).isoformat(timespec="minutes"))
    told = ok(ward, "water", "log", "other", "tan=0.2", "ph=8.1", "--new", *later)
    assert (
        "un-ionised ammonia (NH3): not available, because temperature and salinity were not tested"
        in told
    )


def test_an_expired_kit_is_told_once_and_before_a_dose(ward: Path) -> None:
    ready(ward)
    old = ("--kit", "drop kit", "--kit-expires", "2025-01-31")
    told = ok(ward, "water", "log", "main", "dkh=7.3", "ca=390", "mg=1300", *old)
    line = "the drop kit had expired on 2025-01-31: test alkalinity, calcium, magnesium again"
    assert told.count("had expired") == 1
    assert line in told
    told = ok(ward, "dose", "plan", "main", "alkalinity", "--compound", "NaHCO3")
    assert "Note: The kit of alkalinity had expired on 2025-01-31: test with a fresh one" in told


def refused_empty(path: Path) -> str:
    Ward.open(path, create=True).close()
    found = run(path, "water")
    assert found.exit_code == 2
    return found.stderr


def test_a_plan_needs_a_volume_a_compound_and_its_hydration(ward: Path) -> None:
    ok(ward, "water", "log", "main", "temp=25", "psu=35", "dkh=7.3", "ca=390")
    ok(ward, "water", "targets", "main", "--accept")
    plan = ("dose", "plan", "main", "alkalinity")
    assert "volume" in refused(ward, *plan, "--compound", "NaHCO3")
    assert "rock is not known" in refused(
        ward, "water", "volume", "main", "--inside", "100x50x50cm", "--rock", "?", "--sump", "none"
    )
    assert "together" in refused(ward, "water", "volume", "main", "--inside", "100x50x50cm")
    assert "not known" in ok(ward, "water", "volume", "main")
    ok(ward, "water", "volume", "main", "--measured", "400.9 L")
    assert "sodium bicarbonate (NaHCO3)" in refused(ward, *plan)
    told = refused(ward, "dose", "plan", "main", "calcium", "--compound", "calcium chloride")
    assert "with how much water" in told
    assert "purity" in refused(ward, *plan, "--compound", "NaHCO3", "--purity", "130")
    told = ok(ward, *plan, "--compound", "NaHCO3", "--purity", "99")
    # 0.4 dKH of 400 L, 29.961 g for 1 dKH of 1000 L, 99 % pure: 4.842 g.
    assert "part 1 of 3: 7.3 dKH to 7.7 dKH 4.84 g" in " ".join(told.split())
    assert told.count("only after a new test") == 2
    for word in ("Formula:", "Source: volume 400 L", "Caution: Never mix calcium"):
        assert word in told
    data = json.loads(ok(ward, *plan, "--compound", "NaHCO3", "--json"))
    assert [portion["retest_first"] for portion in data["portions"]] == [False, True, True]
    assert data["log_as"] == "sodium bicarbonate"


def test_two_helpers_one_dose(ward: Path) -> None:
    ready(ward)
    told = run(ward, "dose", "log", "main", "sodium bicarbonate", "4.8 g", "--by", "Kim")
    # 29.961 g for 1 dKH of 1000 L: 4.8 g in 400 L is 0.4 dKH.
    assert (
        "raise alkalinity by about 0.4 dKH (4.8 g in 400 L, 29.96 g a dKH in 1000 L by "
        "stoichiometry, taken as pure)."
    ) in told.stdout
    assert "over a day" not in told.stderr
    again = refused(ward, "dose", "log", "Main", "NaHCO3", "4.8 g", "--by", "Jo")
    assert "given already today: sodium bicarbonate, 4.8 g, by Kim at" in again
    # Planning it anew is stopped whatever is said; so is calcium beside alkalinity.
    planned = ("dose", "plan", "main", "alkalinity", "--compound", "NaHCO3", "--again")
    assert "by Kim at" in refused(ward, *planned)
    calcium = ("dose", "plan", "main", "calcium", "--compound", "CaCl2", "--again")
    assert "never dosed together" in refused(ward, *calcium)
    assert "never dosed together" in refused(
        ward, "dose", "log", "main", "calcium chloride", "5 g", "--by", "Jo"
    )
    assert "--again" in refused(ward, "dose", "plan", "main", "amino")
    told = ok(ward, "dose", "plan", "main", "amino", "--again", "--label", "2 mL per 100 L")
    assert "8 mL" in told
    assert "overrides the common practice of 5 mL per 100 US gal" in told
    done = run(ward, "dose", "log", "main", "amino", "8 mL", "--by", "Jo", "--again")
    assert "Noted all the same" in done.stderr
    listed = json.loads(ok(ward, "dose", "--json"))
    assert [(one["what"], one["by"], one["again"]) for one in listed] == [
        ("sodium bicarbonate", "Kim", False),
        ("amino acids", "Jo", True),
    ]


def test_doses_stand_in_the_history_of_those_who_were_in_the_water(tmp_path: Path) -> None:
    """Amber moves out of main at noon of day 3; its piece and blue carry what they stood in."""
    path = tmp_path / "w"
    table = tmp_path / "r.csv"
    table.write_text(
        "specimen,batch,place,water_system,arrived_on\n"
        "amber,B1,rack 1,main,2025-03-01\nblue,B2,rack 1,main,2025-03-03\n"
    )
    Ward.open(path, create=True, time_zone="Europe/Berlin").close()

    def go(*words: object) -> str:
        done = CliRunner().invoke(app, [*map(str, words), "--ward", str(path)])
        assert done.exit_code == 0, done.output
        return done.stdout

    def dosed(name: str) -> list[tuple[str, str]]:
        entries = json.loads(go("specimen", "show", name, "--json"))["entries"]
        doses = [entry for entry in entries if entry["what"] == "dose"]
        return [(one["at"][8:13], one["detail"]["amount"]) for one in doses]

    go("intake", table)
    for when, system, grams in (
        ("2025-03-02T10:00", "main", 1),
        ("2025-03-04T11:59", "main", 2),
        ("2025-03-04T12:30", "main", 3),
        ("2025-03-05T10:00", "tub", 4),
    ):
        if system == "tub":
            go("specimen", "move", "amber", "--to", "tub 1", "--water-system", "tub", "--at",
               "2025-03-04T12:00")  # fmt: skip
        again = ("--again",) if when == "2025-03-04T12:30" else ()
        go("care", "dose", "log", system, "NaHCO3", f"{grams} g", "--by", "Kim", "--at", when,
           *again)  # fmt: skip
    assert dosed("amber") == [("02T10", "1 g"), ("04T11", "2 g"), ("05T10", "4 g")]
    assert dosed("blue") == [("04T11", "2 g"), ("04T12", "3 g")]
    go(
        "specimen",
        "split",
        "amber",
        "--into",
        "amber-a",
        "--into",
        "amber-b",
        "--at",
        "2025-03-06T10:00",
    )
    go("care", "dose", "log", "tub", "NaHCO3", "5 g", "--by", "Kim", "--at", "2025-03-07T10:00")
    assert dosed("amber") == [("02T10", "1 g"), ("04T11", "2 g"), ("05T10", "4 g")]
    assert dosed("amber-a") == [*dosed("amber"), ("07T10", "5 g")]
    told = go("specimen", "show", "blue")
    assert (
        "2025-03-04 11:59  dose: sodium bicarbonate, 2 g, for alkalinity, into main (Kim)" in told
    )
    # Who has no day of arrival counts from the first entry.
    table.write_text("specimen,place,water_system\ncoral,rack 1,main\n")
    go("intake", table)
    assert dosed("coral") == []
    go("care", "log", "coral", "look", "--at", "2025-03-04T12:00")
    assert dosed("coral") == [("04T12", "3 g")]
    # A corrected dose corrects the history of everybody.
    go("care", "dose", "amend", 2, "2.5 g")
    go("care", "dose", "amend", 3, "--undo")
    assert dosed("blue") == [("04T11", "2.5 g")]
    # Both pieces had the 07th's together: once; 4 doses of B1, 1 of B2.
    groups = {one["name"]: one for one in json.loads(go("batch", "--json"))["groups"]}
    assert [groups[name]["care"]["doses"] for name in ("B1", "B2")] == [4, 1]
    assert "doses to their water" in go("batch")


def test_doses_and_ammonia_stand_in_the_report(ward: Path) -> None:
    noted = ("log", "amber", "look", "--at", "2025-03-04")
    ok(ward, *noted)
    ok(ward, "water", "log", "main", "tan=0.2", "ph=8.1", "temp=25", "psu=34")
    ok(ward, "dose", "log", "main", "NaHCO3", "4.8 g", "--by", "Kim")
    done = CliRunner().invoke(app, ["report", "--ward", str(ward)])
    assert done.exit_code == 0, done.output
    pages = [path.read_text() for path in (ward / "report").rglob("*.html")]
    told = "dose: sodium bicarbonate, 4.8 g, for alkalinity, into main (Kim)"
    assert any(told in page for page in pages)
    assert any("Un-ionised ammonia (NH3): about 5 % of all" in page for page in pages)


def test_a_dose_needs_somebody_who_gave_it_and_an_amount_that_can_be(ward: Path) -> None:
    ready(ward)
    assert "who gave it" in refused(ward, "dose", "log", "main", "NaHCO3", "4 g")
    told = refused(ward, "dose", "log", "main", "alkalinity", "4 g", "--by", "Kim")
    assert "what was poured" in told
    ok(ward, "dose", "log", "main", "alkalinity: blue bottle", "40 mL", "--by", "Kim")
    told = ok(ward, "dose", "log", "main", "kh buffer", "5 mL", "--by", "Kim", "--again")
    assert 'note "alkalinity: kh buffer"' in told
    ok(ward, "dose", "amend", "2", "--undo")
    done = run(ward, "dose", "log", "main", "NaHCO3", "48 g", "--by", "Kim", "--again")
    assert "about 4.01 dKH" in done.stdout
    assert "today's doses are over a day's change: is the amount right?" in done.stderr
    [one, _] = json.loads(ok(ward, "dose", "--json"))
    assert (one["what"], one["raises"]) == ("blue bottle", "alkalinity")


def test_the_order_and_a_fresh_test_come_before_any_amount(ward: Path) -> None:
    ready(ward)
    yesterday = (datetime.now(UTC) - timedelta(hours=30)).isoformat(timespec="minutes")
    ok(ward, "water", "log", "main", "mg=1200", "--at", yesterday)
    magnesium = ("dose", "plan", "main", "magnesium", "--compound", "MgCl2.6H2O")
    assert "no older than 24 h" in refused(ward, *magnesium)
    ok(ward, "water", "log", "main", "mg=1205", "temp=23.5")
    told = refused(ward, *magnesium)
    assert "temperature is 23.5 degC, under target (24 to 26 degC, aim 25 degC): correct it" in told
    told = " ".join(ok(ward, "dose", "plan", "main", "temperature").split())
    assert "part 1 of 2: 23.5 degC to 24.2 degC" in told
    assert "not corrected by a dose" in refused(ward, "dose", "plan", "main", "ph", "--to", "8.2")


def test_salinity_moves_once_a_day_by_changing_water(ward: Path) -> None:
    ready(ward)
    ok(ward, "water", "log", "main", "psu=33.2")
    told = " ".join(ok(ward, "dose", "plan", "main", "salinity", "--mixed", "38").split())
    # Two days of 0.9 PSU: 400 L x 0.9 / (38 - 33.2) = 75 L; the next portion goes into 34.1 PSU.
    assert "part 1 of 2: 33.2 PSU to 34.1 PSU 75 L" in told
    assert "part 2 of 2: 34.1 PSU to 35 PSU 92.3 L" in told
    assert 'polypward care change "main" --litres 75' in told
    ok(ward, "change", "main", "--litres", "75", "--by", "Kim")
    told = refused(ward, "dose", "plan", "main", "salinity", "--mixed", "38", "--again")
    assert "given already today: water change, 75 L, by Kim at" in told
    told = refused(ward, "dose", "plan", "main", "alkalinity", "--compound", "NaHCO3")
    assert "water was changed after the last test of alkalinity" in told


def test_own_targets_and_a_smaller_step(ward: Path) -> None:
    ready(ward)
    told = ok(
        ward, "water", "targets", "main", "--set", "dkh=8-9", "--a-day", "dkh=0.2", "--by", "Kim"
    )
    assert "8 to 9 dKH, aim 8.5 dKH; at most 0.2 dKH a day (set by Kim)" in told
    told = ok(ward, "dose", "plan", "main", "alkalinity", "--compound", "NaHCO3", "--to", "8")
    assert "part 1 of 4" in told
    assert "largest change 0.2 dKH a day: set by Kim" in told
    told = ok(ward, "water", "targets", "main", "--set", "nitrate=1-10 ppm N")
    assert "4.43 to 44.27 mg/L NO3" in told
    assert "up to 5 mg/L NO3" in ok(ward, "water", "targets", "main", "--set", "no3=-5")
    ok(ward, "water", "targets", "main", "--drop", "k", "--drop", "no2")
    assert "potassium" not in ok(ward, "water", "targets", "main")
    far = ("dose", "plan", "main", "alkalinity", "--compound", "NaHCO3", "--to", "12 dKH")
    assert "12 dKH is outside the target (8 to 9 dKH, aim 8.5 dKH)" in refused(ward, *far)
    for words in (
        ("--set", "dkh=9-8"),
        ("--set", "dkh=9"),
        ("--set", "no3"),
        ("--aim", "dkh=12"),
        ("--a-day", "dkh=0"),
        ("--set", "ca=1-9000"),
        ("--drop", "k"),
    ):
        refused(ward, "water", "targets", "main", *words)
    ok(ward, "water", "targets", "main", "--drop", "dkh", "--drop", "temp")
    told = ok(ward, *far)
    assert "outside what is usual (7.5 to 9.5 dKH" in told
    assert "No target of temperature is set: is 25 degC right?" in told


def test_what_was_wrong_is_corrected_and_the_old_value_kept(ward: Path) -> None:
    ready(ward)
    told = ok(ward, "water", "amend", "3", "dkh=8.3")
    assert "7.3 dKH" in told
    assert "is now 8.3 dKH" in told
    assert "is of alkalinity, not of calcium" in refused(ward, "water", "amend", "3", "ca=400")
    assert "no test 99" in refused(ward, "water", "amend", "99", "ca=400")
    ok(ward, "water", "amend", "4", "--undo", "--by", "Kim")
    assert "calcium      not tested" in ok(ward, "water")
    assert "taken back already" in refused(ward, "water", "amend", "4", "ca=400")
    ok(ward, "dose", "log", "main", "MgCl2.6H2O", "5 g", "--by", "Kim")
    assert "5 g" in ok(ward, "dose", "amend", "1", "6 g")
    ok(ward, "dose", "amend", "1", "--undo")
    assert "No dose" in ok(ward, "dose")
    ok(ward, "dose", "log", "main", "MgCl2.6H2O", "5 g", "--by", "Jo")  # nothing stands against it
    with closing(sqlite3.connect(ward / "ward.db")) as db:
        kept = db.execute("select what, old from audit where what like 'water%' order by id")
        told = [what for what, _ in kept]
        [old] = db.execute("select old from audit where what = 'water test changed'").fetchone()
    assert told.count("water test changed") == told.count("water test undone") == 1
    assert json.loads(old)["value"] == 7.3


def test_the_table_of_units_names_factor_and_source() -> None:
    done = CliRunner().invoke(app, ["care", "water", "units", "no3"])
    assert done.exit_code == 0
    assert "nitrate, kept in mg/L NO3" in done.stdout
    [line] = [line for line in done.stdout.splitlines() if "mg/L NO3-N" in line]
    assert line.split()[:4] == ["mg/L", "NO3-N", "x", "4.42664"]
    assert "CIAAW" in line
    rows = json.loads(CliRunner().invoke(app, ["care", "water", "units", "--json"]).stdout)
    assert all(row["source"] for row in rows)
    by_name = {(row["parameter"], row["unit"]): row for row in rows}
    assert by_name["temperature", "degF"]["offset"] == pytest.approx(-32 / 1.8)
    assert "not tested here" in CliRunner().invoke(app, ["care", "water", "units", "x"]).stderr


def test_tables_go_out_and_come_in_again(ward: Path, tmp_path: Path) -> None:
    ok(ward, "water", "log", "main", "dkh=8.4", "no3-n=1.1", "po4=<0.02", "no2=nd", "--by", "=Kim")
    out = tmp_path / "tests.csv"
    ok(ward, "water", "export", out)
    with out.open(encoding="utf-8", newline="") as stream:
        table = list(csv.DictReader(stream))
    assert [row["value"] for row in table] == ["8.4", "4.869308203", "<0.02", "nd"]
    assert {row["by"] for row in table} == {"'=Kim"}  # no formula for a spreadsheet
    other = tmp_path / "other"
    assert "4 new, 0 known" in ok(other, "water", "import", out, "--new")
    assert "0 new, 4 known" in ok(other, "water", "import", out)
    assert "under 0.02 mg/L PO4" in ok(other, "water")


def test_a_faulty_table_is_told_by_line_and_taken_in_not_at_all(ward: Path, tmp_path: Path) -> None:
    table = tmp_path / "tests.csv"
    text = (
        "system;at;what;value;unit\nmain;2026-01-02;dkh;8,4;\nmain;2026-01-02;nitrate;5;mg/L\n"
        "mian;2026-01-02;ca;430;\nmain;2099-01-01;ca;430;\nmain;;ca;430;\n"
    )
    table.write_bytes(b"\xef\xbb\xbf" + text.encode())
    told = refused(ward, "water", "import", table)
    for line, fault in ((3, "as NO3 or as NO3-N"), (4, "Is it"), (5, "future"), (6, "at is empty")):
        assert f"line {line}: " in told
        assert fault in told


def test_the_round_asks_for_what_is_due_where_the_water_is(ward: Path) -> None:
    at = datetime(2026, 6, 1, 8, tzinfo=UTC)
    with Ward.open(ward, today=date(2026, 6, 2)) as opened:
        [stop] = [
            one for one in plan_round(opened, on=date(2026, 6, 2)).stops if one.kind == "water"
        ]
        assert (stop.place, stop.specimen) == ("rack 1", "")
        assert stop.why == "main: this water was never tested"
    ok(ward, "water", "log", "main", "no3=5", "dkh=8", "--at", at.isoformat())
    later = (at + timedelta(hours=1)).isoformat()
    ok(ward, "dose", "log", "main", "NaHCO3", "5 g", "--by", "Kim", "--at", later)
    with Ward.open(ward) as opened:
        detail = {"amount": "heavy"}
        fed = CareEvent(specimen="amber", at=at, what="feeding", detail=detail)
        opened.add_care(fed)
        assert ward_water_due(opened, on=date(2026, 6, 1)) == ()
        opened.save_specimen(Specimen(specimen="amber", water_system="main", state="sold"))
        assert len(ward_water_due(opened, on=date(2026, 6, 20))) == 1  # water that still stands
        assert ward_water_due(opened, on=date(2026, 7, 20)) == ()  # an empty system
        opened.save_specimen(Specimen(specimen="amber", water_system="main"))
        due = [one.why for one in ward_water_due(opened, on=date(2026, 6, 2))]
    assert due == [
        "test alkalinity after sodium bicarbonate",
        "test nitrate after heavy feeding",
        "test phosphate after heavy feeding",
    ]


def test_cautions_are_shown_once_to_each(ward: Path) -> None:
    first = run(ward, "water", "log", "main", "ca=430", "--by", "Kim").stderr
    assert "Residual-current protection" in first
    assert run(ward, "water", "log", "main", "dkh=8", "--by", "Kim").stderr == ""
    assert run(ward, "water", "log", "main", "mg=1300", "--by", "Jo").stderr == first
