"""A month of a ward played through by commands only, with a hand calculation beside it.

From the opened boxes to the last sale: unpacking, claim, tags, photos (two of them real pictures,
the others stand-ins whose measures are told), moves, splits, quarantine, food, water, mending, and
what it was worth.

Each week is a function that types what a person would type. What the ward says at the end of the
month is held against figures worked out by hand in the remarks; where a figure moves, the remark
says which line made it so.
"""

import csv
import json
import shutil
from collections import Counter
from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from tests.cli.fakes import FakeEyes, photo
from typer.testing import CliRunner

from polypward.life import DEATHS
from polypward_cli import scoring
from polypward_cli.eyes import Opened, RealEyes, Seen
from polypward_cli.main import app
from polypward_cli.ward import Ward
from polypward_vision import read_photo

ROOT = Path(__file__).resolve().parents[2]
# Two sample photos, as if taken on 3 March: one measured, one without a card.
MEASURED = ROOT / "sample_images" / "LAN-06" / "2025-09-08.jpg"
NO_CARD = ROOT / "sample_images" / "LAN-04" / "2025-09-15_close.jpg"
BERLIN = ZoneInfo("Europe/Berlin")
ARRIVED = date(2025, 3, 3)
# The figures below are in the settings' money: a day on the table and an hour of work.
SETTINGS = """
[[supplier]]
name = "Ondriva"
window_hours = 12
since = "delivery"
proof = ["box label", "out of bag"]
credit_dead_percent = 100
credit_poor_percent = 40
"""

# March 2025, all of it before the change to summer time on the 30th but the last visit.
INVOICE = (
    "batch;supplier;kind;count;cost;arrived_on;place;water_system;permit\n"
    "B1;Ondriva;lobed brain;4;60;2025-03-03;rack 1;lagoon;P-77\n"
    "B1;Ondriva;cup;2;45,50;2025-03-03;rack 1;lagoon;P-77\n"
    "B2;Halmer;moon;2;80;2025-03-03;rack 2;lagoon;P-80\n"
)


class BothEyes(FakeEyes):
    """Opens real pictures with real eyes, and stand-ins as the fakes do."""

    def open(self, path: Path) -> Opened:
        if path.read_bytes()[:2] == b"\xff\xd8":
            return RealEyes().open(path)
        return super().open(path)

    def measure(self, opened: Opened, **known: Any) -> Seen:  # type: ignore[override]
        if isinstance(opened.photo, dict):
            return super().measure(opened, **known)
        return RealEyes().measure(opened, **known)


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

    def visit(self, day: int, covers: dict[str, float], *, exif: str = "10:00:00+01:00") -> str:
        for name, cover in covers.items():
            at = f"2025-03-{day:02d}T{exif}"
            photo(self.photos / name / f"IMG_{day:02d}.jpg", at, cover=cover)
        manifest = self.elsewhere / "manifest.csv"
        return self.type("score", self.photos, "--workers", 1, "--manifest", manifest)

    def days(self) -> int:
        """Days from arrival to today: what is held still stands on the table."""
        return (datetime.now(BERLIN).date() - ARRIVED).days

    def __getitem__(self, name: str) -> str:
        """The id of "brain 1" and so on, in the order of ids."""
        kind, _, number = name.rpartition(" ")
        return self.ids[kind][int(number) - 1]


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Month]:
    ward = Month(tmp_path_factory.mktemp("month"))
    Ward.open(ward.path, create=True, time_zone="Europe/Berlin").close()
    settings = ward.path / "ward.toml"
    text = settings.read_text().replace("# table_day = 0.60", "table_day = 0.60")
    text = text.replace("# hour = 24.0", "hour = 24.0").replace('owner = ""', 'owner = "Kim"')
    settings.write_text(text + SETTINGS)
    with pytest.MonkeyPatch.context() as patch:
        eyes = BothEyes()
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
    # Tags 1 to 8 in the order of the register; the films are printed first.
    ward.type("labels", "--out", ward.elsewhere / "tags.pdf", "--count", 8)
    every = [*ward.ids["brain"], *ward.ids["cup"], *ward.ids["moon"]]
    for number, name in enumerate(every, start=1):
        ward.type("labels", "put", number, name, "--at", "2025-03-03T09:30")
    # Cup 2 and brain 1 get real pictures; brain 1's has no card, and says no time of its own here.
    real = {f"{ward['cup 2']}/IMG_03.jpg": MEASURED, f"{ward['brain 1']}/arrival.jpg": NO_CARD}
    with (ward.elsewhere / "manifest.csv").open("w", newline="") as stream:
        lines = csv.writer(stream)
        lines.writerow(("photo", "taken_at"))
        for name, source in real.items():
            (ward.photos / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(source, ward.photos / name)
            lines.writerow((name, "2025-03-03T10:00:00+01:00"))
    told = ward.visit(3, {name: 0.80 for name in every if name != ward["cup 2"]})
    assert "9 photos: 8 accepted, 1 rejected" in told
    claim_what_came_poor(ward)
    ward.type("care", "place", "rack 1", "--state", "quarantine", "--days", 14,
              "--at", "2025-03-03T18:00")  # fmt: skip
    ward.type("batch", "B1", "--cost", "freight=44", "--cost", "permits=6,50")


def claim_what_came_poor(ward: Month) -> None:
    """Brain 1 and cup 2 came poor; the window is 12 h from 8 o'clock; the sheet goes at 15."""
    poor = ("--poor", ward["brain 1"], "--poor", ward["cup 2"], "--at", "2025-03-03T11:00")
    ward.type("claim", "B1", "--delivered", "2025-03-03T08:00", "--photos", ward.photos, *poor)
    told = ward.type("claim", "B1", "--proof", "box label", "--photo",
                     f"{ward['brain 1']}/arrival.jpg")  # fmt: skip
    # 40 % of 60 and of 45.50 are 24.00 and 18.20.
    assert "Asked: 42.20; credited: 0.00." in told
    # Brain 1's other photo of that day, a stand-in, was measured: it is out of its bag.
    assert "missing proof" not in told
    told = ward.type("claim", "B1", "--sent", "--at", "2025-03-03T15:00")
    assert told.startswith("Sent 2025-03-03T15:00+01:00, within the window.")


def first_week(ward: Month) -> None:
    """A snail is found; brain 1 goes to the hospital; brain 2 is split two to one, brain 4 too."""
    ward.type("care", "food", "krill", "--unit", "g", "--price", 0.1)
    # 60 g x 0.10 and 12 minutes for the six of rack 1: 1.00 and 2 minutes each.
    ward.type("care", "feed", "rack 1", "--food", "krill", "--quantity", 60, "--work-minutes", 12,
              "--at", "2025-03-04T19:00")  # fmt: skip
    # 12 minutes for the same six: 2 each.
    told = ward.type("care", "inspect", "rack 1", "--found", "snail", "--treated", "picked off",
                     "--again-on", "2025-03-12", "--work-minutes", 12, "--at",
                     "2025-03-05T09:00")  # fmt: skip
    assert f"  {ward['moon 1']} (rack 2), lagoon: from 2025-03-03, still" in told
    ward.type("care", "water", "volume", "lagoon", "--measured", "400 L")
    ward.type("care", "water", "log", "lagoon", "dkh=7.0", "--at", "2025-03-05T10:00")
    dose = ("care", "dose", "log", "lagoon", "sodium bicarbonate", "12 g", "--at")
    ward.type(*dose, "2025-03-05T11:00")
    assert "Kim" in ward.type(*dose, "2025-03-05T12:00", "--by", "Ana", exit_code=2)
    ward.type("specimen", "move", ward["brain 1"], "--to", "hospital", "--water-system", "tub",
              "--light", "dim", "--at", "2025-03-05T18:00")  # fmt: skip
    ward.type("specimen", "split", ward["brain 2"], "--into", "BR-A", "--into", "BR-B",
              "--share", 2, "--share", 1, "--at", "2025-03-08T11:00")  # fmt: skip
    ward.type("care", "treat", ward["brain 1"], "--agent", "the dip", "--cost", 2.5,
              "--work-minutes", 10, "--at", "2025-03-06T10:00")  # fmt: skip
    ward.type("specimen", "cut", ward["brain 3"], "--why", "dead edge", "--at", "2025-03-09T10:00")
    ward.type("specimen", "split", ward["brain 4"], "--into", "BR-C", "--into", "BR-D",
              "--at", "2025-03-09T11:00")  # fmt: skip
    # 35 g and 7 minutes for brain 3, BR-A to BR-D, cup 1 and cup 2: 0.50 and 1 minute each.
    ward.type("care", "feed", "rack 1", "--food", "krill", "--quantity", 35, "--work-minutes", 7,
              "--at", "2025-03-10T19:00")  # fmt: skip
    ward.type("claim", "B1", "--credited", "30,00", "--at", "2025-03-10T20:00")
    # A photo in no folder of a specimen: its tag names it, and tag 8 was on moon 2 then.
    photo(ward.photos / "IMG_TAG_10.jpg", "2025-03-10T10:30:00+01:00", cover=0.8, tags=["T8"])
    ward.visit(10, {ward["brain 1"]: 0.82, "BR-A": 0.80, "BR-B": 0.80, ward["cup 1"]: 0.84})


def second_week(ward: Month) -> None:
    """Cup 2 is lost. A photo lies in the wrong folder, a clock was an hour ahead: both mended."""
    ward.type("specimen", "join", "BR-D", "--to", "BR-C", "--at", "2025-03-11T10:00")
    ward.type("care", "inspect", "rack 1", "--clean", "--at", "2025-03-12T07:00")
    early = ward.type("care", "place", "rack 1", "--state", "clean", "--at", "2025-03-13T09:00",
                      exit_code=2)  # fmt: skip
    assert "the set days end on 2025-03-17 (4 days to go)" in early
    ward.type("specimen", "lost", ward["cup 2"], "--cause", "slough", "--at", "2025-03-12T08:00")
    # A typing error: moon 1, not moon 2, was moved; taken back and noted again.
    ward.type("specimen", "move", ward["moon 2"], "--to", "rack 3", "--at", "2025-03-13T09:00")
    ward.type("specimen", "undo", ward["moon 2"])
    ward.type("specimen", "move", ward["moon 1"], "--to", "rack 3", "--at", "2025-03-13T09:00")
    # The tag of moon 2 goes to moon 1; put on cup 1 first by mistake, and taken back.
    ward.type("labels", "put", 8, ward["cup 1"], "--at", "2025-03-14T09:00")
    ward.type("labels", "undo", 8)
    ward.type("labels", "put", 8, ward["moon 1"], "--at", "2025-03-14T09:00")
    photo(ward.photos / "IMG_TAG_17.jpg", "2025-03-17T10:30:00+01:00", cover=0.8, tags=["T8"])
    # 7.00 for the seven in the lagoon: brain 3, BR-A, BR-B, BR-C, cup 1 and both moons.
    ward.type("care", "change", "lagoon", "--litres", 40, "--cost", 7, "--at", "2025-03-14T18:00")
    ward.visit(17, {ward["brain 1"]: 0.86, ward["cup 1"]: 0.88, "BR-A": 0.40})
    # The 0.40 of BR-A was cup 1, seen by another; it is taken out, and what it raised with it.
    assert "sharp-loss" in json.dumps(ward.asked("specimen", "list"))
    ward.type("assign", "BR-A/IMG_17.jpg", "--drop")
    assert "sharp-loss" not in json.dumps(ward.asked("specimen", "list"))
    ward.type("assign", f"{ward['cup 1']}/IMG_17.jpg", "--shift", "-01:00")
    ward.type("care", "inspect", "rack 1", "--clean", "--at", "2025-03-19T09:00")
    told = ward.type("care", "place", "rack 1", "--state", "clean", "--at", "2025-03-20T09:00")
    assert "rack 1: clean since 2025-03-20" in told


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
    # Somebody thinks it is brain 3, and takes that back: it waits again.
    ward.type("assign", "rack 1/IMG_31.jpg", "--to", ward["brain 3"])
    ward.type("assign", "rack 1/IMG_31.jpg", "--undo")


def test_who_is_where_in_what_state(month: Month) -> None:
    rows = {row["specimen"]: row for row in month.asked("specimen", "list", "--state", "all")}
    # Eight came, four pieces were cut: twelve names. Brain 2 and brain 4 live on in their pieces.
    # Held: brain 3, BR-A, BR-C, cup 1, moon 1.
    assert Counter(row["state"] for row in rows.values()) == {
        "held": 5,
        "sold": 1,
        "lost": 1,
        "discarded": 1,
        "moved-out": 1,
        "split": 2,
        "joined": 1,
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
    pieces = ("BR-A", "BR-B", "BR-C", "BR-D")
    assert {rows[name]["permit"] for name in pieces} == {"P-77"}
    assert rows[month["cup 2"]]["unpacked_as"] == "poor"


def test_the_money_that_pieces_carry_is_that_of_the_invoices(month: Month) -> None:
    rows = month.asked("specimen", "list", "--state", "all")
    cost = {row["specimen"]: row["cost"] for row in rows}
    # 60 in 2:1 is 40 and 20; nothing stays on brain 2.
    assert (cost["BR-A"], cost["BR-B"], cost[month["brain 2"]]) == (40.0, 20.0, 0.0)
    # 60 in two halves of 30, joined again.
    assert (cost["BR-C"], cost["BR-D"], cost[month["brain 4"]]) == (60.0, 0.0, 0.0)
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
        "BR-D": (8, False),  # joined to BR-C on the 11th
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
    # 8 + 4 + 3 + 2 photos of specimens, one of brain 1 without a card, two named by their tag, and
    # one that waits, all kept; one dropped, one unnamed.
    with (month.path / "readings.csv").open(newline="") as stream:
        readings = list(csv.DictReader(stream))
    assert len(readings) == 21
    assert Counter(row["reasons"] for row in readings if row["status"] == "rejected") == {
        "dropped": 1,
        "no-specimen": 1,
        "no-card": 1,
    }
    by_photo = {row["photo"]: row for row in readings}
    # Tag 8 was on moon 2 until the 14th, then on moon 1.
    whose = [by_photo[f"IMG_TAG_{day}.jpg"]["specimen"] for day in (10, 17)]
    assert whose == [month["moon 2"], month["moon 1"]]
    # The real picture is read as `read_photo` reads it alone.
    alone = read_photo(str(MEASURED)).reading
    real = by_photo[f"{month['cup 2']}/IMG_03.jpg"]
    assert float(real["live_mm2"]) == pytest.approx(alone.live_mm2, abs=0.05)
    assert float(real["live_cover"]) == pytest.approx(alone.live_cover, abs=5e-4)
    assert real["taken_at"] == "2025-03-03T10:00:00+01:00"
    shifted = next(row for row in readings if row["photo"] == f"{month['cup 1']}/IMG_17.jpg")
    assert shifted["taken_at"] == "2025-03-17T09:00:00+01:00"


def test_the_round_of_the_first_of_april(month: Month) -> None:
    told = month.type("rounds", "--on", "2025-04-01", "--json")
    # Brain 3 was seen on 3, moon 1 on 17 March, BR-C never: due. Those that left are not.
    for name in (month["brain 3"], month["moon 1"], "BR-C"):
        assert name in told
    gone = [month[name] for name in ("brain 1", "brain 2", "brain 4", "cup 2", "moon 2")]
    for name in (*gone, "BR-B", "BR-D"):
        assert name not in told


def test_the_photo_that_waits_and_who_was_not_seen(month: Month) -> None:
    [waits] = month.asked("assign")
    assert (waits["photo"], waits["near"]) == ("rack 1/IMG_31.jpg", "rack 1")
    # Rack 1 holds brain 3, BR-C, cup 1 and BR-A; the last two have a photo of that day.
    unseen, seen = sorted([month["brain 3"], "BR-C"]), sorted([month["cup 1"], "BR-A"])
    assert [one["specimen"] for one in waits["candidates"]] == [*unseen, *seen]
    found = month.asked("specimen", "find", "rack 1")
    assert (found["since"], found["seen"]) == ("2025-03-31", 2)
    assert sorted(row["specimen"] for row in found["missing"]) == unseen


def test_every_entry_has_its_time_and_what_was_undone_is_kept(month: Month) -> None:
    with Ward.open(month.path) as ward:
        audits = Counter(row["what"] for row in ward.db.query("select what from audit"))
        assert audits["entry taken back"] == 1
        assert audits["person said"] == 3
        assert (audits["person took back"], audits["tag taken back"]) == (1, 1)
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


def test_what_was_claimed_and_credited(month: Month) -> None:
    # Asked 24.00 + 18.20, credited 30.00.
    told = month.type("claim")
    assert "B1 (Ondriva): answered; 2 pieces, 42.20 claimed, 30.00 credited" in told
    assert "Claims: 42.20 claimed, 30.00 credited, 12.20 still open." in told
    sheet = month.path / "claims" / "B1" / "sheet-1"
    # The real pictures are in it, and their originals beside it byte for byte.
    kept = {path.read_bytes() for path in (sheet / "originals").glob("photo-*")}
    assert {MEASURED.read_bytes(), NO_CARD.read_bytes()} <= kept
    html = (sheet / "sheet.html").read_text()
    assert "not measured: No colour card was found" in html
    assert html.count("<img ") == 3  # the box label stands for the whole batch too
    # Wilson, 2 of 6: centre (2 + z^2/2)/(6 + z^2) = 0.3984, half width 0.3017.
    assert (
        "2 of 6 poor (33\N{NO-BREAK SPACE}%, 95\N{NO-BREAK SPACE}% interval 10\N{EN DASH}70" in html
    )


def test_quarantine_has_its_history(month: Month) -> None:
    [place] = month.asked("care", "place", "rack 1")
    assert (place["state"], place["since"]) == ("clean", "2025-03-20")
    found = [row["found"] for row in month.asked("care", "list", "inspections")]
    assert sorted(map(len, found)) == [0, 0, 1]
    with Ward.open(month.path) as ward:
        states = [row["state"] for row in ward.db.query("select state from place_standings")]
    assert states == ["quarantine", "clean"]


def test_the_water_and_what_it_was_given(month: Month) -> None:
    table = month.elsewhere / "tests.csv"
    month.type("care", "water", "export", table)
    with table.open(newline="") as stream:
        [test] = csv.DictReader(stream)
    told = (test["system"], test["what"], float(test["value"]), test["unit"])
    assert told == ("lagoon", "alkalinity", 7.0, "dKH")
    # 12 g of sodium bicarbonate, once: the second one of that day was refused.
    [dose] = month.asked("care", "dose", "--days", 3650)
    assert (dose["what"], dose["amount"], dose["by"]) == ("sodium bicarbonate", 12.0, "Kim")


def test_what_each_rescue_was_worth(month: Month) -> None:
    """Worth = received - as it was - (days x 0.60 + food + treatments + minutes x 24 / 60)."""
    told = {one["specimen"]: one for one in month.asked("batch", "B1")["worths"]}
    # Brain 1: 150 - 150 + 120 = 120 received, 30 as it was; 19 days (3 to 20, 22 to 24 March) are
    # 11.40, food 1.00, the dip 2.50, 2 + 2 + 10 minutes are 5.60: 20.50.
    brain = told[month["brain 1"]]
    assert (brain["received"], brain["as_is"]) == (120.0, 30.0)
    assert brain["cost"] == pytest.approx(20.50)
    assert brain["worth"] == pytest.approx(69.50)
    # Cup 2: nothing received, 20 as it was; 9 days 5.40, food 1.50, 2 + 2 + 1 minutes 2.00: 8.90.
    cup = told[month["cup 2"]]
    assert cup["cost"] == pytest.approx(8.90)
    assert cup["worth"] == pytest.approx(-28.90)
    # Moon 2: 18 days 10.80, its seventh of the water 1.00.
    moon = {one["specimen"]: one for one in month.asked("batch", "B2")["worths"]}[month["moon 2"]]
    assert moon["worth"] == pytest.approx(-11.80)
    # Pieces have one purse: brain 2 stood 5 days, BR-A since then, BR-B 17 days.
    pieces = told[month["brain 2"]]
    assert not pieces["ended"]
    assert pieces["table_days"] == month.days() + 17
    # Brain 4: what BR-D cost went to BR-C when they were joined; that is no care.
    assert told[month["brain 4"]]["treatments"] == pytest.approx(1.0)
    # 69.50 - 28.90 - 11.80.
    assert "Worth of recovery: 28.80, of 3 of 3 that have left" in month.type("batch")


def test_what_the_batches_came_to(month: Month) -> None:
    """Result = sales + credits - landed - care; what is held stands on the table until today."""
    results = {one["batch"]: one for one in month.asked("batch")["results"]}
    one, two, days = results["B1"], results["B2"], month.days()
    # Pieces 331.00, freight 44.00, permits 6.50.
    assert (one["sales"], one["credits"], one["landed"]) == (120.0, 30.0, 381.5)
    # Days: brain 1 19, cup 2 9; brain 3 and cup 1 each all; brain 2 and its pieces all and 17;
    # brain 4 6, BR-C all but 6, BR-D 2. Food 6.00 + 3.50, dip 2.50, water 5 x 1.00, and
    # 12 + 12 + 10 + 7 minutes at 0.40.
    assert one["care"] == pytest.approx(0.60 * (4 * days + 47) + 9.50 + 7.50 + 16.40)
    assert one["result"] == pytest.approx(120 + 30 - 381.50 - one["care"])
    # Moon 1 all days, moon 2 18; water 2 x 1.00.
    assert two["care"] == pytest.approx(0.60 * (days + 18) + 2.00)
    assert two["result"] == pytest.approx(-160 - two["care"])
    assert (one["on_the_tables"], two["on_the_tables"]) == (4, 1)
    # Brain 1 was credited for, and sold later.
    assert one["credited_and_sold"] == [month["brain 1"]]
    assert "Check the supplier's terms." in month.type("batch", "B1")


def test_survival_of_the_batches(month: Month) -> None:
    told = month.type("batch")
    # Kaplan-Meier: one of six dies on day 9, 5/6; one of two on day 18, 1/2.
    assert "batch B1: 6 came, 4 on the tables, 1 sold, 1 died" in told
    assert "1 of 6 died (17 %, 95 % interval 3\N{EN DASH}56 %)" in told
    assert "after 7 days 100 %, after 28 days 83 %" in told
    assert "batch B2: 2 came, 1 on the tables, 0 sold, 1 died" in told
    assert "1 of 2 died (50 %, 95 % interval 9\N{EN DASH}91 %)" in told
    assert "median 21 (21 to 21)" in told
    assert "no test, because 2 deaths in all, fewer than 5" in told


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
