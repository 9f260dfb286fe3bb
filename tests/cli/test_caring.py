"""Feedings, treatments, water changes and cautions, by command, in a ward in 2024."""

import csv
import json
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from tests.cli.conftest import Desk
from typer.testing import CliRunner, Result

from polypward.batch import Rates, worth_of
from polypward.errors import BadInputError
from polypward_cli.caring import timer
from polypward_cli.caring.cautions import cautions_due, dismiss, show_again
from polypward_cli.main import app

REGISTER = (
    "specimen,place,water_system,arrived_on\n"
    "amber,rack 1,main,2024-03-01\nblue,rack 1,main,2024-03-01\ncoral,rack 2,main,2024-03-01\n"
)


class Care:
    """Runs `polypward care ...` in a ward with amber and blue on rack 1, coral on rack 2."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk

    def __call__(self, *words: object, code: int = 0) -> Result:
        texts = ["care", *map(str, words), "--ward", str(self.desk.path)]
        done = CliRunner().invoke(app, texts)
        assert done.exit_code == code, done.output
        assert "Traceback" not in done.output
        return done

    def json(self, *words: object) -> object:
        return json.loads(self(*words, "--json").stdout)

    def events(self, specimen: str) -> list[tuple[str, dict[str, str]]]:
        with self.desk.ward() as ward:
            return [(event.what, dict(event.detail)) for event in ward.care(specimen)]

    def rows(self) -> dict[str, int]:
        names = ("care", "feedings", "treatments", "inspections", "mixes", "care_ticks")
        with self.desk.ward() as ward:
            return {name: ward.db.table(name).count for name in names}


@pytest.fixture
def care(desk: Desk, tmp_path: Path) -> Care:
    register = tmp_path / "r.csv"
    register.write_text(REGISTER)
    desk.ward().close()
    done = CliRunner().invoke(app, ["intake", str(register), "--ward", str(desk.path)])
    assert done.exit_code == 0
    return Care(desk)


@pytest.fixture
def mash(care: Care) -> Care:
    """The same ward with a mix: 30 g krill at 0.04 and 2 g nori at 0.10, in 12 portions."""
    care("food", "krill", "--unit", "g", "--price", 0.04)
    care("food", "Nori", "--unit", "g", "--price", 0.10)
    care("mix", "mash", "--part", "krill=30", "--part", "nori=2", "--portions", 12,
         "--made-at", "2024-03-10T08:00", "--use-by", "2024-03-20", "--by", "Kim")  # fmt: skip
    return care


def test_a_feeding_of_a_place_stands_in_each_history_with_its_share(mash: Care) -> None:
    """3 portions of 1.40 / 12 are 0.35: 0.175 each; 6 minutes are 3 each."""
    done = mash("feed", "Rack 1", "--mix", "MASH", "--portions", 3, "--response", "took",
                "--response", "blue=spat", "--work-minutes", 6, "--at", "2024-03-11T18:00",
                "--by", "Kim")  # fmt: skip
    assert "feeding:1  rack 1 (2 specimens): mash, cost 0.35" in done.stdout
    assert "9 portions of mash left, use by 2024-03-20 23:59" in done.stdout
    detail = {"feeding": "1", "food": "mash", "amount": "usual", "cost": "0.175", "minutes": "3"}
    assert mash.events("amber") == [("feeding", detail | {"response": "took", "eaten": "yes"})]
    assert mash.events("blue") == [("feeding", detail | {"response": "spat", "eaten": "no"})]
    assert mash.events("coral") == []


def test_a_second_feeding_on_a_day_is_told_who_fed(mash: Care) -> None:
    feed = ("--mix", "mash", "--portions", 1, "--by", "Lee")
    mash("feed", "amber", *feed, "--at", "2024-03-11T09:10")
    before = mash.rows()
    told = mash("feed", "rack 1", *feed, "--at", "2024-03-11T18:00", code=2).stderr
    assert "already fed on 2024-03-11: amber at 09:10 (9 h ago) by Lee, mash" in told
    assert "--again" in told
    assert "--not NAME" in told
    assert mash.rows() == before
    mash("feed", "rack 1", *feed, "--at", "2024-03-11T18:00", "--not", "amber")
    mash("feed", "rack 1", *feed, "--at", "2024-03-11T18:30", "--again")
    mash("feed", "rack 1", *feed, "--at", "2024-03-12T00:10")  # the next day in Berlin
    assert [len(mash.events(name)) for name in ("amber", "blue")] == [3, 3]


def test_a_feeding_noted_as_plain_care_counts_as_fed(care: Care) -> None:
    care("food", "krill", "--unit", "g")
    care("log", "amber", "feeding", "--at", "2024-03-11T09:00", "--by", "Kim")
    told = care("feed", "amber", "--food", "krill", "--at", "2024-03-11T10:00", code=2).stderr
    assert "amber: already fed on 2024-03-11" in told
    assert "by Kim" in told


def test_the_response_may_come_later_and_two_refusals_show_in_the_round(mash: Care) -> None:
    for day in (11, 12):
        mash("feed", "rack 1", "--mix", "mash", "--left-over-out", "--at", f"2024-03-{day}T18:00")
        mash("ate", "amber", "refused", "--at", f"2024-03-{day}T19:00")
        mash("ate", "blue", "took", "--at", f"2024-03-{day}T19:00")
    assert [detail["eaten"] for _, detail in mash.events("amber")] == ["no", "no"]
    assert food_stops(mash.desk, "2024-03-13") == ["amber"]
    assert food_stops(mash.desk, "2024-03-11") == []
    mash("ate", "amber", "part", "--at", "2024-03-12T20:00")  # it took some after all
    assert food_stops(mash.desk, "2024-03-13") == []
    mash("ate", "amber", "spat", "--entry", "feeding:1", "--at", "2024-03-30")  # long after
    assert [detail["response"] for _, detail in mash.events("amber")] == ["spat", "part"]
    told = mash("ate", "coral", "took", "--entry", 1, code=2).stderr
    assert "coral: not among those of feeding:1" in told
    assert "is no feeding" in mash("ate", "amber", "took", "--entry", "mix:1", code=2).stderr
    told = mash("ate", "coral", "took", "--at", "2024-03-12T20:00", code=2).stderr
    assert "coral: no feeding noted in the 24 hours before 2024-03-12 20:00" in told
    assert "response" in mash("ate", "amber", "loved", "--at", "2024-03-12T20:00", code=2).stderr


def food_stops(desk: Desk, day: str) -> list[str]:
    words = ["rounds", "--ward", str(desk.path), "--on", day, "--json"]
    stops = json.loads(CliRunner().invoke(app, words).stdout)["stops"]
    return [stop["specimen"] for stop in stops if stop["kind"] == "food"]


def test_cover_and_left_over_are_ticked(mash: Care) -> None:
    mash("feed", "rack 1", "--mix", "mash", "--cover-minutes", 20, "--at", "2024-03-11T18:00")
    ticks = mash("tick").stdout.splitlines()
    assert [line.split("  ")[-1] for line in ticks] == [
        "cover off, flow on, rack 1 (feeding:1)",
        "left-over food out, rack 1 (feeding:1)",
    ]
    assert all("2024-03-11 18:20" in line for line in ticks)
    words = ["rounds", "--ward", str(mash.desk.path), "--on", "2024-03-11", "--json"]
    stops = json.loads(CliRunner().invoke(app, words).stdout)["stops"]
    due = [stop["why"] for stop in stops if stop["kind"] == "tick"]
    assert due[0] == "cover off, flow on, due 18:20 (tick 1)"
    mash("amend", "feeding:1", "--set", "cover_minutes=30")
    assert "2024-03-11 18:30" in mash("tick").stdout
    assert mash("tick", 1, "--by", "Kim").stdout == "[x] cover off, flow on, rack 1\n"
    assert "nothing to tick" in mash("tick", 1, code=2).stderr
    mash("feed", "coral", "--mix", "mash", "--at", "2024-03-11T18:00")
    mash("tick", "all")
    assert mash("tick").stdout == "Nothing to tick.\n"


def test_a_mix_keeps_recipe_time_and_cost(mash: Care) -> None:
    feed = ("feed", "coral", "--mix", "mash", "--portions", 1)
    late = mash(*feed, "--at", "2024-03-21T00:01", code=2).stderr
    assert '"mash" was to be used by 2024-03-20 23:59: throw it away' in late
    early = mash(*feed, "--at", "2024-03-09", code=2).stderr
    assert '"mash" was first made on 2024-03-10 08:00, after 2024-03-09 12:00' in early
    mash("food", "nori", "--price", 0.25)
    done = mash("mix", "Mash", "--portions", 10, "--made-at", "2024-03-21", "--use-by",
                "2024-03-25T10:00")  # fmt: skip
    # 30 x 0.04 + 2 x 0.25 = 1.70 in ten portions
    assert "mix:2  mash (krill 30, Nori 2): 10 portions, use by 2024-03-25 10:00, 0.17" in (
        done.stdout
    )
    more = mash("feed", "coral", "--mix", "mash", "--portions", 11, "--at", "2024-03-21T13:00")
    assert "1 portions more of mash than were made of that lot" in more.stdout
    [first, second] = mash.json("list", "mixes")  # type: ignore[misc]
    assert (first["portion_cost"], second["portions_left"]) == (pytest.approx(1.4 / 12), -1)


def test_a_missing_price_is_said(care: Care) -> None:
    care("food", "nori", "--unit", "g")
    done = care("mix", "green", "--part", "nori=2", "--portions", 4, "--use-by", "2999-01-01",
                code=2)  # fmt: skip
    assert "at most 400 days" in done.stderr
    done = care("mix", "green", "--part", "nori=2", "--portions", 4, "--made-at", "2024-03-10",
                "--use-by", "2024-03-12")  # fmt: skip
    assert "not available, because the price of nori is not known" in done.stdout
    done = care("feed", "amber", "--mix", "green", "--portions", 1, "--at", "2024-03-11")
    assert "Cost: not available" in done.stdout
    assert "cost" not in care.events("amber")[0][1]


BAD: tuple[tuple[tuple[object, ...], str], ...] = (
    (("feed", "rack 1"), "--mix NAME or --food NAME"),
    (("feed", "rack 1", "--mix", "mash", "--food", "krill"), "one of them"),
    (("feed", "rack 1", "--mix", "mush"), 'Is it "mash"?'),
    (("feed", "rack 1", "--food", "kril"), 'Is it "krill"?'),
    (("feed", "rack 9", "--mix", "mash"), 'neither a specimen nor a place'),
    (("feed", "rack 1", "--mix", "mash", "--portions", -1), "from 0.01 to 10000, got -1"),
    (("feed", "rack 1", "--mix", "mash", "--quantity", 1), "counted in portions"),
    (("feed", "rack 1", "--food", "krill", "--portions", 1), "counted by --quantity"),
    (("feed", "rack 1", "--mix", "mash", "--cover-minutes", 6000), "from 1 to 600 minutes"),
    (("feed", "rack 1", "--mix", "mash", "--cost", "nan"), "cost must be from 0"),
    (("feed", "rack 1", "--mix", "mash", "--amount", "huge"), "light, usual or heavy"),
    (("feed", "rack 1", "--mix", "mash", "--response", "coral=took"), "not among those fed"),
    (("feed", "rack 1", "--mix", "mash", "--response", "yum"), "took, part, refused, spat"),
    (("feed", "rack 1", "--mix", "mash", "--not", "coral"), "cannot be left out"),
    (("feed", "amber", "--mix", "mash", "--not", "amber"), "nobody is left"),
    (("mix", "new", "--portions", 2, "--use-by", "2024-03-12"), "new mix: name its foods"),
    (("mix", "mash", "--portions", 0, "--use-by", "2024-03-12"), "from 0.01 to 10000, got 0"),
    (("mix", "m", "--part", "krill", "--portions", 2, "--use-by", "2024-03-12"), "krill=30"),
    (("mix", "m", "--part", "rock=1", "--portions", 2, "--use-by", "2024-03-12"), "of foods"),
    (("food", "plankton"), "is new: say what it is counted in"),
    (("food", "plankton", "--unit", "mL", "--price", -3), "price must be from 0"),
    (("treat", "amber"), "--agent NAME"),
    (("treat", "amber", "--agent", "A", "--concentration", "x"), "polypward knows no dose"),
    (("treat", "amber", "--agent", "A", "--concentration", "x", "--source", "forum"), "label or"),
    (("treat", "amber", "--agent", "A", "--source", "veterinarian"), "--prescriber"),
    (("treat", "amber", "--agent", "A", "--bath-l", -4), "from 0.05 to 5000 L, got -4"),
    (("treat", "amber", "--agent", "A", "--temperature-c", 78), "from 4 to 40 degC"),
    (("treat", "amber", "--done"), "no treatment goes on"),
    (("treat", "amber", "--agent", "A", "--course", "--bath-minutes", 5), "--course"),
    (("inspect", "amber"), "or --clean"),
    (("inspect", "amber", "--clean", "--found", "snail"), "or --clean"),
    (("inspect", "amber", "--found", "flatwurm"), 'Is it "flatworm"?'),
    (("inspect", "amber", "--clean", "--again-on", "2024-03-01"), "must be after"),
    (("change", "main"), "--litres or --percent"),
    (("change", "mian", "--percent", 10), 'Is it "main"?'),
    (("change", "main", "--percent", 110), "from 0.1 to 100 %"),
)  # fmt: skip


def test_bad_input_is_a_sentence_and_writes_nothing(mash: Care) -> None:
    before = mash.rows()
    for words, told in BAD:
        at = () if words[0] in ("food", "mix") else ("--at", "2024-03-11T18:00")
        made = ("--made-at", "2024-03-11") if words[0] == "mix" else ()
        assert told in mash(*words, *at, *made, code=2).stderr, words
    assert mash.rows() == before


def test_the_future_is_refused(mash: Care) -> None:
    for words in (("feed", "amber", "--mix", "mash"), ("treat", "amber", "--agent", "A"),
                  ("inspect", "amber", "--clean"), ("change", "main", "--percent", 5)):  # fmt: skip
        assert "in the future" in mash(*words, "--at", "2999-01-01", code=2).stderr


def test_nobody_is_cared_for_before_arrival(mash: Care) -> None:
    for words in (("treat", "amber", "--agent", "A"), ("inspect", "amber", "--clean"),
                  ("feed", "rack 1", "--food", "krill")):  # fmt: skip
        told = mash(*words, "--at", "2024-02-01", code=2).stderr
        assert "not yet here on 2024-02-01: amber (2024-03-01)" in told
    told = mash("change", "main", "--percent", 5, "--at", "2024-02-01", code=2).stderr
    assert "nobody stood in main on 2024-02-01" in told


def test_a_dip_asks_again_within_two_days(care: Care) -> None:
    dip = ("treat", "rack 1", "--agent", "A", "--concentration", "as its label says", "--source",
           "label", "--lot", "L1", "--bath-l", 4, "--bath-minutes", 10, "--temperature-c", 25,
           "--disposal", "by local rules")  # fmt: skip
    done = care(*dip, "--at", "2024-03-11T18:00", "--by", "Kim", "--work-minutes", 20)
    assert done.stdout == "treatment:1  rack 1: A, dip 18:00\n"
    before = care.rows()
    told = care(
        "treat", "amber", "coral", "--agent", "B", "--at", "2024-03-12T14:00", code=2
    ).stderr
    assert "amber dipped 20 h ago by Kim (A)" in told
    assert "--again" in told
    assert care.rows() == before
    done = care("treat", "amber", "--agent", "B", "--at", "2024-03-12T14:00", "--again")
    assert (
        "Not noted: concentration, lot, bath volume, minutes, temperature, disposal" in done.stdout
    )
    care("treat", "blue", "--agent", "B", "--at", "2024-03-13T18:01")
    [(what, detail), (_, second)] = care.events("amber")
    assert (what, detail["name"], detail["bath_minutes"], detail["minutes"]) == (
        "dip",
        "A",
        "10",
        "10",
    )
    assert (second["name"], "minutes" in second) == ("B", False)
    assert len(care.json("list", "treatments", "--where", "blue")) == 2  # type: ignore[arg-type]


def test_a_bath_is_ticked_off_with_its_disposal(care: Care) -> None:
    care("treat", "amber", "--agent", "A", "--bath-minutes", 10, "--at", "2024-03-11T18:00")
    ticks = care("tick").stdout
    assert "18:10  bath over, animals out, amber (treatment:1)" in ticks
    assert "18:10  bath water away by local rules, amber (treatment:1)" in ticks
    care("tick", "treatment:1", "--disposal", "collected")
    [row] = care.json("list", "treatments")  # type: ignore[misc]
    assert row["disposal"] == "collected"


def test_a_treatment_goes_on_until_it_is_ended(care: Care) -> None:
    care("treat", "rack 1", "--agent", "M", "--course", "--concentration", "x", "--source",
         "veterinarian", "--prescriber", "Dr V", "--lot", "7", "--at", "2024-03-01")  # fmt: skip
    told = care("treat", "amber", "--agent", "N", "--at", "2024-03-11", code=2).stderr
    assert "amber under treatment with M since 2024-03-01" in told
    assert "began on" in care("treat", "amber", "--done", "--at", "2024-02-20", code=2).stderr
    care("treat", "amber", "--done", "--at", "2024-03-11", "--by", "Lee")
    with care.desk.ward() as ward:
        assert [event.by for event in ward.care("blue")] == ["", "Lee"]
    care("amend", "treatment:1", "--set", "ended_at=")
    assert [detail["status"] for _, detail in care.events("blue")] == ["open"]
    care("amend", "treatment:1", "--set", "ended_at=2024-03-11")
    told_of = [(what, detail.get("status")) for what, detail in care.events("blue")]
    assert told_of == [("treatment", "open"), ("treatment", "done")]
    care("treat", "amber", "--agent", "N", "--course", "--at", "2024-03-14")


def test_a_corrected_entry_corrects_every_history_and_keeps_the_old_value(mash: Care) -> None:
    mash("feed", "rack 1", "--mix", "mash", "--portions", 3, "--response", "took", "--at",
         "2024-03-11T18:00")  # fmt: skip
    told = mash("amend", "feeding:1", "--set", "portions=6", "--set", "at=2024-03-11T19:00")
    assert "portions: 3 -> 6" in told.stdout
    assert "cost: 0.35 -> 0.7" in told.stdout
    assert [detail["cost"] for _, detail in mash.events("blue")] == ["0.35"]
    assert [detail["response"] for _, detail in mash.events("blue")] == ["took"]
    with mash.desk.ward() as ward:
        [kept] = ward.db.query("select * from audit where subject = 'feeding:1'")
        assert json.loads(kept["old"])["portions"] == 3
        assert ward.care("blue")[0].at == datetime(2024, 3, 11, 18, tzinfo=UTC)
    for setting, fault in (
        ("portions=x", "number"),
        ("colour=red", "can be set"),
        ("amount=huge", "one of light"),
        ("at=2999-01-01", "future"),
    ):
        assert fault in mash("amend", "feeding:1", "--set", setting, code=2).stderr
    assert "there is no feeding:7" in mash("amend", "feeding:7", "--undo", code=2).stderr
    assert "names no entry" in mash("amend", "meal:1", "--undo", code=2).stderr
    assert "one of them" in mash("amend", "feeding:1", code=2).stderr


def test_an_entry_taken_back_is_gone_from_the_histories_but_kept(mash: Care) -> None:
    mash("feed", "rack 1", "--mix", "mash", "--portions", 3, "--at", "2024-03-11T18:00")
    mash("log", "amber", "note", "--detail", "feeding=1", "--at", "2024-03-11")  # a word of its own
    mash("amend", "feeding:1", "--undo", "--by", "Lee")
    assert mash.events("amber") == [("note", {"feeding": "1"})]
    assert mash("tick").stdout == "Nothing to tick.\n"
    assert mash.json("list", "feedings") == []
    assert "12 of 12 portions left" in mash("list", "mixes").stdout
    assert "was taken back" in mash("amend", "feeding:1", "--undo", code=2).stderr
    with mash.desk.ward() as ward:
        assert ward.db.table("feedings").count == 1
        [kept] = ward.db.query("select what, new from audit where subject = 'feeding:1'")
        assert kept["what"] == "feeding taken back"
        assert json.loads(kept["new"])["changed_by"] == "Lee"
    mash("feed", "rack 1", "--mix", "mash", "--at", "2024-03-11T18:00")  # the day is free again


def test_a_mix_is_corrected_within_what_is_possible(mash: Care) -> None:
    mash("amend", "mix:1", "--set", "use_by=2024-03-28T12:00")
    for setting, fault in (
        ("use_by=2024-03-01T12:00", "use_by must be after made_at"),
        ("portions=", "portions cannot be empty"),
        ("portions=many", "portions must be a number from 0.01 to 10000"),
    ):
        assert fault in mash("amend", "mix:1", "--set", setting, code=2).stderr
    mash("amend", "mix:1", "--set", "portions=14")  # 1.40 in fourteen
    [lot] = mash.json("list", "mixes")  # type: ignore[misc]
    assert lot["portion_cost"] == pytest.approx(0.10)
    mash("feed", "coral", "--mix", "mash", "--portions", 1, "--at", "2024-03-27T12:00")


def test_a_water_change_stands_in_everyones_history(care: Care) -> None:
    done = care("change", "MAIN", "--percent", 15, "--litres", 60, "--work-minutes", 30, "--at",
                "2024-03-11")  # fmt: skip
    assert done.stdout == "change:1  main: 3 specimens\n"
    told = {"change": "1", "water_system": "main", "litres": "60", "share": "0.15"}
    assert care.events("coral") == [("water-change", told | {"minutes": "10"})]
    assert "main, 3 specimens, 60 L, 15 %" in care("list", "changes").stdout
    care("amend", "change:1", "--set", "share=0.2")
    assert care.events("coral")[0][1]["share"] == "0.2"


def test_lists_go_out_as_csv_with_formulas_guarded(mash: Care, tmp_path: Path) -> None:
    mash("feed", "rack 1", "--mix", "mash", "--portions", 3, "--response", "took", "--note",
         "=1+1", "--at", "2024-03-11T18:00")  # fmt: skip
    out = tmp_path / "f.csv"
    mash("list", "feedings", "--csv", out)
    [row] = csv.DictReader(out.read_text("utf-8").splitlines())
    assert (row["note"], row["specimens"], row["responses"]) == (
        "'=1+1",
        "amber;blue",
        "amber=took;blue=took",
    )
    mash("list", "mixes", "--csv", out)
    [row] = csv.DictReader(out.read_text("utf-8").splitlines())
    assert row["parts"] == "krill=30;Nori=2"
    assert mash("list", "feedings", "--since", "2024-03-12").stdout == "No feedings yet.\n"
    assert "there are feedings" in mash("list", "meals", code=2).stderr
    assert "krill, in g, 0.04 a g" in mash("list", "foods").stdout


def test_cautions_are_shown_once_a_task_and_person(care: Care) -> None:
    words = ("treat", "amber", "--agent", "A", "--again")
    first = care(*words, "--at", "2024-03-11T10:00", "--by", "Kim").stderr
    assert "polypward knows no dose" in first
    assert "common practice; local rules and licensed practice decide" in first
    assert care(*words, "--at", "2024-03-11T11:00", "--by", "kim").stderr == ""
    assert "Palytoxin" in care(*words, "--at", "2024-03-11T12:00", "--by", "Lee").stderr
    listed = care("cautions", "treat").stdout
    assert "kim" in listed
    assert "lee" in listed
    assert "Amino" not in listed
    care("cautions", "treat", "--again")
    assert "Palytoxin" in care(*words, "--at", "2024-03-11T13:00", "--by", "Kim").stderr
    with care.desk.ward() as ward, ward.working("test"):
        assert cautions_due(ward, "mix", by="Kim")
        dismiss(ward, ("supplements",), "mix", by="Kim")
        assert cautions_due(ward, "mix", by="KIM") == ()
        with pytest.raises(BadInputError, match="no caution"):
            dismiss(ward, ("sharks",), "mix")
        assert show_again(ward, "mix") == 1


def test_cautions_can_be_read_without_a_ward(tmp_path: Path) -> None:
    done = CliRunner().invoke(app, ["care", "cautions", "--json", "--ward", str(tmp_path / "none")])
    assert done.exit_code == 0
    assert {one["key"] for one in json.loads(done.stdout)} >= {"palytoxin", "cites", "release"}


def test_a_water_change_is_of_those_who_stood_in_the_water_then(care: Care) -> None:
    """Amber moves to the tub on the 10th; a change of the 5th, noted later, was its change too."""
    words = ("specimen", "move", "amber", "--to", "tub 1", "--water-system", "tub", "--at",
             "2024-03-10T12:00", "--ward", str(care.desk.path))  # fmt: skip
    assert CliRunner().invoke(app, words).exit_code == 0
    assert "3 specimens" in care("change", "main", "--percent", 5, "--at", "2024-03-05").stdout
    assert "2 specimens" in care("change", "main", "--percent", 5, "--at", "2024-03-12").stdout
    assert "tub: 1 specimen\n" in care("change", "TUB", "--percent", 5, "--at", "2024-03-12").stdout
    shares = [
        detail.get("water_system") for what, detail in care.events("amber") if "change" in what
    ]
    assert shares == ["main", "tub"]
    # A water of its own tests, where nobody stands yet, is changed too.
    care("water", "log", "new tank", "temp=25", "--new", "--at", "2024-03-12")
    done = care("change", "new tank", "--litres", 50, "--at", "2024-03-12")
    assert "new tank: 0 specimens" in done.stdout


def test_the_timer_counts_down_and_rings_for_a_minute() -> None:
    """2.5 minutes: told at the full minutes, in the last minute, and each of the last 10 s."""
    start = datetime(2024, 3, 11, 18, tzinfo=UTC)
    clock = [start.timestamp()]
    said: list[str] = []
    rung: list[float] = []

    def sleep(seconds: float) -> None:
        assert seconds > 0
        clock[0] += seconds

    due = datetime.fromtimestamp(start.timestamp() + 150, UTC)
    timer.wait_until(
        due,
        say=said.append,
        ring=lambda _: rung.append(clock[0] - due.timestamp()),
        now=lambda: datetime.fromtimestamp(clock[0], UTC),
        sleep=sleep,
    )
    assert rung == pytest.approx([5 * n for n in range(12)])
    assert said == [
        "3 min to go",
        "2 min to go",
        "less than a minute to go",
        *(f"{left} s" for left in range(10, 0, -1)),
    ]


def test_waiting_ends_with_a_bell(care: Care, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(timer, "RING_EVERY_S", 0.0)
    done = care("treat", "amber", "--agent", "A", "--bath-minutes", 5, "--wait", "--at",
                "2024-03-11T18:00")  # fmt: skip
    assert "\aamber: bath over, animals out" in done.stderr
    assert done.stderr.count("\a") == 12
    # Broken off or started later: the first tick that is open is waited for.
    done = care("tick", "--wait")
    assert "bath water away by local rules, amber (treatment:1)" in done.stdout
    assert "\aamber: bath over, animals out" in done.stderr
    assert "--wait goes alone" in care("tick", 1, "--wait", code=2).stderr
    care("tick", "all")
    done = care("tick", "--wait")
    assert (done.stdout, done.stderr) == ("Nothing to tick.\n", "")


def test_a_broken_off_timer_leaves_its_tick(care: Care, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(timer, "wait_until", broken)
    done = care("treat", "amber", "--agent", "A", "--bath-minutes", 5, "--wait", "--at",
                "2024-03-11T18:00")  # fmt: skip
    assert "Timer stopped. Still open: polypward care tick" in done.stderr
    assert "bath over" in care("tick").stdout


def test_batches_show_the_care_that_went_with_them(care: Care) -> None:
    """Of the three pieces, two were fed twice and took it both times."""
    care("food", "krill", "--unit", "g")
    for day in (11, 12):
        care("feed", "rack 1", "--food", "krill", "--response", "took", "--at", f"2024-03-{day}")
    care("treat", "coral", "--agent", "A", "--at", "2024-03-12")
    words = ["batch", "--group", "kind", "--ward", str(care.desk.path)]
    told = CliRunner().invoke(app, words).stdout
    assert "(4 of 4 watched ones taken)" in told
    assert "1 of 3 dipped" in told
    [group] = json.loads(CliRunner().invoke(app, [*words, "--json"]).stdout)["groups"]
    assert (group["care"]["feedings"], group["care"]["dipped"]) == (4, 1)


def test_worth_reads_the_cost_and_the_work_of_care(care: Care) -> None:
    """A feeding of 22 and 60 minutes for two is 11 and 30 minutes each; a bath of 8 is its own."""
    care("food", "krill", "--unit", "g")
    care("feed", "rack 1", "--food", "krill", "--cost", 22, "--work-minutes", 60, "--at",
         "2024-03-11")  # fmt: skip
    care("treat", "amber", "--agent", "A", "--cost", 8, "--bath-minutes", 240, "--work-minutes", 5,
         "--at", "2024-03-12")  # fmt: skip
    with care.desk.ward() as ward:
        events = ward.care("amber")
        [one] = [one for one in ward.specimens() if one.specimen == "amber"]
    rates = Rates(table_day=0.60, hour=24.0)
    rescue = worth_of([one], events, rates=rates, today=date(2024, 4, 11)).rescue
    assert (rescue.food, rescue.treatments, rescue.minutes) == (11.0, 8.0, 35.0)
