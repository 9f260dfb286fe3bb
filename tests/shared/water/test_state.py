from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from polypward.errors import BadInputError
from polypward.water import (
    PARAMETERS,
    State,
    Target,
    WaterTest,
    measured_volume,
    parameter,
    volume_of,
    water_due,
    water_state,
)
from polypward.water.gate import Dose

ZONE = ZoneInfo("Europe/Berlin")
NOON = datetime(2026, 6, 1, 10, tzinfo=UTC)
TARGETS = {key: parameter(key).target for key in PARAMETERS}


def sample(key: str, value: float, days: float = 0.0, **more: object) -> WaterTest:
    at = NOON + timedelta(days=days)
    return WaterTest(system="main", parameter=key, value=value, at=at, **more)  # type: ignore[arg-type]


def states(
    *tests: WaterTest, targets: dict[str, Target] | None = None, days: int = 0
) -> dict[str, State]:
    on = NOON.date() + timedelta(days=days)
    found = water_state(tests, targets=TARGETS if targets is None else targets, on=on, zone=ZONE)
    return {state.parameter: state for state in found}


def test_not_tested_is_not_fine() -> None:
    found = states(sample("calcium", 430))
    assert list(found) == list(PARAMETERS)
    assert found["calcium"].verdict == "in target"
    assert {state.verdict for key, state in found.items() if key != "calcium"} == {"not tested"}


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(7.4, "under target"), (7.5, "in target"), (9.5, "in target"), (9.6, "over target")],
)
def test_out_of_range(value: float, verdict: str) -> None:
    state = states(sample("alkalinity", value))["alkalinity"]
    assert state.verdict == verdict
    assert state.out == (verdict != "in target")


def test_an_old_test_says_nothing_of_today_but_an_old_fault_stays_on_the_list() -> None:
    days = int(parameter("calcium").good_days.value)
    assert states(sample("calcium", 430), days=days)["calcium"].verdict == "in target"
    assert states(sample("calcium", 430), days=days + 1)["calcium"].verdict == "too old"
    late = states(sample("calcium", 350), days=days + 1)["calcium"]
    assert (late.verdict, late.age_days, late.out) == ("under target", days + 1, True)


def test_without_a_target_nothing_is_judged() -> None:
    assert states(sample("calcium", 900), targets={})["calcium"].verdict == "no target"


def test_nothing_left_of_a_nutrient_is_never_praised_and_twice_is_flagged() -> None:
    once = sample("nitrate", 0.0, below=True)
    state = states(once)["nitrate"]
    assert (state.verdict, state.remarks) == ("undetectable", ())
    twice = states(once, sample("nitrate", 0.2, 3, below=True), days=3)["nitrate"]
    assert "undetectable twice in a row" in twice.remarks[0]
    assert twice.out
    between = sample("nitrate", 2.0, 1)
    broken = states(once, between, sample("nitrate", 0.2, 3, below=True), days=3)
    assert broken["nitrate"].remarks == ()
    # No trace of ammonia is what one wants.
    assert states(sample("ammonia", 0.0, below=True))["ammonia"].verdict == "in target"


def test_a_jump_asks_for_a_second_test_and_a_repeat_settles_it() -> None:
    before, jump = sample("alkalinity", 8.4), sample("alkalinity", 6.0, 1)
    told = states(before, jump, days=1)["alkalinity"].remarks
    assert "test once more before any dose" in told[0]
    assert "2.4 dKH away" in told[0]
    same = sample("alkalinity", 6.1, 1.05)
    assert states(before, jump, same, days=1)["alkalinity"].remarks == ()
    # Half a degree a day for ten days, and the jump besides, is no surprise.
    assert states(before, sample("alkalinity", 2.5, 10), days=10)["alkalinity"].remarks == ()


def test_an_expired_kit_is_named() -> None:
    test = sample("calcium", 430, kit_expires=date(2026, 5, 31))
    late = states(test)["calcium"]
    assert (late.verdict, late.expired, late.out) == ("in target", True, True)
    assert late.notes == ("the kit of calcium had expired on 2026-05-31: test with a fresh one",)
    fresh = states(sample("calcium", 430, kit_expires=date(2026, 6, 1)))["calcium"]
    assert (fresh.expired, fresh.out) == (False, False)


def test_none_of_a_nutrient_is_off_a_target_that_wants_some() -> None:
    some = {"nitrate": Target(parameter="nitrate", low=1.0, high=10.0)}
    assert states(sample("nitrate", 0.0, below=True), targets=some)["nitrate"].off_target
    assert not states(sample("nitrate", 0.0, below=True))["nitrate"].off_target


def test_the_trend_is_the_slope_of_what_was_sample() -> None:
    falling = [sample("alkalinity", 9.0 - 0.1 * day, day) for day in (0, 2, 3, 7, 9)]
    trend = states(*falling, days=9)["alkalinity"].trend
    assert trend is not None
    assert trend.per_week == pytest.approx(-0.7)
    assert (trend.n, trend.days) == (5, 9)
    assert trend.p == pytest.approx(2 / 120)  # one of 5! orders, on either side
    assert states(*falling[:2], days=9)["alkalinity"].trend is None
    hidden = sample("nitrate", 0.2, 9, below=True)
    some = [sample("nitrate", 2.0, day) for day in (0, 3)]
    assert states(*some, hidden, days=9)["nitrate"].trend is None


def test_tests_of_later_days_are_not_known_yet() -> None:
    assert states(sample("calcium", 430, 1))["calcium"].verdict == "not tested"


def test_the_real_volume_by_hand() -> None:
    """1.2 x 0.6 x 0.45 m is 324 L; less 20, plus 25 x 3.785411784 = 398.635, rounded down."""
    volume = volume_of(inside="120x60x45 cm", rock="20 L", sump="25 US gal")
    assert volume.litres == 398
    assert "rock 20 L" in volume.how
    assert volume_of(inside="100 x 50 x 40cm", rock="none", sump="none").litres == 200
    assert measured_volume("9.87 L").litres == 9.8
    assert measured_volume("110 imp gal").litres == 500


@pytest.mark.parametrize(
    ("inside", "rock", "sump", "told"),
    [
        ("120x60x45", "none", "none", "no unit of length"),
        ("120x60cm", "none", "none", "length x width x depth"),
        ("0x60x45cm", "none", "none", "over 0"),
        ("120x60x45cm", "unknown", "none", "the rock is not known"),
        ("120x60x45cm", "none", "unknown", "the sump is not known"),
        ("120x60x45cm", "400 L", "none", "no water in 324 L"),
        ("120x60x45cm", "-5 L", "none", "not under 0"),
        ("120x60x45cm", "5 gal", "none", "US gal or imp gal"),
        ("120x60x45mm", "none", "none", "from 1 to"),
    ],
)
def test_volumes_that_are_not_known_or_cannot_be(
    inside: str, rock: str, sump: str, told: str
) -> None:
    with pytest.raises(BadInputError, match=told):
        volume_of(inside=inside, rock=rock, sump=sump)


def due(on: int, *, latest: dict[tuple[str, str], datetime], **more: object) -> list[str]:
    found = water_due(
        ["main"],
        latest=latest,
        on=NOON.date() + timedelta(days=on),
        zone=ZONE,
        **{"wanted": {"main": ["alkalinity", "calcium"]}, **more},  # type: ignore[arg-type]
    )
    return [f"{one.due_on - NOON.date()} {one.why}".replace(", 0:00:00", "") for one in found]


def test_what_is_due() -> None:
    fresh = {("main", "alkalinity"): NOON, ("main", "calcium"): NOON}
    assert due(0, latest=fresh) == []
    assert due(0, latest={}) == ["0:00:00 not tested: alkalinity, calcium"]
    assert due(0, latest={}, wanted={}) == ["0:00:00 this water was never tested"]
    assert due(4, latest=fresh) == [
        "4 days test alkalinity; oldest test: alkalinity, 4 days ago",
    ]
    dose = Dose(
        system="main", what="soda", raises="alkalinity", amount=1, unit="g", at=NOON, by="Kim"
    )
    tested_before = fresh | {("main", "alkalinity"): NOON - timedelta(hours=1)}
    assert due(0, latest=tested_before, doses=[dose]) == []
    assert due(1, latest=tested_before, doses=[dose]) == ["1 day test alkalinity after soda"]
    tested_after = fresh | {("main", "alkalinity"): NOON + timedelta(hours=1)}
    assert due(1, latest=tested_after, doses=[dose]) == []


def test_heavy_feeding_asks_for_nitrate_and_phosphate_the_next_day() -> None:
    fed = {"main": NOON}
    latest = {("main", "nitrate"): NOON, ("main", "phosphate"): NOON + timedelta(days=1)}
    told = due(1, latest=latest, heavy_feedings=fed, wanted={"main": ["nitrate"]})
    assert told == ["1 day test nitrate after heavy feeding"]
    assert due(0, latest=latest, heavy_feedings=fed, wanted={"main": ["nitrate"]}) == []
