import json
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path

import pytest
from tests.cli.conftest import Desk
from tests.cli.fakes import FakeEyes, photo
from typer.main import get_command
from typer.testing import CliRunner, Result

from polypward import __version__
from polypward_cli import scoring
from polypward_cli.eyes import Opened
from polypward_cli.main import app

HEAVY = ("cv2", "skimage", "sklearn", "scipy", "numpy", "PIL", "fpdf", "sqlite_utils", "vl_convert")


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture
def faked(monkeypatch: pytest.MonkeyPatch) -> FakeEyes:
    eyes = FakeEyes()
    monkeypatch.setattr(scoring, "RealEyes", lambda: eyes)
    return eyes


def commands() -> list[tuple[str, ...]]:
    found: list[tuple[str, ...]] = []

    def walk(command: object, words: tuple[str, ...]) -> None:
        found.append(words)
        for name, inner in getattr(command, "commands", {}).items():
            walk(inner, (*words, name))

    walk(get_command(app), ())
    return found


def test_alone_it_prints_five_lines_each_with_its_command() -> None:
    done = run()
    lines = done.stdout.splitlines()
    assert (done.exit_code, done.stderr) == (0, "")
    assert len(lines) == 5
    for line, what in zip(
        lines,
        ("print a card", "unpack a box", "take in photos", "today", "open the report"),
        strict=True,
    ):
        told, command = line.split("  polypward ")
        assert told.strip() == what
        assert (command.split()[0],) in commands()


def test_every_command_has_help_with_an_example() -> None:
    names = commands()
    assert {("score",), ("assign",), ("intake",), ("rounds",), ("report",), ("demo",)} <= set(names)
    for words in names:
        done = run(*words, "--help")
        assert done.exit_code == 0
        assert "Example:" in done.stdout, words
        assert "polypward " + " ".join(words[:1]) in done.stdout


@pytest.mark.parametrize("columns", [60, 100])
def test_a_paragraph_of_help_breaks_at_the_terminals_edge(
    columns: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A line ends only where the next word would not have fitted; the terminal keeps 2 columns."""
    monkeypatch.setattr("typer.rich_utils.MAX_WIDTH", columns)
    lines = run("labels", "--help").stdout.splitlines()
    first = next(i for i, line in enumerate(lines) if "A tag goes" in line)
    paragraph = [line.strip() for line in lines[first : lines.index(" " * columns, first)]]
    assert len(paragraph) > 2
    for line, after in pairwise(paragraph):
        assert len(line) + 1 + len(after.split()[0]) > columns - 2


def test_version() -> None:
    assert run("--version").stdout == f"polypward {__version__}\n"


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys; sys.argv = ['polypward', '--help']\n"
        "from polypward_cli.main import app\n"
        "try:\n    app()\nexcept SystemExit: pass\n"
        f"print([name for name in {HEAVY} if name in sys.modules], file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr == "[]\n"
    assert "score" in done.stdout


def test_rounds_imports_no_vision(desk: Desk) -> None:
    photo(desk.photos / "amber" / "a.jpg")
    desk.score()
    code = (
        f"import sys; sys.argv = ['polypward', 'rounds', '--ward', {str(desk.path)!r}]\n"
        "from polypward_cli.main import app\n"
        "try:\n    app()\nexcept SystemExit: pass\n"
        "heavy = ('cv2', 'skimage', 'sklearn', 'scipy', 'PIL')\n"
        "print([name for name in heavy if name in sys.modules], file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr == "[]\n"


@pytest.mark.parametrize(
    "words",
    [
        ("score",),
        ("score", "nowhere"),
        ("assign", "a.jpg", "--to", "amber"),
        ("assign", "a.jpg"),
        ("assign", "a.jpg", "--to", "amber", "--drop"),
        ("rounds", "--on", "tomorrow"),
        ("intake", "nowhere.csv"),
        ("report",),
        ("care", "log", "amber", "dip"),
        ("demo", "--photos", "nowhere"),
        ("nonsense",),
    ],
)
def test_wrong_usage_exits_with_2_and_no_traceback(
    words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = run(*words)
    assert done.exit_code == 2
    assert done.stderr.strip()
    assert "Traceback" not in done.output


def test_a_failed_score_makes_no_ward(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "photos").mkdir()
    done = run("score", "photos")
    assert (done.exit_code, done.stderr.count("\n")) == (2, 1)
    assert not (tmp_path / "ward").exists()
    assert run("score", "photos", "--ward", "photos").exit_code == 2


def test_score_lists_what_was_rejected_and_what_to_do(desk: Desk, faked: FakeEyes) -> None:
    photo(desk.photos / "amber" / "a.jpg")
    photo(desk.photos / "amber" / "b.jpg", rejected="no-card")
    (desk.photos / "manifest.csv").write_text("photo\n")
    words = ("score", desk.photos, "--ward", desk.path, "--workers", 1)
    done = run(*words)
    assert done.exit_code == 0
    assert "2 photos: 1 accepted, 1 rejected (2 measured now)." in done.stdout
    assert "  no-card, 1 photo: " in done.stdout
    assert "      amber/b.jpg (as the fake was told)\n" in done.stdout
    assert "Lay the whole card beside the specimen" in done.stdout
    assert "manifest.csv was not used" in done.stderr
    assert run(*words, "--strict").exit_code == 3
    data = json.loads(run(*words, "--json", "--strict").stdout)
    assert (data["photos"], data["accepted"], data["measured"]) == (2, 1, 0)
    assert data["rejected"][0]["reasons"] == ["no-card"]
    run("assign", "b.jpg", "--drop", "--ward", desk.path)
    assert run(*words, "--strict").exit_code == 0


def test_score_reads_manifest_and_outline(desk: Desk, faked: FakeEyes, tmp_path: Path) -> None:
    photo(desk.photos / "IMG_1.jpg")
    manifest = tmp_path / "m.csv"
    manifest.write_text("photo;specimen;remark\nIMG_1.jpg;amber;x\nIMG_2.jpg;blue;\n")
    outline = tmp_path / "o.json"
    outline.write_text('{"amber": [[0, 0], [9, 0], [0, 9]]}')
    done = run(
        *("score", desk.photos, "--ward", desk.path, "--manifest", manifest),
        *("--outline", outline, "--height-mm", 0, "--lamp", "white"),
    )
    assert done.exit_code == 0
    assert "In the manifest, but not in the folder: img_2.jpg" in done.stdout
    assert 'the column "remark" was not used' in done.stderr
    with desk.ward() as ward:
        [one] = ward.readings("amber")
        assert (one.height_mm, one.lamp) == (0.0, "white")
        assert "outline" in ward.db.execute("select flags from photos").fetchone()[0]


def test_assign_mends_and_scoring_again_keeps_it(desk: Desk, faked: FakeEyes) -> None:
    photo(desk.photos / "IMG_1.jpg")
    photo(desk.photos / "blue" / "IMG_2.jpg")
    score = ("score", desk.photos, "--ward", desk.path, "--workers", 1)
    desk.ward().close()  # made here, in Berlin
    run(*score)
    done = run("assign", "IMG_1.jpg", desk.photos / "blue" / "IMG_2.jpg", "--to", "amber",
               "--ward", desk.path)  # fmt: skip
    assert done.exit_code == 0
    assert "IMG_1.jpg: amber, 2026-01-05T10:00" in done.stdout
    assert "amber is a new specimen" in done.stdout
    faked.opened.clear()
    run(*score)
    assert faked.opened == []
    with desk.ward() as ward:
        assert [one.specimen for one in ward.readings()] == ["amber", "amber"]
        assert [one.status for one in ward.readings()] == ["accepted", "accepted"]
        assert ward.readings()[0].live_mm2 == 900.0
    run("assign", "IMG_1.jpg", "--shift", "-01:30", "--ward", desk.path)
    run("assign", "IMG_1.jpg", "--shift", "48:00", "--ward", desk.path)
    run("assign", "IMG_2.jpg", "--drop", "--ward", desk.path)
    run(*score)
    with desk.ward() as ward:
        by_name = {one.photo: one for one in ward.readings()}
        taken = by_name["IMG_1.jpg"].taken_at
        assert taken is not None
        assert taken.isoformat() == "2026-01-07T08:30:00+01:00"
        assert by_name["blue/IMG_2.jpg"].reasons == ("dropped",)
        kept = [line["what"] for line in ward.db.query("select what from audit order by id")]
        assert kept.count("person said") == 5
    run("assign", "IMG_2.jpg", "--to", "blue", "--ward", desk.path)
    with desk.ward() as ward:
        assert [one.photo for one in ward.readings("blue")] == ["blue/IMG_2.jpg"]


def test_assign_settles_a_conflict_of_copies(desk: Desk, faked: FakeEyes) -> None:
    first = photo(desk.photos / "amber" / "a.jpg")
    (desk.photos / "blue").mkdir()
    (desk.photos / "blue" / "b.jpg").write_bytes(first.read_bytes())
    score = ("score", desk.photos, "--ward", desk.path, "--strict", "--workers", 1)
    assert run(*score).exit_code == 3
    assert run("assign", "blue/b.jpg", "--to", "blue", "--ward", desk.path).exit_code == 0
    assert run(*score).exit_code == 0
    with desk.ward() as ward:
        assert [(one.specimen, one.status) for one in ward.readings()] == [("blue", "accepted")]


def test_assign_asks_which_of_several(desk: Desk, faked: FakeEyes) -> None:
    sha = []
    for name in ("amber", "blue"):
        photo(desk.photos / name / "a.jpg")
    desk.score()
    with desk.ward() as ward:
        sha = [one.sha256 for one in ward.readings("blue")]
    several = run("assign", "a.jpg", "--drop", "--ward", desk.path)
    assert (several.exit_code, "several photos" in several.stderr) == (2, True)
    near = run("assign", "amber/aa.jpg", "--drop", "--ward", desk.path)
    assert "Is it amber/a.jpg?" in near.stderr
    assert run("assign", sha[0][:12], "--drop", "--ward", desk.path).exit_code == 0


def test_rounds_put_urgent_things_first_then_go_by_place(desk: Desk, tmp_path: Path) -> None:
    register = tmp_path / "r.csv"
    register.write_text(
        "specimen,place,arrived_on\nloss,rack 2,\nok,rack 1,\nnew,rack 1,2026-05-20\n"
        "gone,rack 1,\ndead,rack 3,\n"
    )
    run("intake", register, "--ward", desk.path)
    for week in range(4):
        for name, cover in (("loss", 0.9 - 0.4 * (week == 3)), ("ok", 0.9), ("dead", 0.01)):
            day = f"2026-05-{4 + 7 * week:02d}T10:00:00+02:00"
            photo(desk.photos / name / f"IMG_{week}.jpg", day, cover=cover)
    desk.score()
    run("care", "log", "gone", "sold", "--at", "2026-05-21", "--ward", desk.path)
    data = json.loads(run("rounds", "--ward", desk.path, "--on", "2026-05-26", "--json").stdout)
    stops = [(stop["kind"], stop["specimen"]) for stop in data["stops"]]
    assert stops[0] == ("urgent", "loss")
    assert ("treat", "loss") not in stops
    assert ("photograph", "new") in stops
    assert ("second look", "dead") in stops
    assert not {"ok", "gone"} & {name for _, name in stops}
    places = [stop["place"] for stop in data["stops"] if stop["kind"] != "urgent"]
    # The newcomer's rack stands at quarantine: after the clean ones.
    assert places == ["rack 3", "rack 3", "rack 1"]
    run("care", "log", "dead", "look", "--at", "2026-05-26", "--detail", "state=closed",
        "--ward", desk.path)  # fmt: skip
    text = run("rounds", "--ward", desk.path, "--on", "2026-05-26").stdout
    assert "second look" not in text
    assert text.index("Urgent, today") < text.index("rack 1")


def test_a_round_of_thousands_takes_a_moment(desk: Desk) -> None:
    with desk.ward() as ward, ward.db.atomic():
        for number in range(2000):
            name = f"s{number}"
            ward.db.execute(
                "insert into specimens (specimen, first_named, arrived_on) values (?, '', ?)",
                [name, "2026-05-01"],
            )
    run("rounds", "--ward", desk.path)  # works out the courses of all the new ones, once
    start = time.process_time()
    assert len(json.loads(run("rounds", "--ward", desk.path, "--json").stdout)["stops"]) == 2000
    # Aim: a second; the margin is for a busy machine.
    assert time.process_time() - start < 3


def test_care_is_taken_in_from_a_table_once(desk: Desk, tmp_path: Path) -> None:
    register = tmp_path / "r.csv"
    register.write_text("specimen\namber\n")
    run("intake", register, "--ward", desk.path)
    table = tmp_path / "care.csv"
    table.write_text(
        "specimen,at,what,detail,by\n"
        "Amber,2026-05-02T10:00,dip,name=iodine; minutes=10,Kim\n"
        "amber,2026-05-01,Look,state=open,\n"
        "amber,2026-05-03,split,children=amber-a amber-b,\n"
        "amber-a,2026-05-04,sold,price=90,\n"
    )
    assert run("care", "import", table, "--ward", desk.path).stdout == "4 new, 0 known already.\n"
    assert run("care", "import", table, "--ward", desk.path).stdout == "0 new, 4 known already.\n"
    with desk.ward() as ward:
        assert [event.what for event in ward.care()] == ["look", "dip", "split", "sold"]
        assert ward.care("amber")[1].detail == {"name": "iodine", "minutes": "10"}
        assert len(ward.looks()) == 1
    table.write_text("specimen,at,what,detail\nblue,2026,dip,x\n,2026-05-01,a b!,\n")
    bad = run("care", "import", table, "--ward", desk.path)
    assert bad.exit_code == 2
    assert "line 2" in bad.stderr
    assert "line 3" in bad.stderr


def test_a_full_disk_is_one_line(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    desk.ward().close()

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("polypward_cli.register.take_register", full)
    done = run("intake", "r.csv", "--ward", desk.path)
    assert (done.exit_code, done.stderr) == (2, "polypward: No space left on device\n")


def test_a_ledger_that_fails_is_one_line(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    import sqlite3

    desk.ward().close()

    def full(*_: object, **__: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr("polypward_cli.register.take_register", full)
    done = run("intake", "r.csv", "--ward", desk.path)
    assert done.exit_code == 2
    assert done.stderr == "polypward: the ward's ledger cannot be used: database or disk is full\n"


def test_an_interrupt_keeps_what_was_measured(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    class Stopped(FakeEyes):
        def open(self, path: Path) -> Opened:
            if path.name == "b.jpg":
                raise KeyboardInterrupt
            return super().open(path)

    eyes = Stopped()
    monkeypatch.setattr(scoring, "RealEyes", lambda: eyes)
    photo(desk.photos / "amber" / "a.jpg")
    photo(desk.photos / "amber" / "b.jpg")
    done = run("score", desk.photos, "--ward", desk.path, "--workers", 1)
    assert (done.exit_code, "Stopped" in done.stderr) == (130, True)
    assert len(desk.score().accepted) == 2
    assert desk.eyes.opened == ["b.jpg"]


def test_a_standing_flag_stays_on_the_round_until_it_clears(desk: Desk) -> None:
    for week, cover in enumerate((0.9, 0.9, 0.9, 0.86, 0.82, 0.78)):
        day = f"2026-04-{1 + 5 * week:02d}T10:00:00+02:00"
        photo(desk.photos / "amber" / f"IMG_{week}.jpg", day, cover=cover)
    desk.score()
    for day in ("2026-04-27", "2026-04-28"):
        data = json.loads(run("rounds", "--ward", desk.path, "--on", day, "--json").stdout)
        assert [stop["kind"] for stop in data["stops"]] == ["treat"]
    acknowledge = ("care", "log", "amber", "acknowledge", "--at", "2026-04-27T12:00")
    run(*acknowledge, "--detail", "flag=recession", "--ward", desk.path)
    assert "nothing due" in run("rounds", "--ward", desk.path, "--on", "2026-04-28").stdout
