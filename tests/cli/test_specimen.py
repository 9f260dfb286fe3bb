import csv
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.cli.conftest import Desk
from tests.cli.fakes import photo
from typer.testing import CliRunner, Result

from polypward.errors import BadInputError
from polypward.life import LIFE
from polypward.records import Specimen
from polypward_cli.life import entries
from polypward_cli.life.undo import undo_last
from polypward_cli.main import app
from polypward_cli.ward import Ward

REGISTER = (
    "specimen,batch,supplier,kind,cost,as_is_price,arrived_on,place,water_system,permit\n"
    "amber,B1,Ondriva,brain,100,30,2025-03-01,rack 1,lagoon,P-77\n"
    "blue,B1,Ondriva,cup,50,,2025-03-01,rack 1,lagoon,P-77\n"
    "cyan,B2,Ondriva,cup,40,,2025-03-01,rack 2,lagoon,P-78\n"
)


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


class Table:
    """A ward of three, and the command line at it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        (path.parent / "r.csv").write_text(REGISTER)
        Ward.open(path, create=True, time_zone="Europe/Berlin").close()
        self.good("intake", path.parent / "r.csv")

    def run(self, *words: object) -> Result:
        return run(*words, "--ward", self.path)

    def good(self, *words: object) -> str:
        done = self.run(*words)
        assert done.exit_code == 0, done.output
        return done.stdout

    def bad(self, *words: object) -> str:
        before = self.dump()
        done = self.run(*words)
        assert done.exit_code == 2, done.output
        assert "Traceback" not in done.output
        assert self.dump() == before, "nothing may be written"
        return " ".join(done.stderr.split())

    def dump(self) -> list[str]:
        with Ward.open(self.path) as ward:
            return list(ward.db.iterdump())

    def show(self, name: str) -> dict[str, object]:
        shown: dict[str, object] = json.loads(self.good("specimen", "show", name, "--json"))
        return shown

    def audits(self) -> list[str]:
        with Ward.open(self.path) as ward:
            return [row["what"] for row in ward.db.query("select what from audit order by id")]


@pytest.fixture
def ward(tmp_path: Path) -> Table:
    return Table(tmp_path / "ward")


def test_a_move_and_its_undo(ward: Table) -> None:
    ward.good("specimen", "move", "AMBER", "--to", "rack 2", "--light", "dim",
              "--at", "2025-03-05", "--by", "Kim")  # fmt: skip
    # Noted later, but earlier in time: the place of today stays that of the later move.
    ward.good("specimen", "move", "amber", "--to", "rack 9", "--at", "2025-03-03")
    shown = ward.show("amber")
    assert (shown["place"], shown["light"], shown["water_system"]) == ("rack 2", "dim", "lagoon")
    assert [entry["by"] for entry in shown["entries"]] == ["", "Kim"]  # type: ignore[attr-defined]
    assert "taken back: move of 2025-03-05 12:00. Now held, rack 9." in ward.good(
        "specimen", "undo", "amber"
    )
    ward.good("specimen", "undo", "amber")
    shown = ward.show("amber")
    assert (shown["place"], shown["light"], shown["entries"]) == ("rack 1", "", [])
    assert ward.audits().count("entry taken back") == 2
    assert "nothing to take back" in ward.bad("specimen", "undo", "amber")


def test_a_split_shares_cost_and_keeps_batch_and_permit(ward: Table) -> None:
    told = ward.good("specimen", "split", "amber", "--into", "amber-a", "--into", "amber-b",
                     "--share", 2, "--share", 1, "--at", "2025-03-08")  # fmt: skip
    # By hand: 100 in 2:1 is 66.67 and 33.33; as it was, 30 in 2:1 is 20 and 10.
    assert "amber-a  cost 66.67" in told
    for name, cost, as_is in (("amber-a", 66.67, 20.0), ("amber-b", 33.33, 10.0)):
        piece = ward.show(name)
        assert (piece["cost"], piece["as_is_price"], piece["parent"]) == (cost, as_is, "amber")
        assert (piece["batch"], piece["permit"], piece["kind"]) == ("B1", "P-77", "brain")
        assert (piece["place"], piece["arrived_on"], piece["state"]) == (
            "rack 1",
            "2025-03-01",
            "held",
        )
    parent = ward.show("amber")
    assert (parent["state"], parent["left_on"], parent["cost"]) == ("split", "2025-03-08", 0.0)
    assert parent["pieces"] == ["amber-a", "amber-b"]
    rows = json.loads(ward.good("specimen", "list", "--batch", "b1", "--state", "all", "--json"))
    assert sum(row["cost"] for row in rows) == pytest.approx(150.0)
    assert "it is split since 2025-03-08" in ward.bad("specimen", "sold", "amber")
    ward.good("specimen", "undo", "amber")
    assert ward.show("amber")["cost"] == 100.0
    assert ward.show("amber")["as_is_price"] == 30.0
    assert "no specimen of this ward" in ward.bad("specimen", "show", "amber-a")


def test_the_rest_may_live_on_under_its_name(ward: Table) -> None:
    ward.good("specimen", "split", "amber", "--pieces", 1, "--keep", "--share", 3, "--share", 1,
              "--at", "2025-03-08")  # fmt: skip
    [piece] = ward.show("amber")["pieces"]  # type: ignore[misc]
    assert (ward.show("amber")["state"], ward.show("amber")["cost"]) == ("held", 75.0)
    assert ward.show(piece)["cost"] == 25.0
    ward.good("specimen", "undo", "amber")
    assert ward.show("amber")["cost"] == 100.0


@pytest.mark.parametrize(
    ("words", "fault"),
    [
        (("--into", "x"), "at least two pieces"),
        (("--pieces", 1), "at least two pieces"),
        (("--pieces", 0), "from 1 to 100"),
        ((), "name the pieces"),
        (("--pieces", 2, "--into", "x"), "name the pieces"),
        (("--into", "x", "--into", "X"), "named twice"),
        (("--into", "x", "--into", "blue"), '"blue" is a specimen of this ward already'),
        (("--into", "x y", "--into", "z"), "without spaces"),
        (("--into", "x", "--into", "y", "--share", 1), "for each of 2 pieces"),
        (("--into", "x", "--into", "y", "--share", 1, "--share", "-1"), "above 0"),
        (("--into", "x", "--into", "y", "--at", "2999-01-01"), "in the future"),
        (("--into", "x", "--into", "y", "--at", "2025-02-01"), "arrived on 2025-03-01"),
        (("--into", "x", "--into", "y", "--at", "yesterday"), "is no time"),
    ],
)
def test_a_split_that_cannot_be(ward: Table, words: tuple[object, ...], fault: str) -> None:
    assert fault in ward.bad("specimen", "split", "amber", *words)


def test_a_piece_photographed_before_the_split_was_noted_becomes_one(
    desk: Desk, tmp_path: Path
) -> None:
    ward = Table(desk.path)
    photo(desk.photos / "amber-a" / "1.jpg", "2025-03-09T10:00:00+01:00")
    desk.score()
    ward.good("specimen", "split", "amber", "--into", "amber-a", "--into", "amber-b",
              "--at", "2025-03-08")  # fmt: skip
    piece = ward.show("amber-a")
    assert (piece["parent"], piece["cost"], piece["batch"]) == ("amber", 50.0, "B1")
    assert len(piece["photos"]) == 1  # type: ignore[arg-type]
    assert '"amber-a" has photos of its own (1)' in ward.bad("specimen", "undo", "amber")


def test_a_split_raises_no_flag_and_starts_a_baseline(desk: Desk) -> None:
    """Half of it is cut away: 0.9 before, 0.6 after; without the split that is a sharp loss."""
    for split in (False, True):
        for day, cover in ((1, 0.9), (8, 0.9), (15, 0.9), (22, 0.6)):
            at = f"2026-04-{day:02d}T10:00:00+02:00"
            photo(desk.photos / "amber" / f"{day}.jpg", at, cover=cover)
        desk.score()
        table = (desk.path / "scores.csv").read_text()
        assert ("sharp-loss" in table) == (not split)
        if not split:
            done = run("specimen", "split", "amber", "--into", "new", "--keep", "--at",
                       "2026-04-20", "--ward", desk.path)  # fmt: skip
            assert done.exit_code == 0, done.output


def test_joined_specimens_add_their_cost_and_come_apart_again(ward: Table) -> None:
    told = ward.good("specimen", "join", "blue", "--to", "amber", "--at", "2025-03-10")
    assert told == "blue: joined, 2025-03-10 12:00, to amber; cost 50. Now joined.\n"
    amber, blue = ward.show("amber"), ward.show("blue")
    assert (amber["cost"], amber["state"]) == (150.0, "held")
    # What blue was worth as it was is not known, so amber's stays its own.
    assert amber["as_is_price"] == 30.0
    assert (blue["cost"], blue["state"], blue["left_on"]) == (0.0, "joined", "2025-03-10")
    assert "take that back there" in ward.bad("specimen", "undo", "amber")
    ward.good("specimen", "undo", "blue")
    amber, blue = ward.show("amber"), ward.show("blue")
    assert (amber["cost"], blue["cost"], blue["state"]) == (100.0, 50.0, "held")
    assert amber["entries"] == blue["entries"] == []
    assert "cannot be joined to itself" in ward.bad("specimen", "join", "blue", "--to", "BLUE")
    assert 'of batch "B2"' in ward.bad("specimen", "join", "cyan", "--to", "blue")


def test_sold_back_lost(ward: Table) -> None:
    ward.good("specimen", "sold", "amber", "--price", "180", "--as-is", "25", "--at", "2025-03-20")
    with Ward.open(ward.path) as opened:
        [sale] = opened.care("amber")
        assert (sale.what, dict(sale.detail)) == ("sold", {"price": "180.00"})
    assert ward.show("amber")["as_is_price"] == 25.0
    assert "it is sold since 2025-03-20" in ward.bad("specimen", "lost", "amber")
    assert "noted as sold on 2025-03-20: it is lost" in ward.bad(
        "specimen", "lost", "amber", "--at", "2025-03-10"
    )
    ward.good("specimen", "back", "amber", "--refund", "180", "--at", "2025-03-25")
    assert ward.show("amber")["state"] == "held"
    ward.good("specimen", "lost", "amber", "--cause", "slough", "--at", "2025-04-01")
    assert ward.show("amber")["left_on"] == "2025-04-01"
    assert "had not left" in ward.bad("specimen", "back", "blue")
    assert "from 0 to" in ward.bad("specimen", "sold", "blue", "--price", "-5")
    assert '--price must be an amount from 0 to 10,000,000, got "much"' in ward.bad(
        "specimen", "sold", "blue", "--price", "much"
    )
    assert "may mean 1200 or 1.20" in ward.bad("specimen", "back", "amber", "--refund", "1.200")
    told = ward.good("specimen", "sold", "blue", "--price", "180,50", "--at", "2025-03-20")
    assert told == "blue: sold, 2025-03-20 12:00, price 180.50. Now sold.\n"


def test_moved_out_is_no_longer_here(ward: Table) -> None:
    ward.good("specimen", "move", "amber", "--out", "the other ward", "--at", "2025-03-20")
    assert ward.show("amber")["state"] == "moved-out"
    rounds = json.loads(ward.good("rounds", "--on", "2025-03-21", "--json"))
    assert "amber" not in json.dumps(rounds)
    assert "blue" in json.dumps(rounds)
    with Ward.open(ward.path) as opened:
        course = opened.courses()["amber"]
        assert "moved out on 2025-03-20" in course.advice.reason
        assert not [flag for flag in course.flags if flag.standing]
    assert "give it alone" in ward.bad("specimen", "move", "blue", "--out", "x", "--to", "y")
    assert "say where it went" in ward.bad("specimen", "move", "blue")


def test_discarding_asks_for_two_looks_a_day_apart(ward: Table) -> None:
    told = ward.bad("specimen", "discarded", "amber", "--at", "2025-03-20")
    assert "often looks dead" in told
    assert "no such look" in told
    for at in ("2025-03-10T09:00", "2025-03-11T08:59"):
        ward.good("care", "log", "amber", "look", "--detail", "state=dead", "--at", at)
    assert "one look that says dead" in ward.bad("specimen", "discarded", "amber")
    ward.good("care", "log", "amber", "look", "--detail", "state=dead", "--at", "2025-03-11T09:00")
    # Before the second look it could not be known.
    assert "Look twice" in ward.bad("specimen", "discarded", "amber", "--at", "2025-03-10T12:00")
    # Seen open in between, the looks begin anew.
    for state, at in (("open", "2025-03-11T12:00"), ("dead", "2025-03-11T20:00")):
        detail = f"state={state}"
        ward.good("care", "log", "amber", "look", "--detail", detail, "--at", at)
    late = ("specimen", "discarded", "amber", "--at", "2025-03-13")
    assert "one look that says dead (2025-03-11 20:00)" in ward.bad(*late)
    ward.good("care", "log", "amber", "look", "--detail", "state=dead", "--at", "2025-03-12T20:00")
    ward.good(*late)
    assert ward.show("amber")["state"] == "discarded"
    ward.good("specimen", "discarded", "blue", "--sure", "--at", "2025-03-12")
    [entry] = ward.show("blue")["entries"]  # type: ignore[misc]
    assert entry["detail"] == {"seen": "sure without a second look"}


def test_a_change_keeps_the_old_value_and_its_author(ward: Table) -> None:
    told = ward.good("specimen", "change", "amber", "--kind", "meander", "--height-mm", "-3",
                     "--unpacked-as", "Poor", "--by", "Kim")  # fmt: skip
    assert "amber: kind meander (was brain)" in told
    assert ward.show("amber")["height_mm"] == -3.0
    with Ward.open(ward.path) as opened:
        [row] = opened.db.query("select old, new from audit where what = 'specimen changed'")
        assert json.loads(row["old"])["kind"] == "brain"
        assert json.loads(row["new"])["by"] == "Kim"
    ward.good("specimen", "change", "amber", "--height-mm", "-", "--permit", "-")
    assert (ward.show("amber")["height_mm"], ward.show("amber")["permit"]) == (None, "")
    assert "nothing changed" in ward.good("specimen", "change", "amber", "--kind", "meander")


@pytest.mark.parametrize(
    ("words", "fault"),
    [
        ((), "say what to change"),
        (("--cost", "cheap"), 'cost must be an amount from 0 to 10,000,000, got "cheap"'),
        (("--cost", "nan"), "cost must be an amount"),
        (("--cost", "1.234"), "may mean 1234 or 1.23; write it so"),
        (("--height-mm", "2000"), "height_mm must be a number from -500 to 1000"),
        (("--arrived-on", "2999-01-01"), "in the future"),
        (("--arrived-on", "1.3.2025"), "is no day"),
        (("--unpacked-as", "fine"), "good, poor, dead"),
    ],
)
def test_a_change_that_cannot_be(ward: Table, words: tuple[str, ...], fault: str) -> None:
    assert fault in ward.bad("specimen", "change", "amber", *words)


def test_a_place_after_a_move_is_told_by_a_move(ward: Table) -> None:
    ward.good("specimen", "change", "amber", "--place", "rack 3")
    ward.good("specimen", "move", "amber", "--to", "rack 2", "--at", "2025-03-05")
    assert "was moved since" in ward.bad("specimen", "change", "amber", "--place", "rack 4")
    ward.good("specimen", "undo", "amber")
    assert ward.show("amber")["place"] == "rack 3"


def test_a_misread_id_is_told_as_such(tmp_path: Path) -> None:
    register = tmp_path / "r.csv"
    register.write_text("batch,supplier,kind,count,cost\nB1,O,brain,1,9\n")
    made = run("intake", register, "--ward", tmp_path / "w").stdout.split("New: ")[1].split()[0]
    wrong = made[:-1] + ("3" if made[-1] != "3" else "4")
    near = run("specimen", "show", wrong, "--ward", tmp_path / "w")
    assert f'Is it "{made}"?' in near.stderr
    far = run("specimen", "show", "Q0O1", "--ward", tmp_path / "w")
    assert "one misread: read the tag again" in far.stderr


def test_the_list_comes_back_as_a_register(ward: Table, tmp_path: Path) -> None:
    ward.good("specimen", "change", "amber", "--note", "=1+1")
    path = tmp_path / "list.csv"
    ward.good("specimen", "list", "--csv", path)
    with path.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["specimen"] for row in rows] == ["amber", "blue", "cyan"]
    assert rows[0]["note"] == "'=1+1"
    assert "is there already" in ward.bad("specimen", "list", "--csv", path)
    before = ward.dump()
    ward.good("intake", path)
    shown = ward.show("amber")
    assert (shown["note"], shown["cost"], shown["place"]) == ("=1+1", 100.0, "rack 1")
    assert [line for line in ward.dump() if '"specimens"' in line] == [
        line for line in before if '"specimens"' in line
    ]


def test_the_list_by_place_kind_batch_and_state(ward: Table) -> None:
    def names(*words: object) -> list[str]:
        rows = json.loads(ward.good("specimen", "list", "--json", *words))
        return [row["specimen"] for row in rows]

    assert names() == ["amber", "blue", "cyan"]
    assert names("--kind", "CUP") == ["blue", "cyan"]
    assert names("--place", "rack 1", "--kind", "cup") == ["blue"]
    assert names("--batch", "B2") == ["cyan"]
    assert names("--supplier", "nobody") == []
    ward.good("specimen", "sold", "cyan", "--at", "2025-03-20")
    assert names() == ["amber", "blue"]
    assert names("--state", "sold") == ["cyan"]
    assert "3 specimens" in ward.good("specimen", "list", "--state", "all")
    assert "No specimen." in ward.good("specimen", "list", "--batch", "B9")
    assert "--state is all, held" in ward.bad("specimen", "list", "--state", "gone")


def test_find_lists_those_that_the_last_round_did_not_see(desk: Desk) -> None:
    ward = Table(desk.path)
    photo(desk.photos / "amber" / "1.jpg", "2026-05-04T10:00:00+02:00")
    photo(desk.photos / "blue" / "1.jpg", "2026-05-04T10:00:00+02:00")
    photo(desk.photos / "amber" / "2.jpg", "2026-05-11T10:00:00+02:00")
    desk.score()
    found = json.loads(ward.good("specimen", "find", "RACK 1", "--json"))
    assert (found["place"], found["since"], found["seen"]) == ("rack 1", "2026-05-11", 1)
    [missing] = found["missing"]
    assert (missing["specimen"], missing["last_seen"]) == ("blue", "2026-05-04")
    assert (desk.path / missing["cut_out"]).is_file()
    ward.good("care", "log", "blue", "look", "--at", "2026-05-11")
    assert "2 seen since 2026-05-11, 0 not" in ward.good("specimen", "find", "rack 1")
    # By the water they share, and since a day one names.
    text = ward.good("specimen", "find", "lagoon", "--since", "2026-05-12")
    assert "lagoon: 0 seen since 2026-05-12, 3 not." in text
    assert "cyan  cup, never seen" in text
    assert "there are rack 1, rack 2" in ward.bad("specimen", "find", "attic")


@pytest.mark.parametrize(
    "command",
    [
        *("show", "change", "move", "cut", "split", "sold", "back", "lost", "discarded", "undo"),
    ],
)
def test_an_unknown_specimen_is_one_sentence(ward: Table, command: str) -> None:
    words = {
        "change": ("--kind", "x"),
        "move": ("--to", "x"),
        "split": ("--into", "x", "--into", "y"),
    }.get(command, ())
    assert 'Is it "amber"?' in ward.bad("specimen", command, "ambr", *words)


@pytest.mark.parametrize("command", ["move", "cut", "sold", "lost"])
def test_nothing_is_noted_of_the_future(ward: Table, command: str) -> None:
    words = ("--to", "x") if command == "move" else ()
    told = ward.bad("specimen", command, "amber", *words, "--at", "2999-01-01T10:00")
    assert '"2999-01-01T10:00" is in the future' in told


def test_who_was_not_seen_since_a_day_to_come_is_no_question(ward: Table) -> None:
    told = ward.bad("specimen", "find", "rack 1", "--since", "2999-01-01")
    assert "--since 2999-01-01 is in the future" in told


def test_the_owner_signs_where_nobody_is_named(ward: Table) -> None:
    settings = ward.path / "ward.toml"
    settings.write_text(settings.read_text().replace('owner = ""', 'owner = "Mo"'))
    ward.good("specimen", "cut", "amber", "--why", "dead edge", "--at", "2025-03-05")
    [entry] = ward.show("amber")["entries"]  # type: ignore[misc]
    assert (entry["by"], entry["detail"]) == ("Mo", {"why": "dead edge"})


def test_leaving_by_the_care_log_follows_the_same_rules(ward: Table) -> None:
    ward.good("care", "log", "amber", "sold", "--at", "2025-03-20")
    assert "it is sold since" in ward.bad("care", "log", "amber", "lost", "--at", "2025-03-21")


def test_papers_that_come_late_reach_the_pieces(ward: Table) -> None:
    ward.good("specimen", "split", "amber", "--into", "a", "--into", "b", "--at", "2025-03-08")
    ward.good("specimen", "split", "a", "--into", "aa", "--keep", "--at", "2025-03-09")
    ward.good("specimen", "change", "b", "--permit", "P-99", "--kind", "meander")
    ward.good("specimen", "change", "amber", "--permit", "P-78", "--kind", "lobed")
    told = {name: (ward.show(name)["permit"], ward.show(name)["kind"]) for name in ("a", "aa", "b")}
    # What a piece was given for itself stays.
    assert told == {"a": ("P-78", "lobed"), "aa": ("P-78", "lobed"), "b": ("P-99", "meander")}


WORDS = ("move", "cut", "split", "sold", "lost", "discarded", "moved-out", "joined", "returned")


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(story=st.lists(st.tuples(st.sampled_from(WORDS), st.integers(0, 30)), max_size=8))
def test_whatever_was_noted_can_be_taken_back_to_the_start(
    tmp_path_factory: pytest.TempPathFactory, story: list[tuple[str, int]]
) -> None:
    """Entries in any order of time, as far as they are possible; undone, the ward is as before."""
    start = datetime(2025, 3, 3, 12, tzinfo=UTC)
    with Ward.open(tmp_path_factory.mktemp("story"), create=True, time_zone="UTC") as ward:
        for name, cost in (("amber", 100.0), ("blue", 50.0)):
            ward.save_specimen(Specimen(specimen=name, cost=cost, as_is_price=30, place="rack 1"))
        before = ward.specimens()
        for number, (what, day) in enumerate(story):
            at = start + timedelta(days=day, minutes=number)
            try:
                with ward.db.atomic():
                    note(ward, what, at, number)
            except BadInputError:
                continue
            # Money is neither made nor lost, whatever happens.
            assert sum(one.cost or 0 for one in ward.specimens()) == pytest.approx(150)
        while any(event.what in LIFE for event in ward.care()):
            last = max((e for e in ward.care() if e.what in LIFE and e.what != "join"),
                       key=lambda e: e.at)  # fmt: skip
            undo_last(ward, last.specimen, by="")
        assert ward.specimens() == before


def note(ward: Ward, what: str, at: datetime, number: int) -> None:
    if what == "move":
        entries.move(ward, "amber", place=f"rack {number}", water_system="", light="", at=at, by="")
    elif what == "split":
        entries.split(
            ward, "amber", into=[], pieces=2, keep=number % 2 == 0, shares=[], at=at, by=""
        )
    elif what == "joined":
        entries.join(ward, "blue", to="amber", at=at, by="")
    else:
        entries.enter(ward, "amber", what, at=at, by="")


def test_an_entry_in_the_middle_is_taken_back_if_the_rest_still_holds(ward: Table) -> None:
    for day, place in ((5, "rack 2"), (7, "rack 9"), (9, "rack 3")):
        ward.good("specimen", "move", "amber", "--to", place, "--at", f"2025-03-0{day}T10:00")
    ward.good("specimen", "undo", "amber", "--at", "2025-03-07T10:00")
    assert ward.show("amber")["place"] == "rack 3"
    ward.good("specimen", "undo", "amber")
    assert ward.show("amber")["place"] == "rack 2"
    for words in (("sold", 10), ("back", 11), ("sold", 12)):
        ward.good("specimen", words[0], "amber", "--at", f"2025-03-{words[1]}")
    # Without the return it would be sold twice.
    assert "it is sold since 2025-03-10" in ward.bad(
        "specimen", "undo", "amber", "--at", "2025-03-11"
    )
    assert "nothing to take back of 2025-03-20 12:00" in ward.bad(
        "specimen", "undo", "amber", "--at", "2025-03-20"
    )


def test_any_entry_by_hand_is_taken_back_by_its_word(ward: Table) -> None:
    for what in ("dip", "look", "dip"):
        at = {"dip": "2025-03-10", "look": "2025-03-11"}[what]
        ward.good("care", "log", "amber", what, "--at", at, "--detail", "note=x")
    told = ward.good("specimen", "undo", "amber", "--what", "dip")
    assert told == "amber: taken back: dip of 2025-03-10 12:00. Now held, rack 1.\n"
    assert [one["what"] for one in ward.show("amber")["entries"]] == ["look"]  # type: ignore[attr-defined]
    assert "nothing to take back called dip" in ward.bad(
        "specimen", "undo", "amber", "--what", "dip"
    )
    assert ward.audits().count("entry taken back") == 1
    # What stands in many histories is taken back where it was noted.
    ward.good("care", "inspect", "amber", "--clean", "--at", "2025-03-12")
    told = ward.bad("specimen", "undo", "amber", "--what", "inspection")
    assert "polypward care amend inspection:1 --undo" in told
    ward.good("look", "rack 1", "--odd", "amber=slime", "--at", "2025-03-13")
    assert "polypward look --undo" in ward.bad("specimen", "undo", "amber", "--what", "look")


def test_the_tag_it_wears_is_told(ward: Table) -> None:
    ward.good("labels", "put", 17, "amber", "--at", "2025-03-04T10:00")
    assert "tag 17" in ward.good("specimen", "find", "rack 1")
    [worn] = ward.show("amber")["tags"]  # type: ignore[misc]
    assert (worn["since"], worn["until"]) == ("2025-03-04T10:00:00+01:00", None)
    told = ward.good("specimen", "sold", "amber", "--price", 90, "--at", "2025-03-20T10:00")
    assert "polypward labels take 17" in told
    ward.good("labels", "take", 17, "--at", "2025-03-20T11:00")
    text = ward.good("specimen", "show", "amber")
    assert "2025-03-04 10:00  tag 17 put on" in text
    assert "2025-03-20 11:00  tag 17 taken off" in text
    assert "stands rack 1, water lagoon\n" in text
