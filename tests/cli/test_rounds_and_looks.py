"""The round as a person walks it, the daily look, and what a person says of a course."""

import json
from pathlib import Path

import pytest
from pypdf import PdfReader
from tests.cli.conftest import Desk
from tests.cli.fakes import photo
from typer.testing import CliRunner, Result

from polypward_cli.main import app

ON = "2026-05-26"


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture
def walk(desk: Desk, tmp_path: Path) -> Desk:
    """Four specimens in two waters, photographed for four weeks; `sick` recedes fast."""
    register = tmp_path / "r.csv"
    register.write_text(
        "specimen,place,water_system,kind,arrived_on\n"
        "ann,rack 1,main,button,2026-01-05\nbea,rack 1,main,button,2026-01-05\n"
        "cid,rack 2,main,button,2026-01-05\nsick,tub,apart,cup,2026-05-20\n"
    )
    run("intake", register, "--ward", desk.path)
    for week in range(4):
        for name in ("ann", "bea", "cid", "sick"):
            day = f"2026-05-{4 + 7 * week:02d}T10:00:00+02:00"
            cover = 0.9 - 0.3 * (name == "sick" and week == 3)
            photo(desk.photos / name / f"IMG_{week}.jpg", day, cover=cover)
    desk.score()
    return desk


def round_of(desk: Desk, on: str = ON) -> dict[str, object]:
    return json.loads(run("rounds", "--ward", desk.path, "--on", on, "--json").stdout)


def test_quarantine_is_last_and_hands_are_washed_before_it(walk: Desk) -> None:
    text = run("rounds", "--ward", walk.path, "--on", ON).stdout
    # `sick` came twelve days before the last run, so its tub counts as quarantine without a word.
    assert text.index("rack 1 (main, clean)") < text.index("rack 2 (main, clean)")
    assert text.index("-- wash hands, change tools and card --\n") < text.index(
        "\ntub (apart, quarantine)"
    )
    assert "Urgent, today\n  [ ] sick (tub)  see to it" in text
    assert "tub is quarantine: wash hands, change tools and card after it" in text
    legs = [(leg["place"], leg["standing"], leg["wash"]) for leg in round_of(walk)["walk"]]
    assert legs == [
        ("rack 1", "clean", False),
        ("rack 2", "clean", False),
        ("tub", "quarantine", True),
    ]


def test_a_day_takes_so_many_photos_and_says_what_it_put_off(walk: Desk) -> None:
    late = "2026-06-03"
    assert round_of(walk, late)["photos"] == 4
    toml = walk.path / "ward.toml"
    toml.write_text(toml.read_text().replace("# photos_per_day = 40", "photos_per_day = 2"))
    data = round_of(walk, late)
    assert (data["photos"], len(data["put_off"])) == (2, 2)
    text = run("rounds", "--ward", walk.path, "--on", late).stdout
    assert "2 photos beyond the 2 of a day" in text
    for wrong in ("0", '"many"'):
        toml.write_text(toml.read_text().replace("per_day = 2", f"per_day = {wrong}"))
        done = run("rounds", "--ward", walk.path)
        assert (done.exit_code, "from 1 to 100000" in done.stderr) == (2, True)
        toml.write_text(toml.read_text().replace(f"per_day = {wrong}", "per_day = 2"))


def test_it_prints_on_one_page(walk: Desk, tmp_path: Path) -> None:
    page = tmp_path / "round.pdf"
    assert run("rounds", "--ward", walk.path, "--on", ON, "--out", page).exit_code == 0
    pages = PdfReader(page).pages
    assert len(pages) == 1
    text = pages[0].extract_text()
    assert "rack 2 (main, clean)" in text
    assert "see to it" in text
    assert "[ ]" not in text  # boxes to tick are drawn
    with walk.ward() as ward, ward.db.atomic():
        for number in range(900):
            ward.db.execute(
                "insert into specimens (specimen, place, first_named, arrived_on) "
                "values (?, ?, '', '2026-05-01')",
                [f"new{number}", f"shelf {number}"],
            )
    done = run("rounds", "--ward", walk.path, "--on", ON, "--out", page)
    assert len(PdfReader(page).pages) == 1
    assert "lines found no room on it" in done.stdout
    assert "lines more: on the screen" in PdfReader(page).pages[0].extract_text()


def test_a_page_under_another_name_than_a_pdf_s_is_refused(walk: Desk, tmp_path: Path) -> None:
    page = tmp_path / "round.html"
    done = run("rounds", "--ward", walk.path, "--on", ON, "--out", page)
    assert (done.exit_code, "ends in .pdf" in done.stderr) == (2, True)
    assert not page.exists()


def test_a_look_that_finds_one_odd_raises_look_again_until_answered(walk: Desk) -> None:
    at = ("--at", "2026-05-26T08:10", "--ward", walk.path)
    calm = run("look", "RACK 2", "--by", "Kim", *at)
    assert calm.stdout == "rack 2: all 1 as yesterday.\n"
    legs = {leg["place"]: leg["looked"] for leg in round_of(walk)["walk"]}
    assert legs == {"rack 1": "", "rack 2": "08:10 by Kim", "tub": ""}
    odd = run("look", "rack 1", "--odd", "ann=gaping", *at)
    assert "ann gaping; the other 1 as yesterday" in odd.stdout
    data = round_of(walk)
    assert ("look again", "ann") in [(s["kind"], s["specimen"]) for s in data["stops"]]
    (rack,) = [leg for leg in data["walk"] if leg["place"] == "rack 1"]
    assert rack["odd"] == {"ann": "seen gaping on 2026-05-26, without a camera"}
    well = run("look", "rack 1", "--well", "ann", "--at", "2026-05-27", "--ward", walk.path)
    assert "ann well again" in well.stdout
    assert "ann" not in {stop["specimen"] for stop in round_of(walk)["stops"]}
    # Taking that look back leaves what was odd before.
    assert "taken back" in run("look", "--undo", "--ward", walk.path).stdout
    assert "ann" in {stop["specimen"] for stop in round_of(walk)["stops"]}
    assert "taken back" in run("look", "--undo", "--ward", walk.path).stdout
    assert "ann" not in {stop["specimen"] for stop in round_of(walk)["stops"]}
    with walk.ward() as ward:
        told = [row["subject"] for row in ward.db.query("select * from audit where what like ?",
                                                        ["look taken back"])]  # fmt: skip
        assert told == ["ann", "ann"]


@pytest.mark.parametrize(
    ("words", "fault"),
    [
        (("look", "rack 9"), 'Is it "rack'),
        (("look", "rack 1", "--odd", "ann"), "write SPECIMEN=STATE"),
        (("look", "rack 1", "--odd", "ann=purple"), "closed, slime, gaping"),
        (("look", "rack 1", "--odd", "cid=slime"), "no specimen at rack 1"),
        (("course", "acknowledge", "ann", "sadness"), "there are paling"),
        (("course", "baseline", "ann", "--reason", " "), "needs a reason"),
        (("course", "reference", "brain", "--of", "ann"), "there are: button, cup"),
        (("course", "reference", "button", "--of", "sick"), 'is of kind "cup"'),
        (("course", "show", "nobody"), "is no specimen"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_kept(
    walk: Desk, words: tuple[str, ...], fault: str
) -> None:
    with walk.ward() as ward:
        before = ward.db.table("care").count, ward.db.table("place_looks").count
    done = run(*words, "--ward", walk.path)
    assert (done.exit_code, fault in done.stderr) == (2, True), done.stderr
    with walk.ward() as ward:
        assert before == (ward.db.table("care").count, ward.db.table("place_looks").count)


def test_a_new_baseline_and_its_reason_are_kept(walk: Desk) -> None:
    text = run("course", "show", "sick", "--ward", walk.path).stdout
    assert "sharp-loss: live cover fell from 0.90 to 0.60 in 7 days" in text
    assert "raised 2026-05-25, could have been raised from 2026-05-11; stands" in text
    assert "A person decides." in text
    done = run("course", "baseline", "sick", "--reason", "dead half sawn off", "--by", "Kim",
               "--at", "2026-05-20", "--ward", walk.path)  # fmt: skip
    assert (done.exit_code, "2026-05-20" in done.stdout) == (0, True)
    assert "sick" not in {stop["specimen"] for stop in round_of(walk)["stops"]}
    with walk.ward() as ward:
        (event,) = [one for one in ward.care("sick") if one.what == "baseline"]
    assert (event.detail["reason"], event.by) == ("dead half sawn off", "Kim")


def test_acknowledging_says_what_still_stands(walk: Desk) -> None:
    done = run("course", "acknowledge", "sick", "sharp-loss", "--at", "2026-05-27",
               "--ward", walk.path)  # fmt: skip
    assert "sharp-loss acknowledged; still standing: " in done.stdout
    done = run("course", "acknowledge", "sick", "--at", "2026-05-27", "--ward", walk.path)
    assert "every flag acknowledged; " in done.stdout
    assert "recession" not in done.stdout


def test_the_colour_of_a_kind_comes_from_its_healthy_specimens(walk: Desk) -> None:
    done = run("course", "reference", "BUTTON", "--of", "ann", "--of", "bea", "--ward", walk.path)
    assert (done.exit_code, "the reference is L" in done.stdout) == (0, True), done.stderr
    shown = run("course", "show", "cid", "--ward", walk.path).stdout
    assert "Colour reference: the reference named for button" in shown
    # Named again, the one before is in the audit.
    run("course", "reference", "button", "--of", "ann", "--reason", "bea sold", "--ward", walk.path)
    with walk.ward() as ward:
        (told,) = ward.db.query("select * from audit where what = 'kind colour changed'")
        (row,) = ward.db.query("select * from kind_colours")
    assert json.loads(told["old"])["specimens"] == '["ann", "bea"]'
    assert (row["reason"], row["specimens"]) == ("bea sold", '["ann"]')


def test_repeatability_is_not_available_before_enough_repeats(walk: Desk) -> None:
    text = run("course", "repeat", "--ward", walk.path).stdout
    assert "live cover" in text
    assert "not available: 0 repeats on one day so far, 20 are needed" in text
    rows = json.loads(run("course", "repeat", "--json", "--ward", walk.path).stdout)
    assert {row["measure"] for row in rows} >= {"live cover", "overgrown", "live area", "colour"}


def test_edges_without_cut_outs_say_why(walk: Desk) -> None:
    text = run("course", "edge", "ann", "--ward", walk.path).stdout
    assert "not available" in text
