"""Bad input of every command of care: a sentence with value and range, and nothing written."""

import sqlite3
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from typer.main import get_command
from typer.testing import CliRunner, Result

from polypward_cli.main import app
from polypward_cli.ward import Ward

ZONE = ZoneInfo("Europe/Berlin")
TESTED = (datetime.now(ZONE) - timedelta(minutes=5)).isoformat(timespec="minutes")


def run(path: Path, *words: object) -> Result:
    return tell(*words, "--ward", path)


def tell(*words: object) -> Result:
    return CliRunner().invoke(app, ["care", *map(str, words)])


@pytest.fixture(scope="module")
def ward(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """400 L of main with amber in it, tested; krill, a mix, a feeding, a treatment, a dose."""
    folder = tmp_path_factory.mktemp("bad")
    path = folder / "ward"
    table = folder / "r.csv"
    table.write_text("specimen,place,water_system,arrived_on\namber,rack 1,main,2025-01-01\n")
    Ward.open(path, create=True, time_zone="Europe/Berlin").close()
    CliRunner().invoke(app, ["intake", str(table), "--ward", str(path)])
    for words in (
        ("water", "log", "main", "temp=25", "psu=35", "dkh=7.3", "ca=390", "--at", TESTED),
        ("water", "targets", "main", "--accept"),
        ("water", "volume", "main", "--measured", "400 L"),
        ("food", "krill", "--unit", "g", "--price", "0.04"),
        ("mix", "mash", "--part", "krill=30", "--portions", "9", "--made-at", "2025-01-02",
         "--use-by", "2025-01-09"),
        ("feed", "amber", "--mix", "mash", "--at", "2025-01-03"),
        ("treat", "amber", "--agent", "A", "--at", "2025-01-04"),
        ("change", "main", "--percent", "5", "--at", "2025-01-05"),
        ("inspect", "amber", "--clean", "--at", "2025-01-06"),
        ("dose", "log", "main", "NaHCO3", "1 g", "--by", "Kim", "--at", "2025-01-07"),
    ):  # fmt: skip
        done = run(path, *words)
        assert done.exit_code == 0, (words, done.output)
    return path


def dump(path: Path) -> list[str]:
    """All that the ledger holds, and the files beside it."""
    with closing(sqlite3.connect(path / "ward.db")) as db:
        rows = list(db.iterdump())
    return rows + sorted(str(file) for file in path.parent.rglob("*") if file.is_file())


@pytest.fixture(scope="module")
def before(ward: Path) -> list[str]:
    """What it held before anything bad was typed."""
    return dump(ward)


FUTURE = ("--at", "2999-01-01")
PAST = ("--at", "1026-01-01")
LOG = ("dose", "log", "main", "NaHCO3")
PLAN = ("dose", "plan", "main", "alkalinity", "--compound", "NaHCO3")
SIZES = ("--rock", "none", "--sump", "none")
FEED = ("feed", "amber", "--mix", "mash", "--at", "2025-01-08T10:00")
TREAT = ("treat", "amber", "--agent", "B", "--at", "2025-01-08")
MIX = ("mix", "mash", "--made-at", "2025-01-03")
LOOK = ("inspect", "amber", "--at", "2025-01-08")
# What is typed, and what the sentence holds: value and range, or what to do.
BAD: tuple[tuple[tuple[object, ...], tuple[str, ...]], ...] = (
    # Tests of water.
    (("water", "log", "main", "ca=-3"), ("ca=-3", "from 0 to 1000 mg/L, not -3")),
    (("water", "log", "main", "ca=9000"), ("from 0 to 1000 mg/L, not 9000", "unit right")),
    (("water", "log", "main", "temp=77"), ("temp=77", "from 0 to 40 degC")),
    (("water", "log", "main", "temp=500K"), ("from 0 to 40 degC, not 226.9",)),
    (("water", "log", "main", "psu=1.025"), ("psu=1.025", "specific gravity", "sg25/25")),
    (("water", "log", "main", "sg=1.025"), ("at which temperatures", "sg25/25=1.0264")),
    (("water", "log", "main", "sg25/25=1.25"), ("1.25", "from 1.0000")),
    (("water", "log", "main", "sg99/99=1.02"), ("99/99", "up to 40, or write F")),
    (("water", "log", "main", "ph=81"), ("ph=81", "from 5 to 10")),
    (("water", "log", "main", "dkh=nan"), ("dkh=nan", "write a number")),
    (("water", "log", "main", "dkh=inf"), ("dkh=inf", "write a number")),
    (("water", "log", "main", "dkh=1e1"), ("dkh=1e1", "unit of alkalinity")),
    (("water", "log", "main", "dkh=high"), ("dkh=high", "write a number")),
    (("water", "log", "main", "dkh="), ("NAME=VALUE",)),
    (("water", "log", "main", "dkh"), ("NAME=VALUE",)),
    (("water", "log", "main", "dkh=3 meq/L"), ("dKH or meq/L",)),
    (("water", "log", "main", "no3=5 NO3-N"), ("NO3 or NO3-N",)),
    (("water", "log", "main", "no3=5 mg/L dKH"), ("no unit of nitrate",)),
    (("water", "log", "main", "nitrate=5"), ("as NO3 or as NO3-N? Say which. Nothing",)),
    (("water", "log", "main", "phosphate=0.03 ppm"), ("as PO4 or as PO4-P",)),
    (("water", "log", "main", "nh3=0.2"), ("all of the ammonia, or the un-ionised part",)),
    (("water", "log", "main", "ca=1,250"), ("reads two ways", "1250")),
    (("water", "log", "main", "iodine=0.06"), ("iodine", "Known: temperature, salinity")),
    (("water", "log", "main", "dkh=8", "alk=3 meq/L"), ("alkalinity is given twice",)),
    (("water", "log", "mian", "dkh=8"), ("mian", 'Is it "main"')),
    (("water", "log", "", "dkh=8", "--new"), ("needs a name",)),
    (("water", "log", "main", "dkh=8", *FUTURE), ("2999-01-01", "future")),
    (("water", "log", "main", "dkh=8", *PAST), ("1026-01-01", "before 2000")),
    (("water", "log", "main", "dkh=8", "--at", "noon"), ('"noon" is no time',)),
    (("water", "log", "main", "dkh=8", "--kit-expires", "2026-13-01"), ("2026-13-01",)),
    (("water", "amend", 1, "temp=99"), ("temp=99", "from 0 to 40 degC")),
    (("water", "amend", 1, "ca=400"), ("is of temperature, not of calcium",)),
    (("water", "amend", 999, "ca=400"), ("no test 999",)),
    (("water", "amend", 1), ("say what to correct",)),
    (("water", "amend", 1, "--undo", "temp=25"), ("--undo goes alone",)),
    (("water", "amend", 1, *FUTURE), ("2999-01-01", "future")),
    (("water", "--system", "mian"), ('Is it "main"',)),
    (("water", "--on", "someday"), ("someday",)),
    (("water", "export", "tests.csv", "--system", "mian"), ('Is it "main"',)),
    (("water", "import", "nowhere.csv"), ("nowhere.csv",)),
    (("water", "units", "iodine"), ("iodine", "Known: temperature")),
    # Targets.
    (("water", "targets", "main", "--set", "dkh=9-8"), ("the first is the lower",)),
    (("water", "targets", "main", "--set", "dkh=-1-9"), ("dkh",)),
    (("water", "targets", "main", "--set", "ca=400-9000"), ("from 0 to 1000 mg/L",)),
    (("water", "targets", "main", "--set", "ca=nan-450"), ("nan",)),
    (("water", "targets", "main", "--set", "no3=1 NO3-10 NO3-N"), ("NO3",)),
    (("water", "targets", "main", "--aim", "dkh=12"), ("aim 12", "7.5 to 9.5")),
    (("water", "targets", "main", "--aim", "dkh=high"), ("high",)),
    (("water", "targets", "main", "--a-day", "dkh=0"), ("over 0",)),
    (("water", "targets", "main", "--a-day", "dkh=-1"), ("-1",)),
    (("water", "targets", "main", "--a-day", "dkh=25"), ("25",)),
    (("water", "targets", "main", "--drop", "ph", "--drop", "iodine"), ("iodine",)),
    (("water", "targets", "mian", "--accept"), ('Is it "main"',)),
    # Volumes.
    (("water", "volume", "main", "--measured", "-40 L"), ("-40 L", "from 1 to")),
    (("water", "volume", "main", "--measured", "0 L"), ("0 L", "from 1 to")),
    (("water", "volume", "main", "--measured", "9e9 L"), ("9e9 L",)),
    (("water", "volume", "main", "--measured", "2000000 L"), ("from 1 to 1e+06 L",)),
    (("water", "volume", "main", "--measured", "nan L"), ("nan",)),
    (("water", "volume", "main", "--measured", "110 gal"), ("US gal or imp gal",)),
    (("water", "volume", "main", "--measured", "400"), ("units: mL, L",)),
    (("water", "volume", "main", "--inside", "-120x60x45cm", *SIZES), ("length x width",)),
    (("water", "volume", "main", "--inside", "120x60x0cm", *SIZES), ("over 0 and at most 100 m",)),
    (("water", "volume", "main", "--inside", "120x60x45", *SIZES), ("mm, cm, m, in, ft",)),
    (("water", "volume", "main", "--inside", "120cmx60inx45cm", *SIZES), ("length x width",)),
    (("water", "volume", "main", "--inside", "120x60cm", *SIZES), ("length x width",)),
    (("water", "volume", "main", "--inside", "120x60x45cm"), ("together",)),
    (("water", "volume", "main", "--inside", "50x50x50cm", "--rock", "130 L", "--sump", "none"),
     ("rock of 130 L leaves no water in 125 L",)),
    (("water", "volume", "main", "--inside", "50x50x50cm", "--rock", "-5 L", "--sump", "none"),
     ("not under 0",)),
    (("water", "volume", "main", "--inside", "50x50x50cm", "--rock", "?", "--sump", "none"),
     ("rock is not known",)),
    (("water", "volume", "main", "--measured", "400 L", "--sump", "none"), ("alone",)),
    # Doses.
    ((*LOG, "-4 g", "--by", "Kim"), ("-4 g", "over 0 and at most 100 kg")),
    ((*LOG, "0 g", "--by", "Kim"), ("0 g", "over 0")),
    ((*LOG, "nan g", "--by", "Kim"), ("nan g",)),
    ((*LOG, "4", "--by", "Kim"), ("of what unit",)),
    ((*LOG, "4 g 5 mL", "--by", "Kim"), ("4 g 5 mL",)),
    ((*LOG, "4 mg/L", "--by", "Kim"), ("4 mg/L", "no volume")),
    ((*LOG, "500 kg", "--by", "Kim"), ("500 kg", "at most 100 kg")),
    ((*LOG, "5 kg", "--by", "Kim"), ("5 kg", "400 L of main", "at most 4000 g")),
    (("dose", "log", "main", "amino", "50 L", "--by", "Kim"), ("50 L", "at most 40 L")),
    (("dose", "log", "main", "amino", "5 gal", "--by", "Kim"), ("US gal or imp gal",)),
    (("dose", "log", "main", "", "5 mL", "--by", "Kim"), ("what was given",)),
    (("dose", "log", "main", "calcium", "5 g", "--by", "Kim"), ("what was poured",)),
    ((*LOG, "4 g"), ("who gave it",)),
    ((*LOG, "4 g", "--by", "Kim", *FUTURE), ("2999-01-01", "future")),
    ((*LOG, "4 g", "--by", "Kim", *PAST), ("before 2000",)),
    (("dose", "log", "mian", "amino", "5 mL", "--by", "Kim"), ('Is it "main"',)),
    (("dose", "log", "pond", "amino", "5 mL", "--by", "Kim"), ("There are: main",)),
    (("dose", "amend", 1, "-4 g"), ("-4 g", "over 0")),
    (("dose", "amend", 1, "5 kg"), ("at most 4000 g",)),
    (("dose", "amend", 1), ("say what to correct",)),
    (("dose", "amend", 99, "4 g"), ("no dose 99",)),
    (("dose", "amend", 1, "4 g", "--undo"), ("--undo goes alone",)),
    (("dose", "amend", 1, *FUTURE), ("future",)),
    (("dose", "--days", "0"), ("--days", "greater than or equal to 1")),
    (("dose", "--system", "mian"), ('Is it "main"',)),
    # Plans.
    ((*PLAN, "--to", "900"), ("900", "from 0 to 30 dKH")),
    ((*PLAN, "--to", "-8"), ("-8", "from 0 to 30 dKH")),
    ((*PLAN, "--to", "nan"), ("nan",)),
    ((*PLAN, "--to", "425 mg/L"), ("mg/L",)),
    ((*PLAN, "--to", "ca=425"), ("not of alkalinity",)),
    ((*PLAN, "--to", "7"), ("aim 7 dKH", "outside the target (7.5 to 9.5 dKH")),
    ((*PLAN, "--to", "12"), ("outside the target (7.5 to 9.5 dKH",)),
    ((*PLAN, "--purity", "0"), ('"0"', "over 1 and at most 100")),
    ((*PLAN, "--purity", "nan"), ("nan",)),
    ((*PLAN, "--purity", "130"), ("130", "at most 100")),
    ((*PLAN, "--mixed", "38"), ("--mixed", "leave it out")),
    ((*PLAN, "--label", "5 mL per 100 L"), ("one of them",)),
    (("dose", "plan", "main", "alkalinity", "--purity", "99"), ("of which --compound",)),
    (("dose", "plan", "main", "alkalinity", "--compound", "CaCl2"), ("raises calcium",)),
    (("dose", "plan", "main", "alkalinity", "--compound", "soda"), ("sodium bicarbonate",)),
    (("dose", "plan", "main", "calcium", "--compound", "calcium chloride"), ("how much water",)),
    (("dose", "plan", "main", "amino", "--label", "-2 mL per 100 L"), ("over 0",)),
    (("dose", "plan", "main", "amino", "--label", "2 mL"), ("write like",)),
    (("dose", "plan", "main", "amino", "--label", "2 mL per 100 gal"), ("US gal or imp gal",)),
    (("dose", "plan", "main", "amino", "--to", "5"), ("--to", "leave it out")),
    (("dose", "plan", "main", "iodine"), ("no common practice is known", "--label")),
    (("dose", "plan", "main", "ph"), ("not corrected by a dose",)),
    (("dose", "plan", "main", "nitrate"), ("water changes and less food",)),
    (("dose", "plan", "main", "salinity", "--to", "34.5", "--mixed", "99"), ("psu=99", "0 to 42")),
    (("dose", "plan", "mian", "amino"), ('Is it "main"',)),
    # Water changes.
    (("change", "main"), ("--litres or --percent",)),
    (("change", "main", "--litres", -5), ("litres", "from 0.1", "got -5")),
    (("change", "main", "--litres", "nan"), ("litres", "from 0.1", "got nan")),
    (("change", "main", "--litres", "60000"), ("60000 L", "holds 400 L", "at most 3 times")),
    (("change", "main", "--percent", 110), ("percent", "from 0.1 to 100 %, got 110")),
    (("change", "main", "--litres", 60, "--percent", 90), ("15 % of the 400 L", "not 90 %")),
    (("change", "main", "--percent", 5, "--cost", -1), ("cost", "from 0", "got -1")),
    (("change", "main", "--percent", 5, *FUTURE), ("future",)),
    (("change", "mian", "--percent", 5), ('Is it "main"',)),
    # Food.
    (("food", "krill", "--price", -1), ("price", "from 0", "got -1")),
    (("food", "krill", "--price", "nan"), ("price", "got nan")),
    (("food", "plankton"), ("counted in",)),
    (("food", "", "--unit", "g"), ("name",)),
    ((*MIX, "--portions", -2, "--use-by", "2025-01-09"), ("from 0.01 to 10000, got -2",)),
    ((*MIX, "--portions", "nan", "--use-by", "2025-01-09"), ("got nan",)),
    ((*MIX, "--portions", 2, "--use-by", "2025-01-01"), ("2025-01-01",)),
    ((*MIX, "--portions", 2, "--use-by", "2999-01-01"), ("at most 400 days",)),
    ((*MIX, "--part", "krill=-3", "--portions", 2, "--use-by", "2025-01-09"), ("-3",)),
    ((*MIX, "--part", "krill=3 mL", "--portions", 2, "--use-by", "2025-01-09"), ("3 mL",)),
    ((*MIX, "--part", "rock=3", "--portions", 2, "--use-by", "2025-01-09"), ("rock",)),
    (("mix", "mash", "--portions", 2, "--use-by", "2999-01-01", "--made-at", "2998-01-01"),
     ("future",)),
    ((*FEED, "--portions", -1), ("portions", "from 0.01 to 10000, got -1")),
    ((*FEED, "--portions", "nan"), ("portions", "got nan")),
    ((*FEED, "--quantity", 3), ("counted in portions",)),
    ((*FEED, "--cover-minutes", 6000), ("from 1 to 600 minutes, got 6000",)),
    ((*FEED, "--cost", "inf"), ("cost", "got inf")),
    ((*FEED, "--work-minutes", -3), ("work_minutes", "got -3")),
    ((*FEED, "--amount", "huge"), ("huge", "light, usual or heavy")),
    ((*FEED, "--response", "yum"), ("yum", "took, part, refused, spat")),
    ((*FEED, "--not", "blue"), ("blue",)),
    (("feed", "rack 9", "--mix", "mash"), ("rack 9", 'Is it "rack 1"')),
    (("feed", "amber", "--mix", "mash"), ("to be used by 2025-01-09", "throw it away")),
    (("feed", "amber", "--food", "krill", "--quantity", 0), ("quantity", "from 0.001")),
    (("feed", "amber", "--food", "krill", *FUTURE), ("future",)),
    (("feed", "amber", "--food", "krill", "--at", "2024-01-01"), ("not yet here on 2024-01-01",)),
    (("ate", "amber", "loved"), ("loved", "took, part, refused, spat")),
    (("ate", "amber", "took", "--entry", 99), ("no feeding:99",)),
    (("ate", "amber", "took", "--entry", "dip"), ("dip",)),
    (("ate", "took"), ("name the specimens",)),
    (("ate", "amber", "took", *FUTURE), ("future",)),
    # Treatments and inspections.
    ((*TREAT, "--bath-l", -4), ("bath volume", "from 0.05 to 5000 L, got -4")),
    ((*TREAT, "--bath-l", "nan"), ("bath volume", "got nan")),
    ((*TREAT, "--bath-minutes", 9999), ("from 0.1 to 1440 minutes, got 9999",)),
    ((*TREAT, "--temperature-c", 78), ("from 4 to 40 degC, got 78",)),
    ((*TREAT, "--concentration", "2 mL"), ("2 mL", "--source label")),
    ((*TREAT, "--concentration", "2 mL", "--source", "forum"), ("forum", "label or veterinarian")),
    ((*TREAT, "--source", "veterinarian"), ("--prescriber",)),
    ((*TREAT, "--course", "--bath-minutes", 5), ("--course",)),
    (("treat", "amber", "--at", "2025-01-20"), ("--agent",)),
    (("treat", "amber", "--done", "--at", "2025-01-20"), ("no treatment goes on",)),
    (("treat", "amber", "--agent", "B", *FUTURE), ("future",)),
    (("treat", "amber", "--agent", "B", "--at", "2025-01-05"), ("dipped 24 h ago", "--again")),
    (LOOK, ("--clean",)),
    ((*LOOK, "--clean", "--found", "snail"), ("--clean",)),
    ((*LOOK, "--found", "flatwurm"), ('Is it "flatworm"',)),
    ((*LOOK, "--clean", "--again-on", "2025-01-01"), ("must be after",)),
    ((*LOOK, "--clean", "--again-on", "soon"), ("soon",)),
    (("inspect", "amber", "--clean", *FUTURE), ("future",)),
    (("place", "rack 9", "--state", "clean"), ("rack 9",)),
    (("place", "rack 1", "--state", "green"), ("green", "clean, watch or quarantine")),
    (("place", "rack 1", "--state", "quarantine", "--days", -3), ("days", "-3")),
    (("place", "rack 1", "--state", "quarantine", *FUTURE), ("future",)),
    (("place", "--sign", ""), ("1 to 40 letters",)),
    # Keeping.
    (("list", "medicines"), ("medicines", "feedings, treatments")),
    (("list", "doses"), ("polypward care dose",)),
    (("list", "feedings", "--since", "soon"), ("soon",)),
    (("tick", 99), ("nothing to tick",)),
    (("tick", "feeding:99"), ("nothing to tick",)),
    (("tick", "all", *FUTURE), ("future",)),
    (("amend", "feeding:1", "--set", "portions=-3"), ("from 0.01 to 10000, got -3",)),
    (("amend", "feeding:1", "--set", "portions=nan"), ("got nan",)),
    (("amend", "feeding:1", "--set", "at=2999-01-01"), ("future",)),
    (("amend", "feeding:1", "--set", "colour=red"), ("can be set",)),
    (("amend", "treatment:1", "--set", "bath_l=x"), ("bath_l", "from 0.05 to 5000 L")),
    (("amend", "treatment:1", "--set", "temperature_c=78"), ("from 4 to 40 degC",)),
    (("amend", "change:1", "--set", "share=5"), ("share", "from 0.001 to 1")),
    (("amend", "dose:1", "--set", "amount=3"), ("names no entry",)),
    (("amend", "feeding:99", "--undo"), ("no feeding:99",)),
    (("amend", "feeding:1"), ("say what to correct",)),
    (("cautions", "swimming"), ("swimming", "feed")),
    (("log", "amber", "feeding", *FUTURE), ("future",)),
    (("log", "amber", "feeding", "--at", "then"), ('"then" is no time',)),
    (("log", "amber", "feeding", "--detail", "cost"), ("name=value",)),
    (("log", "amber", "feeding", "--detail", "cost=-4"), ("cost", '"-4"')),
    (("log", "ambre", "feeding"), ('Is it "amber"',)),
    (("log", "amber", "!"), ("one or a few words",)),
    (("import", "nowhere.csv"), ("nowhere.csv",)),
)  # fmt: skip


@pytest.mark.parametrize(("words", "told"), BAD, ids=lambda words: " ".join(map(str, words))[:60])
def test_it_is_told_in_a_sentence_and_nothing_is_written(
    ward: Path, before: list[str], words: tuple[object, ...], told: tuple[str, ...]
) -> None:
    done = run(ward, *words) if words[1:2] != ("units",) else tell(*words)
    said = " ".join(done.stderr.replace("│", " ").split())
    assert done.exit_code == 2, done.output
    assert "Traceback" not in done.output
    assert done.stdout == ""
    for part in told:
        assert part in said
    assert dump(ward) == before


def test_every_command_of_care_is_here() -> None:
    care = get_command(app).commands["care"]  # type: ignore[attr-defined]
    named = set()
    for name, command in care.commands.items():
        subs = getattr(command, "commands", {})
        named |= {(name, sub) for sub in subs} | {(name,)}
    tried = {words[:1] for words, _ in BAD} | {words[:2] for words, _ in BAD}
    assert {one for one in named if one not in tried} == set()
