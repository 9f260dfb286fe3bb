"""How places stand, who shared the water, and what of it shows in the round; days in 2024."""

from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from tests.cli.conftest import Desk
from typer.testing import CliRunner

from polypward.errors import BadInputError
from polypward.records import CareEvent
from polypward_cli.caring.due import care_due
from polypward_cli.caring.inspecting import add_sign, inspect, signs
from polypward_cli.caring.places import note_newcomers, place_views, set_standing, water_mates
from polypward_cli.caring.scope import scope_of
from polypward_cli.caring.stays import stays_of_ward
from polypward_cli.main import app
from polypward_cli.ward import Ward

BERLIN = ZoneInfo("Europe/Berlin")
REGISTER = """\
specimen,place,water_system,arrived_on
old,rack 1,main,2024-01-10
mate,rack 2,main,2024-02-01
q1,tub,quarantine,2024-03-01
q2,tub,quarantine,2024-03-01
"""


def at(day: str) -> datetime:
    return datetime.fromisoformat(f"{day}T12:00").replace(tzinfo=BERLIN)


@pytest.fixture
def registered(desk: Desk, tmp_path: Path) -> Desk:
    register = tmp_path / "r.csv"
    register.write_text(REGISTER)
    desk.ward().close()
    done = CliRunner().invoke(app, ["intake", str(register), "--ward", str(desk.path)])
    assert done.exit_code == 0
    return desk


@pytest.fixture
def ward(registered: Desk) -> Iterator[Ward]:
    with registered.ward() as opened, opened.working("test"):
        yield opened


def move(ward: Ward, name: str, to: str, water: str, day: str) -> None:
    detail = {"to": to, "water_system": water}
    ward.add_care(CareEvent(specimen=name, at=at(day), what="move", detail=detail))


def look(ward: Ward, where: str, day: str, *found: str) -> None:
    inspect(ward, scope_of(ward, [where]), at=at(day), found=found, clean=not found)


def view(ward: Ward, place: str, on: str) -> dict[str, object]:
    views = place_views(ward, on=date.fromisoformat(on))
    return next(one.as_json() for one in views if one.place == place)


def status(ward: Ward, name: str) -> list[str]:
    return [event.detail["status"] for event in ward.care(name) if event.what == "quarantine"]


def test_nobody_said_is_not_clean(ward: Ward) -> None:
    assert view(ward, "tub", "2024-03-02")["state"] == ""


def test_the_way_through_quarantine(ward: Ward) -> None:
    set_standing(ward, "TUB", "quarantine", at=at("2024-03-01"), days=14, by="Kim")
    told = view(ward, "tub", "2024-03-05")
    assert (told["state"], told["earliest_exit"]) == ("quarantine", "2024-03-15")
    look(ward, "tub", "2024-03-08")
    with pytest.raises(BadInputError, match=r"1 day to go.*1 of 2 clean") as refused:
        set_standing(ward, "tub", "clean", at=at("2024-03-14"))
    assert "Nothing was noted" in str(refused.value)
    assert view(ward, "tub", "2024-03-14")["state"] == "quarantine"
    look(ward, "tub", "2024-03-15")
    assert [one.why for one in care_due(ward, on=date(2024, 3, 15))] == [
        "may leave quarantine since 2024-03-15: say how it stands"
    ]
    set_standing(ward, "tub", "clean", at=at("2024-03-15"))
    assert status(ward, "q1") == ["started", "done"]
    assert view(ward, "tub", "2024-03-16")["hindrances"] == []
    rows = [dict(row) for row in ward.db.query("select state, days, by from place_standings")]
    assert rows == [
        {"state": "quarantine", "days": 14, "by": "Kim"},
        {"state": "clean", "days": None, "by": ""},
    ]


def test_the_day_of_a_standing_is_corrected_by_saying_it_again(ward: Ward) -> None:
    set_standing(ward, "tub", "quarantine", at=at("2024-03-06"), days=10)
    set_standing(ward, "tub", "quarantine", at=at("2024-03-02"), days=10)
    assert view(ward, "tub", "2024-03-07")["earliest_exit"] == "2024-03-12"
    assert ward.db.table("place_standings").count == 2


def test_an_early_end_needs_a_reason_that_is_kept(ward: Ward) -> None:
    set_standing(ward, "tub", "quarantine", at=at("2024-03-01"))
    assert view(ward, "tub", "2024-03-01")["days"] == 21  # quarantine_days of ward.toml
    set_standing(ward, "tub", "watch", at=at("2024-03-03"), reason="heater failed")
    assert ward.care("q1")[-1].detail["reason"] == "heater failed"
    [last] = ward.db.query("select reason from place_standings order by id desc limit 1")
    assert last["reason"] == "heater failed"


def test_a_finding_on_one_specimen_counts_for_its_place(ward: Ward) -> None:
    set_standing(ward, "tub", "quarantine", at=at("2024-03-01"), days=7)
    for day in ("2024-03-04", "2024-03-06"):
        look(ward, "tub", day)
    look(ward, "q2", "2024-03-07", "flatworm")
    assert view(ward, "tub", "2024-03-09")["hindrances"] == [
        "0 of 2 clean inspections on different days since flatworm was found"
    ]
    look(ward, "q1", "2024-03-10")  # a clean look at one of two says nothing of the place
    assert "0 of 2" in str(view(ward, "tub", "2024-03-11")["hindrances"])


def test_a_newcomer_starts_the_days_anew_and_is_in_quarantine_too(ward: Ward) -> None:
    set_standing(ward, "tub", "quarantine", at=at("2024-03-01"), days=10)
    move(ward, "old", "tub", "quarantine", "2024-03-06")
    told = view(ward, "tub", "2024-03-07")
    assert (told["earliest_exit"], told["restarted_by"]) == ("2024-03-16", ["old"])
    assert status(ward, "old") == []
    assert note_newcomers(ward) == 1
    assert status(ward, "old") == ["started"]
    assert note_newcomers(ward) == 0
    # A move between two places of the same water brings nothing new into it.
    move(ward, "q1", "tub 2", "quarantine", "2024-03-08")
    assert view(ward, "tub", "2024-03-09")["earliest_exit"] == "2024-03-16"


def test_who_leaves_too_early_shows_in_the_round(ward: Ward) -> None:
    set_standing(ward, "tub", "quarantine", at=at("2024-03-01"), days=10)
    move(ward, "q1", "rack 1", "main", "2024-03-05")
    [due] = care_due(ward, on=date(2024, 3, 6))
    assert (due.specimen, due.place) == ("q1", "rack 1")
    assert due.why.startswith("left tub before its quarantine was over")
    done = CareEvent(
        specimen="q1", at=at("2024-03-07"), what="quarantine", detail={"status": "done"}
    )
    ward.add_care(done)
    assert care_due(ward, on=date(2024, 3, 8)) == []


def test_a_pest_asks_how_the_place_stands_until_somebody_says(ward: Ward) -> None:
    look(ward, "rack 1", "2024-03-05", "snail")
    [due] = care_due(ward, on=date(2024, 3, 5))
    assert (due.kind, due.place) == ("quarantine", "rack 1")
    assert due.why.startswith("snail found, but nobody said how the place stands")
    set_standing(ward, "rack 1", "watch", at=at("2024-03-05"))
    assert care_due(ward, on=date(2024, 3, 5)) == []


def test_looking_again_is_due_until_it_was_done(ward: Ward) -> None:
    on = date(2024, 3, 12)
    scope = scope_of(ward, ["q1"])
    inspect(ward, scope, at=at("2024-03-05"), found=["egg mass"], again_on=on, treated="scraped")
    set_standing(ward, "tub", "watch", at=at("2024-03-05"))
    assert care_due(ward, on=date(2024, 3, 11)) == []
    [due] = care_due(ward, on=date(2024, 3, 13))
    assert (due.kind, due.specimen, due.place, due.due_on) == ("inspect", "q1", "tub", on)
    look(ward, "tub", "2024-03-13")  # the whole place was looked at, q1 with it
    assert care_due(ward, on=date(2024, 3, 13)) == []


def test_who_shared_the_water_since_arrival(ward: Ward) -> None:
    """old stood in main from 10 January; mate came in February; q1 joined them on 5 March."""
    move(ward, "q1", "rack 1", "main", "2024-03-05")
    ward.add_care(CareEvent(specimen="mate", at=at("2024-03-10"), what="sold"))
    told = [(o.specimen, o.water, o.since, o.until) for o in water_mates(ward, ("q1",))]
    assert told == [
        ("mate", "main", date(2024, 3, 5), date(2024, 3, 10)),
        ("old", "main", date(2024, 3, 5), None),
        ("q2", "quarantine", date(2024, 3, 1), date(2024, 3, 5)),
    ]


def test_a_piece_shared_the_water_of_its_parent(ward: Ward) -> None:
    move(ward, "q1", "rack 1", "main", "2024-03-05")
    detail = {"children": "q1a q1b"}
    ward.add_care(CareEvent(specimen="q1", at=at("2024-03-08"), what="split", detail=detail))
    spans = [(s.place, s.since, s.until) for s in stays_of_ward(ward) if s.specimen == "q1a"]
    assert spans == [
        ("tub", date(2024, 3, 1), date(2024, 3, 5)),
        ("rack 1", date(2024, 3, 5), date(2024, 3, 8)),
        ("rack 1", date(2024, 3, 8), None),
    ]
    assert "q2" in [one.specimen for one in water_mates(ward, ("q1a",))]


def test_one_that_is_split_and_goes_on_is_no_newcomer(ward: Ward) -> None:
    set_standing(ward, "tub", "quarantine", at=at("2024-03-02"), days=10)
    detail = {"children": "q1 q1a"}
    ward.add_care(CareEvent(specimen="q1", at=at("2024-03-08"), what="split", detail=detail))
    spans = [(s.place, s.since, s.until) for s in stays_of_ward(ward) if s.specimen == "q1"]
    assert spans == [("tub", date(2024, 3, 1), None)]
    stands = view(ward, "tub", "2024-03-09")
    assert (stands["restarted_by"], stands["earliest_exit"]) == ([], "2024-03-12")


def test_the_ward_adds_to_the_list_of_signs(ward: Ward) -> None:
    assert signs(ward)[:2] == ("flatworm", "snail")
    assert add_sign(ward, " Red  Bug ") == "red bug"
    assert add_sign(ward, "red bug") == "red bug"
    assert signs(ward).count("red bug") == 1
    look(ward, "tub", "2024-03-05", "Red bug")
    for bad in ("", "a,b", "x" * 41):
        with pytest.raises(BadInputError, match="1 to 40 letters"):
            add_sign(ward, bad)


@pytest.mark.parametrize(
    ("place", "state", "days", "day", "told"),
    [
        ("rack 9", "watch", None, "2024-03-05", "no place of this ward"),
        ("tub", "dirty", None, "2024-03-05", "clean, watch or quarantine"),
        ("tub", "watch", 5, "2024-03-05", "those of a quarantine"),
        ("tub", "quarantine", 0, "2024-03-05", "from 1 to 365, got 0"),
        ("tub", "watch", None, "2024-02-05", "is before that"),
    ],
)
def test_bad_input_changes_nothing(
    ward: Ward, place: str, state: str, days: int | None, day: str, told: str
) -> None:
    set_standing(ward, "tub", "clean", at=at("2024-03-01"))
    with pytest.raises(BadInputError, match=told):
        set_standing(ward, place, state, at=at(day), days=days)
    assert ward.db.table("place_standings").count == 1


def test_a_place_and_a_specimen_of_one_name_are_not_guessed(ward: Ward) -> None:
    move(ward, "old", "mate", "main", "2024-03-05")
    with pytest.raises(BadInputError, match="a place and a specimen"):
        scope_of(ward, ["mate"])
    ward.add_care(CareEvent(specimen="q1", at=at("2024-03-10"), what="sold"))
    with pytest.raises(BadInputError, match="no longer here: sold 2024-03-10"):
        scope_of(ward, ["q1"])
    assert scope_of(ward, ["TUB", "old"]).words == "tub, old (2 specimens)"


def test_by_command(registered: Desk) -> None:
    def run(*words: str, code: int = 0) -> str:
        done = CliRunner().invoke(app, ["care", *words, "--ward", str(registered.path)])
        assert done.exit_code == code, done.output
        return done.stdout + done.stderr

    told = run("inspect", "tub", "--found", "flatworm", "--at", "2024-03-05", "--by", "Kim")
    assert "inspection:1  tub (2 specimens): flatworm" in told
    assert 'tub: nobody said how it stands; to change it: polypward care place "tub"' in told
    told = run("place", "tub", "--state", "quarantine", "--at", "2024-03-05")
    assert "tub: quarantine since 2024-03-05, 2 specimens" in told
    early = run("place", "tub", "--state", "clean", "--at", "2024-03-06", code=2)
    assert "the set days end on 2024-03-26 (20 days to go)" in early
    assert "rack 1: not set" in run("place")
    assert "name the place" in run("place", "--state", "clean", code=2)
    assert "no place" in run("place", "attic", code=2)
    assert run("place", "--sign", "red bug") == "on the list: red bug\n"
    assert "red bug" in run("list", "signs")
    assert "found flatworm" in run("list", "inspections", "--where", "q1")
    assert "tub: quarantine" in run("list", "places")
