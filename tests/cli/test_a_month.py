"""A month of a ward played through by commands only, with a hand calculation beside it.

Each week is a function that types what a person would type. What the ward says at the end of the
month is held against figures worked out by hand in the remarks; where a figure moves, the remark
says which line made it so.
"""

import csv
import json
import shutil
from collections import Counter
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from tests.cli.fakes import FakeEyes, photo
from typer.testing import CliRunner

from polypward.life import DEATHS
from polypward_cli import scoring
from polypward_cli.main import app
from polypward_cli.ward import Ward

# March 2025, all of it before the change to summer time on the 30th but the last visit.
INVOICE = (
    "batch;supplier;kind;count;cost;arrived_on;place;water_system;permit\n"
    "B1;Ondriva;lobed brain;4;60;2025-03-03;rack 1;lagoon;P-77\n"
    "B1;Ondriva;cup;2;45,50;2025-03-03;rack 1;lagoon;P-77\n"
    "B2;Halmer;moon;2;80;2025-03-03;rack 2;lagoon;P-80\n"
)


class Month:
    """The ward of the month: types commands, and knows the ids that intake made by kind."""

    def __init__(self, path: Path) -> None:
        self.path = path / "ward"
        self.photos = path / "photos"
        self.elsewhere = path
        self.ids: dict[str, list[str]] = {}

    def type(self, *words: object, exit_code: int = 0) -> str:
        done = CliRunner().invoke(app, [*(str(word) for word in words), "--ward", str(self.path)])
        assert done.exit_code == exit_code, (words, done.output)
        return done.stdout + done.stderr

    def asked(self, *words: object) -> Any:
        return json.loads(self.type(*words, "--json"))

    def visit(self, day: int, covers: dict[str, float], *, exif: str = "10:00:00+01:00") -> None:
        for name, cover in covers.items():
            at = f"2025-03-{day:02d}T{exif}"
            photo(self.photos / name / f"IMG_{day:02d}.jpg", at, cover=cover)
        self.type("score", self.photos, "--workers", 1)

    def __getitem__(self, name: str) -> str:
        """The id of "brain 1" and so on, in the order of ids."""
        kind, _, number = name.rpartition(" ")
        return self.ids[kind][int(number) - 1]


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Month]:
    ward = Month(tmp_path_factory.mktemp("month"))
    Ward.open(ward.path, create=True, time_zone="Europe/Berlin").close()
    with pytest.MonkeyPatch.context() as patch:
        eyes = FakeEyes()
        patch.setattr(scoring, "RealEyes", lambda *_, **__: eyes)
        for week in (unpacking, first_week, second_week, third_week, last_week):
            week(ward)
        yield ward


def unpacking(ward: Month) -> None:
    """3 March: eight pieces, two boxes; the first photos."""
    register = ward.elsewhere / "invoice.csv"
    register.write_text(INVOICE, encoding="cp1252")
    told = ward.type("intake", register)
    assert "8 new" in told
    # 4 x 60 + 2 x 45.50 = 331.00; 2 x 80 = 160.00.
    assert "Batch B1: 6 pieces, cost 331.00 in all" in told
    assert "Batch B2: 2 pieces, cost 160.00 in all" in told
    for kind, word in (("lobed brain", "brain"), ("cup", "cup"), ("moon", "moon")):
        rows = ward.asked("specimen", "list", "--kind", kind)
        ward.ids[word] = [row["specimen"] for row in rows]
    for box, temp, ph, hours in (("1", 21.5, 7.4, 31), ("2", 18.5, 7.0, 31)):
        ward.type("unpack", "B1", "--box", box, "--temp-c", temp, "--ph", ph,
                  "--transit-hours", hours, "--at", f"2025-03-03T09:0{box}")  # fmt: skip
    # What nobody knew at the desk comes later: by the list with its ids, and by command.
    filled = ward.elsewhere / "filled.csv"
    ward.type("specimen", "list", "--csv", filled)
    with filled.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    for row in rows:
        row["as_is_price"] = {"lobed brain": "30", "cup": "20", "moon": "0"}[row["kind"]]
        row["box"] = "2" if row["kind"] == "cup" else "1"
    with filled.open("w", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    assert "0 new, 8 changed" in ward.type("intake", filled)
    ward.type("specimen", "change", ward["cup 2"], "--unpacked-as", "poor")
    every = [*ward.ids["brain"], *ward.ids["cup"], *ward.ids["moon"]]
    ward.visit(3, dict.fromkeys(every, 0.80))


def first_week(ward: Month) -> None:
    """Brain 1 goes to the hospital; brain 2 is split two to one."""
    ward.type("specimen", "move", ward["brain 1"], "--to", "hospital", "--water-system", "tub",
              "--light", "dim", "--at", "2025-03-05T18:00")  # fmt: skip
    ward.type("specimen", "split", ward["brain 2"], "--into", "BR-A", "--into", "BR-B",
              "--share", 2, "--share", 1, "--at", "2025-03-08T11:00")  # fmt: skip
    ward.visit(10, {ward["brain 1"]: 0.82, "BR-A": 0.80, "BR-B": 0.80, ward["cup 1"]: 0.84})


def second_week(ward: Month) -> None:
    """Cup 2 is lost. A photo lies in the wrong folder, a clock was an hour ahead: both mended."""
    ward.type("specimen", "lost", ward["cup 2"], "--cause", "slough", "--at", "2025-03-12T08:00")
    # A typing error: moon 1, not moon 2, was moved; taken back and noted again.
    ward.type("specimen", "move", ward["moon 2"], "--to", "rack 3", "--at", "2025-03-13T09:00")
    ward.type("specimen", "undo", ward["moon 2"])
    ward.type("specimen", "move", ward["moon 1"], "--to", "rack 3", "--at", "2025-03-13T09:00")
    ward.visit(17, {ward["brain 1"]: 0.86, ward["cup 1"]: 0.88, "BR-A": 0.40})
    # The 0.40 of BR-A was cup 1, seen by another; it is taken out, and what it raised with it.
    assert "sharp-loss" in json.dumps(ward.asked("specimen", "list"))
    ward.type("assign", "BR-A/IMG_17.jpg", "--drop")
    assert "sharp-loss" not in json.dumps(ward.asked("specimen", "list"))
    ward.type("assign", f"{ward['cup 1']}/IMG_17.jpg", "--shift", "-01:00")


def third_week(ward: Month) -> None:
    """Brain 1 is sold, comes back, is sold again for less; moon 2 is discarded after two looks."""
    ward.type("specimen", "sold", ward["brain 1"], "--price", 150, "--at", "2025-03-20T15:00")
    ward.type("specimen", "back", ward["brain 1"], "--refund", 150, "--at", "2025-03-22T10:00")
    ward.type("specimen", "sold", ward["brain 1"], "--price", 120, "--at", "2025-03-24T16:00")
    look = ("care", "log", ward["moon 2"], "look", "--detail", "state=dead", "--at")
    ward.type(*look, "2025-03-20T09:00")
    told = ward.type("specimen", "discarded", ward["moon 2"], "--at", "2025-03-20T10:00",
                     exit_code=2)  # fmt: skip
    assert "Look twice" in told
    ward.type(*look, "2025-03-21T09:30")
    ward.type("specimen", "discarded", ward["moon 2"], "--at", "2025-03-21T10:00")


def last_week(ward: Month) -> None:
    """BR-B leaves for another ward; cup 1 and BR-A are photographed once more; a photo waits."""
    ward.type("specimen", "move", "BR-B", "--out", "another ward", "--at", "2025-03-25T12:00")
    photo(ward.photos / "rack 1" / "IMG_31.jpg", "2025-03-31T10:20:00+02:00", cover=0.83)
    ward.visit(31, {ward["cup 1"]: 0.92, "BR-A": 0.84}, exif="10:00:00+02:00")


def test_who_is_where_in_what_state(month: Month) -> None:
    rows = {row["specimen"]: row for row in month.asked("specimen", "list", "--state", "all")}
    # Eight came, two pieces were cut: ten names. Brain 2 lives on in its pieces. Held: brain 3,
    # brain 4, cup 1, moon 1, BR-A.
    assert Counter(row["state"] for row in rows.values()) == {
        "held": 5,
        "sold": 1,
        "lost": 1,
        "discarded": 1,
        "moved-out": 1,
        "split": 1,
    }
    assert rows[month["brain 1"]]["left_on"] == "2025-03-24"
    assert rows[month["cup 2"]]["left_on"] == "2025-03-12"
    assert rows[month["moon 2"]]["left_on"] == "2025-03-21"
    assert rows["BR-B"]["left_on"] == "2025-03-25"
    where = {name: (row["place"], row["water_system"], row["light"]) for name, row in rows.items()}
    assert where[month["brain 1"]] == ("hospital", "tub", "dim")
    assert where[month["moon 1"]] == ("rack 3", "lagoon", "")
    assert where[month["moon 2"]] == ("rack 2", "lagoon", "")
    assert where["BR-A"] == ("rack 1", "lagoon", "")
    assert {rows[name]["permit"] for name in ("BR-A", "BR-B")} == {"P-77"}
    assert rows[month["cup 2"]]["unpacked_as"] == "poor"


def test_the_money_that_pieces_carry_is_that_of_the_invoices(month: Month) -> None:
    rows = month.asked("specimen", "list", "--state", "all")
    cost = {row["specimen"]: row["cost"] for row in rows}
    # 60 in 2:1 is 40 and 20; nothing stays on brain 2.
    assert (cost["BR-A"], cost["BR-B"], cost[month["brain 2"]]) == (40.0, 20.0, 0.0)
    sums = Counter()  # type: ignore[var-annotated]
    for row in rows:
        sums[row["batch"]] += row["cost"]
    assert sums == {"B1": 331.0, "B2": 160.0}
    # As it was: 30 in 2:1.
    as_is = {row["specimen"]: row["as_is_price"] for row in rows}
    assert (as_is["BR-A"], as_is["BR-B"], as_is[month["moon 1"]]) == (20.0, 10.0, 0.0)


def test_what_sales_left(month: Month) -> None:
    with Ward.open(month.path) as ward:
        events = ward.care(month["brain 1"])
    paid = sum(float(event.detail["price"]) for event in events if event.what == "sold")
    back = sum(float(event.detail["refund"]) for event in events if event.what == "returned")
    # 150 - 150 + 120.
    assert paid - back == 120.0


def test_days_and_ends_for_survival(month: Month) -> None:
    """Days from 3 March to the day of leaving; died or censored, as a person would count them."""
    rows = month.asked("specimen", "list", "--state", "all")
    ends = {
        row["specimen"]: (
            (date.fromisoformat(row["left_on"]) - date.fromisoformat(row["arrived_on"])).days,
            row["state"] in DEATHS,
        )
        for row in rows
        if row["left_on"] and row["state"] != "split"
    }
    assert ends == {
        month["cup 2"]: (9, True),  # 3 to 12 March
        month["moon 2"]: (18, True),  # 3 to 21 March
        month["brain 1"]: (21, False),  # sold for good on the 24th
        "BR-B": (22, False),  # moved out on the 25th
    }


def test_the_figures_of_the_photos(month: Month) -> None:
    with (month.path / "scores.csv").open(newline="") as stream:
        scores = {row["specimen"]: row for row in csv.DictReader(stream)}
    # Areas are 1000 x cover. Cup 1: 0.80, 0.84, 0.88, 0.92 on the 3rd, 10th, 17th and 31st:
    # +15 %. Theil-Sen is the median of the slopes of all six pairs, a week: 0.04 (3-10, 3-17,
    # 10-17), 0.12 / 4 = 0.03, 0.08 / 3 = 0.0267 and 0.04 / 2 = 0.02, so (0.03 + 0.04) / 2.
    cup = scores[month["cup 1"]]
    assert (cup["visits"], cup["live_mm2"]) == ("4", "920.0")
    assert float(cup["live_change_pct"]) == pytest.approx(15.0, abs=0.005)
    assert float(cup["cover_change_per_week"]) == pytest.approx(0.035, abs=1e-4)
    # BR-A: the photo of the 17th is out; 0.80 to 0.84 on two days is +5 %.
    assert (scores["BR-A"]["visits"], scores["BR-A"]["flags"].count("sharp-loss")) == ("2", 0)
    assert float(scores["BR-A"]["live_change_pct"]) == pytest.approx(5.0, abs=0.005)
    # Brain 1: 0.80, 0.82, 0.86 until it was sold; no flag stands on one that left.
    brain = scores[month["brain 1"]]
    assert (brain["visits"], brain["last_seen"], brain["flags"]) == ("3", "2025-03-17", "")
    assert float(brain["live_change_pct"]) == pytest.approx(7.5, abs=0.005)
    # 8 + 4 + 3 + 2 photos of specimens and one that waits, all kept; one dropped, one unnamed.
    with (month.path / "readings.csv").open(newline="") as stream:
        readings = list(csv.DictReader(stream))
    assert len(readings) == 18
    assert Counter(row["reasons"] for row in readings if row["status"] == "rejected") == {
        "dropped": 1,
        "no-specimen": 1,
    }
    shifted = next(row for row in readings if row["photo"] == f"{month['cup 1']}/IMG_17.jpg")
    assert shifted["taken_at"] == "2025-03-17T09:00:00+01:00"


def test_the_round_of_the_first_of_april(month: Month) -> None:
    told = month.type("rounds", "--on", "2025-04-01", "--json")
    # Brain 3, brain 4 and moon 1 were seen on 3 March and are due; those that left are not.
    for name in ("brain 3", "brain 4", "moon 1"):
        assert month[name] in told
    for gone in (month["brain 1"], month["brain 2"], month["cup 2"], month["moon 2"], "BR-B"):
        assert gone not in told


def test_the_photo_that_waits_and_who_was_not_seen(month: Month) -> None:
    [waits] = month.asked("assign")
    assert (waits["photo"], waits["near"]) == ("rack 1/IMG_31.jpg", "rack 1")
    # Rack 1 holds brain 3, brain 4, cup 1 and BR-A; the last two have a photo of that day.
    unseen, seen = sorted([month["brain 3"], month["brain 4"]]), sorted([month["cup 1"], "BR-A"])
    assert [one["specimen"] for one in waits["candidates"]] == [*unseen, *seen]
    found = month.asked("specimen", "find", "rack 1")
    assert (found["since"], found["seen"]) == ("2025-03-31", 2)
    assert sorted(row["specimen"] for row in found["missing"]) == unseen


def test_every_entry_has_its_time_and_what_was_undone_is_kept(month: Month) -> None:
    with Ward.open(month.path) as ward:
        audits = Counter(row["what"] for row in ward.db.query("select what from audit"))
        assert audits["entry taken back"] == 1
        assert audits["person said"] == 2
        assert ward.db.execute("select count(*) from care where at = ''").fetchone() == (0,)
    [brain] = [
        row for row in month.asked("specimen", "list") if row["specimen"] == month["brain 3"]
    ]
    assert (brain["box"], brain["as_is_price"]) == ("1", 30.0)
    sheets = json.loads(month.type("unpack", "--json"))
    assert [(one["box"], one["bag_temp_c"], one["bag_ph"]) for one in sheets] == [
        ("1", 21.5, 7.4),
        ("2", 18.5, 7.0),
    ]


def test_the_month_comes_back_from_its_backup(month: Month) -> None:
    assert "All is well." in month.type("ward", "check")
    archive = month.elsewhere / "march.zip"
    month.type("ward", "backup", "--to", archive)
    again = Month(month.elsewhere)
    again.path = month.elsewhere / "again"
    again.type("ward", "restore", archive)
    asked = ("specimen", "list", "--state", "all")
    assert again.asked(*asked) == month.asked(*asked)
    for table in ("readings.csv", "scores.csv"):
        assert (again.path / table).read_bytes() == (month.path / table).read_bytes()
    shutil.rmtree(again.path)
