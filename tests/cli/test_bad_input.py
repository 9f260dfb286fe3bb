"""What a person gets wrong at any command: a sentence that names it, and nothing is written."""

import csv
import hashlib
import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from tests.cli.conftest import Desk
from tests.cli.fakes import photo
from typer.main import get_command
from typer.testing import CliRunner, Result

from polypward_cli.main import app

LATER = "2999-01-01"
REGISTER = (
    "specimen,batch,supplier,kind,cost,arrived_on,place,water_system\n"
    "amber,B1,Ondriva,brain,40,2026-05-01,rack 1,lagoon\n"
    "blue,B1,Ondriva,brain,40,2026-05-01,rack 1,lagoon\n"
    "cyan,B2,Halmer,cup,30,2026-05-01,rack 2,lagoon\n"
    "gone,B2,Halmer,cup,30,2026-05-01,rack 2,lagoon\n"
    "never,B2,Halmer,cup,30,2026-05-01,rack 2,lagoon\n"
)
# One good use of every command: each case below gets one thing of it wrong.
GOOD: dict[str, tuple[str, ...]] = {
    "specimen show": ("amber",),
    "specimen list": (),
    "specimen find": ("rack 1",),
    "specimen change": ("amber", "--permit", "P-77"),
    "specimen move": ("amber", "--to", "rack 2"),
    "specimen cut": ("amber", "--why", "dead edge"),
    "specimen split": ("amber", "--pieces", "2"),
    "specimen join": ("amber", "--to", "blue"),
    "specimen sold": ("amber", "--price", "90"),
    "specimen back": ("gone", "--refund", "9"),
    "specimen lost": ("amber", "--cause", "slough"),
    "specimen discarded": ("amber", "--sure"),
    "specimen undo": ("gone",),
    "specimen withdraw": ("never",),
    "labels put": ("5", "amber"),
    "labels take": ("17",),
    "labels undo": ("17",),
    "labels list": (),
    "assign": ("IMG_1.jpg", "--to", "amber"),
    "claim": ("B1", "--dead", "amber"),
    "batch": ("B1", "--cost", "freight=9"),
    "unpack": ("B1", "--ph", "7"),
    "intake": ("TABLE",),
    "look": ("rack 1", "--odd", "amber=slime"),
    "care log": ("amber", "dip"),
    "care import": ("TABLE",),
    "care inspect": ("amber", "--clean"),
    "care place": ("rack 1", "--state", "watch"),
    "ward check": (),
    "ward backup": (),
    "ward restore": ("FILE",),
}
GROUPS = ("specimen", "labels", "assign", "claim", "batch", "unpack", "intake", "look", "ward")
# Of care, what belongs to arrival and departure; the rest is tried beside its own tests.
CARE = ("log", "import", "inspect", "place")


def commands() -> dict[str, set[str]]:
    """Return the options of every command that this file answers for."""
    found: dict[str, set[str]] = {}

    def walk(command: object, words: tuple[str, ...]) -> None:
        inner = getattr(command, "commands", {})
        for name, one in inner.items():
            walk(one, (*words, name))
        if words and not inner:
            params = command.params  # type: ignore[attr-defined]
            found[" ".join(words)] = {option for one in params for option in one.opts}

    walk(get_command(app), ())
    mine = (*GROUPS, *(f"care {name}" for name in CARE))
    return {
        name: options
        for name, options in found.items()
        if name in mine or name.split()[0] in GROUPS
    }


def test_no_command_is_left_out() -> None:
    assert set(GOOD) == set(commands())


class Ward:
    """A ward of five whom somebody photographed, and the command line at it."""

    def __init__(self, desk: Desk, folder: Path) -> None:
        self.path, self.folder = desk.path, folder
        desk.ward().close()
        (folder / "register.csv").write_text(REGISTER)
        for words in (
            ("intake", folder / "register.csv"),
            ("specimen", "lost", "gone", "--at", "2026-05-03"),
            ("labels", "put", "17", "blue", "--at", "2026-05-02"),
        ):
            assert self.run(*words).exit_code == 0
        for name in ("amber", "blue"):
            photo(desk.photos / name / f"{name}.jpg", "2026-05-04T10:00:00+02:00")
        photo(desk.photos / "IMG_1.jpg", "2026-05-04T10:10:00+02:00")
        desk.score()
        # As a person who has seen no caution yet: that one was shown is written too.
        with closing(sqlite3.connect(self.path / "ward.db")) as db:
            db.execute("delete from cautions_seen")
            db.commit()
        self.before = self.everything()

    def run(self, *words: object) -> Result:
        return CliRunner().invoke(app, [*map(str, words), "--ward", str(self.path)])

    def everything(self) -> tuple[list[str], dict[str, str]]:
        with closing(sqlite3.connect(self.path / "ward.db")) as db:
            ledger = list(db.iterdump())
        paths = [path for path in sorted(self.path.rglob("*")) if path.is_file()]
        files = {
            path.relative_to(self.path).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in paths
            if path.name not in ("ward.db", "ward.lock")
        }
        return ledger, files

    def bad(self, *words: object) -> str:
        done = self.run(*words)
        assert done.exit_code == 2, (words, done.output)
        assert isinstance(done.exception, SystemExit)
        assert self.everything() == self.before, (words, "nothing may be written")
        # What typer says stands in a box.
        return " ".join(done.stderr.replace("\N{BOX DRAWINGS LIGHT VERTICAL}", " ").split())


@pytest.fixture(scope="module")
def ward(tmp_path_factory: pytest.TempPathFactory) -> Ward:
    folder = tmp_path_factory.mktemp("bad")
    return Ward(Desk(folder), folder)


def one_thing_wrong() -> Iterator[tuple[tuple[str, ...], str]]:
    """Each command with an unknown specimen, batch, place or photo, and with impossible times."""
    known = {"amber": "nobody", "gone": "nobody", "never": "nobody", "B1": "B9"}
    known |= {"rack 1": "attic", "IMG_1.jpg": "IMG_9.jpg", "17": "299"}
    for name, words in GOOD.items():
        for number, word in enumerate(words):
            if word in known:
                wrong = known[word]
                yield (*name.split(), *words[:number], wrong, *words[number + 1 :]), wrong
            elif "amber=" in word:
                odd = word.replace("amber", "nobody")
                yield (*name.split(), *words[:number], odd, *words[number + 1 :]), "nobody"
        options = commands()[name]
        for at in (LATER, "2026-13-01"):
            if "--at" in options:
                yield (*name.split(), *words, "--at", at), at
    yield ("specimen", "find", "rack 1", "--since", LATER), LATER
    yield ("specimen", "change", "amber", "--arrived-on", LATER), LATER
    yield ("claim", "B1", "--delivered", LATER), LATER
    yield ("care", "inspect", "amber", "--clean", "--again-on", "2020-01-01"), "2020-01-01"
    yield ("assign", "amber/amber.jpg", "--shift", "99999:00"), "in the future"
    for at in ("2026-04-30", "2026-04-01T10:00"):  # before they arrived
        yield ("specimen", "move", "amber", "--to", "x", "--at", at), "arrived on 2026-05-01"
        yield ("labels", "put", "5", "amber", "--at", at), "arrived on 2026-05-01"
        yield ("care", "log", "amber", "dip", "--at", at), "arrived on 2026-05-01"
        yield ("unpack", "B1", "--ph", "7", "--at", at), "arrived on 2026-05-01"


@pytest.mark.parametrize(("words", "told"), list(one_thing_wrong()), ids=" ".join)
def test_an_unknown_name_or_an_impossible_time_is_told(
    ward: Ward, words: tuple[str, ...], told: str
) -> None:
    assert told in ward.bad(*words)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        # Ids that are there already.
        (("specimen", "split", "amber", "--into", "x", "--into", "BLUE"), '"BLUE" is a specimen'),
        (("specimen", "split", "amber", "--into", "x", "--into", "X"), "named twice: x X"),
        (("specimen", "join", "amber", "--to", "amber"), "joined to itself"),
        (("claim", "B1", "--dead", "amber", "--poor", "amber"), "both dead and poor"),
        # Those that are not here.
        (("specimen", "sold", "gone"), "it is lost since 2026-05-03"),
        (("labels", "put", "5", "gone"), '"gone" is lost since 2026-05-03'),
        (("specimen", "back", "amber"), "had not left"),
        (("specimen", "withdraw", "amber"), '"amber" has photos (1)'),
        (("claim", "B1", "--dead", "cyan"), 'did not come with batch "B1"'),
        # Numbers.
        (("specimen", "sold", "amber", "--price", "-1"), "from 0 to 10,000,000"),
        (("specimen", "sold", "amber", "--price", "nan"), 'got "nan"'),
        (("specimen", "sold", "amber", "--price", "1.200"), "may mean 1200 or 1.20"),
        (("specimen", "change", "amber", "--cost", "dear"), 'got "dear"'),
        (("specimen", "split", "amber", "--pieces", "2", "--share", "1"), "for each of 2 pieces"),
        (("batch", "B1", "--cost", "freight=much"), 'got "much"'),
        (("claim", "B1", "--dead", "amber", "--credited", "-5"), 'got "-5"'),
        (("unpack", "B1", "--temp-c", "72"), "looks like °F"),
        (("unpack", "B1", "--salinity", "1.025"), "specific gravity"),
        (("labels", "--first", "0"), "from 1 to 299, got 0"),
        (("labels", "put", "T0", "amber"), '"T0" is no tag'),
        (("care", "log", "amber", "sold", "--detail", "price=ten"), 'got "ten"'),
        # Words of a list.
        (("specimen", "change", "amber", "--unpacked-as", "ok"), "good, poor, dead"),
        (("specimen", "list", "--state", "dead"), "held, sold, lost"),
        (("care", "inspect", "amber", "--found", "dragon"), '"dragon" is not on the list'),
        (("care", "place", "rack 1", "--state", "dirty"), "clean, watch or quarantine"),
        (("batch", "--group", "colour"), "batch, supplier, kind, plan"),
        (("labels", "--sheet", "b5"), '"b5" is no sheet'),
        (("look", "rack 1", "--odd", "amber=blue"), "blue"),
        # What is not said, or twice.
        (("specimen", "change", "amber"), "say what to change"),
        (("specimen", "move", "amber"), "say where it went"),
        (("specimen", "split", "amber"), "name the pieces"),
        (("specimen", "discarded", "amber"), "Look twice"),
        (("unpack", "--ph", "7"), "say which batch"),
        (("claim", "--dead", "amber"), "say which batch"),
        (("claim", "B1", "--sent"), "nothing is claimed"),
        (("batch", "--cost", "freight=9"), "name it"),
        (("assign", "IMG_1.jpg", "--drop", "--undo"), "give one of"),
        (("assign", "IMG_1.jpg", "--to", "a/b"), "goes without"),
        (("care", "inspect", "rack 1"), "say what was found"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_what_cannot_be_is_told(ward: Ward, words: tuple[str, ...], told: str) -> None:
    assert told in ward.bad(*words)


# Tables.

TABLES = {
    "intake": "specimen,batch,supplier,kind,cost,note\ndelta,B3,Süd,brain,40,'=1+1\n",
    "unpack --table": "batch,box,at,bag_temp_c,note\nB1,1,2026-05-02T09:30,19.5,'=trüb\n",
    "care import": "specimen,at,what,detail,by\namber,2026-05-06,note,seen=trüb,Süd\n",
}
Harm = Callable[[str], bytes]


def head(text: str) -> str:
    return text.splitlines()[0]


HARMS: dict[str, tuple[Harm, str]] = {
    "empty": (lambda _: b"", "the file is empty"),
    "no rows": (lambda text: (head(text) + "\n").encode(), "no rows under the header"),
    "binary": (lambda _: b"\x00\x01\xff" * 99, "not a text file"),
    "other columns": (
        lambda text: (",".join("abcdefgh"[: head(text).count(",") + 1]) + "\n").encode(),
        "column",
    ),
    "misspelt": (
        lambda text: text.replace("batch", "bacht").replace("detail", "detial").encode(),
        "unknown column",
    ),
    "twice": (lambda text: f"{head(text)},{head(text)}\n".encode(), "is there twice"),
    "too many cells": (lambda text: (text.strip() + ",x,y\n").encode(), "line 2:"),
    "open quote": (lambda text: text.replace(",B", ',"B').encode() + b'"', "no valid CSV"),
    "same twice": (lambda text: (text + text.splitlines()[1] + "\n").encode(), "line 3:"),
    "later": (lambda text: text.replace("2026-05", "2999-05").encode(), "in the future"),
    "no date": (lambda text: text.replace("2026-05-0", "in May ").encode(), "line 2:"),
    "unknown": (
        lambda text: text.replace("B1", "B9").replace("amber", "nobody").encode(),
        "line 2:",
    ),
    "no number": (
        lambda text: text.replace(",40,", ",dear,").replace("19.5", "warm").encode(),
        "line 2:",
    ),
}
# What a table has no column for, or where saying it twice is no fault.
NOT_ITS_OWN = {
    ("intake", "later"), ("intake", "no date"), ("intake", "unknown"), ("intake", "open quote"),
    ("unpack --table", "open quote"), ("care import", "open quote"),
    ("care import", "same twice"), ("care import", "no number"),
}  # fmt: skip


@pytest.mark.parametrize("harm", HARMS)
@pytest.mark.parametrize("command", TABLES)
def test_a_faulty_table_is_told_and_leaves_nothing(ward: Ward, command: str, harm: str) -> None:
    if (command, harm) in NOT_ITS_OWN:
        pytest.skip("no such fault in this table")
    harmed, told = HARMS[harm]
    table = ward.folder / "table.csv"
    table.write_bytes(harmed(TABLES[command]))
    said = ward.bad(*command.split(), table)
    assert told in said
    assert "table.csv" in said


@pytest.mark.parametrize("command", TABLES)
def test_a_table_that_is_not_there_is_told(ward: Ward, command: str) -> None:
    for path in (ward.folder / "nowhere.csv", ward.folder):
        assert str(path) in ward.bad(*command.split(), path)


def spreadsheet(text: str) -> str:
    """The table with semicolons and decimal commas, as many spreadsheets save it."""
    rows = list(csv.reader(text.splitlines()))
    return "".join(";".join(cell.replace("19.5", "19,5") for cell in row) + "\r\n" for row in rows)


ENCODINGS: dict[str, Harm] = {
    "utf-8": lambda text: text.encode(),
    "byte order mark": lambda text: text.encode("utf-8-sig"),
    "utf-16": lambda text: text.encode("utf-16"),
    "cp1252": lambda text: text.encode("cp1252"),
    "semicolons": lambda text: spreadsheet(text).encode("utf-8-sig"),
    "semicolons, cp1252": lambda text: spreadsheet(text).encode("cp1252"),
    "tabs": lambda text: text.replace(",", "\t").encode(),
}


@pytest.mark.parametrize("how", ENCODINGS)
def test_a_table_means_the_same_however_it_was_saved(desk: Desk, tmp_path: Path, how: str) -> None:
    ward = Ward(desk, tmp_path)
    for command, text in TABLES.items():
        table = tmp_path / "table.csv"
        table.write_bytes(ENCODINGS[how](text))
        done = ward.run(*command.split(), table)
        assert done.exit_code == 0, done.output
    delta = json.loads(ward.run("specimen", "show", "delta", "--json").stdout)
    assert (delta["supplier"], delta["cost"], delta["note"]) == ("Süd", 40.0, "=1+1")
    [sheet] = json.loads(ward.run("unpack", "--json").stdout)
    assert (sheet["bag_temp_c"], sheet["note"]) == (19.5, "=trüb")
    [entry] = json.loads(ward.run("specimen", "show", "amber", "--json").stdout)["entries"]
    assert (entry["detail"], entry["by"]) == ({"seen": "trüb"}, "Süd")
    # And it goes out so that no spreadsheet runs it.
    for words in (("specimen", "list", "--csv"), ("unpack", "--csv")):
        out = tmp_path / f"{words[0]}.csv"
        assert ward.run(*words, out).exit_code == 0
        with out.open(newline="") as stream:
            notes = [row["note"] for row in csv.DictReader(stream) if row["note"]]
        assert [note[:2] for note in notes] == ["'="]
