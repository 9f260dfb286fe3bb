from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from polypward.care import Inspection, PlaceStanding, earliest_exit, hindrances
from polypward.errors import BadInputError

SINCE = date(2024, 3, 1)
SHUT = PlaceStanding(place="tub", state="quarantine", since=SINCE, days=21)


def looks(*days: int, found: dict[int, str] | None = None) -> list[Inspection]:
    signs = found or {}
    return [
        Inspection(
            at=datetime(2024, 3, 1, 12, tzinfo=UTC) + timedelta(days=day),
            found=(signs[day],) if day in signs else (),
        )
        for day in days
    ]


def against(inspections: list[Inspection], day: int, *entries: int) -> list[str]:
    return hindrances(
        SHUT,
        inspections,
        on=SINCE + timedelta(days=day),
        zone=UTC,
        entries=[SINCE + timedelta(days=entry) for entry in entries],
    )


def test_the_days_are_counted_from_the_last_newcomer() -> None:
    assert earliest_exit(SHUT) == date(2024, 3, 22)
    assert earliest_exit(SHUT, entries=[date(2024, 3, 5), date(2024, 2, 1)]) == date(2024, 3, 26)
    clean = PlaceStanding(place="tub", state="clean", since=SINCE)
    assert earliest_exit(clean) is None


def test_days_and_two_clean_inspections_open_the_way_out() -> None:
    assert against(looks(10, 20), 21) == []
    assert against(looks(10, 20), 20) == ["the set days end on 2024-03-22 (1 day to go)"]
    assert against(looks(20), 21) == ["1 of 2 clean inspections on different days"]
    assert len(against([], 3)) == 2


def test_two_looks_on_one_day_are_one() -> None:
    twice = [*looks(20), Inspection(at=datetime(2024, 3, 21, 18, tzinfo=UTC))]
    assert "1 of 2" in against(twice, 25)[0]


def test_a_finding_makes_the_clean_ones_before_it_worthless() -> None:
    told = against(looks(8, 12, 16, 20, found={16: "flatworm"}), 25)
    assert told == ["1 of 2 clean inspections on different days since flatworm was found"]
    assert against(looks(8, 12, 16, 20, 24, found={16: "flatworm"}), 25) == []


def test_inspections_before_the_quarantine_or_the_newcomer_do_not_count() -> None:
    assert "0 of 2" in against(looks(-5, -3), 30)[0]
    assert "1 of 2" in against(looks(8, 20), 40, 10)[0]
    assert against(looks(20, 30), 40, 10) == []


def test_the_day_is_that_of_the_ward() -> None:
    """23:30 UTC on 2 March is 3 March in Berlin, so these two looks are on one day there."""
    pair = [
        Inspection(at=datetime(2024, 3, 2, 23, 30, tzinfo=UTC)),
        Inspection(at=datetime(2024, 3, 3, 12, tzinfo=UTC)),
    ]
    on = SINCE + timedelta(days=30)
    assert hindrances(SHUT, pair, on=on, zone=UTC) == []
    assert "1 of 2" in hindrances(SHUT, pair, on=on, zone=ZoneInfo("Europe/Berlin"))[0]


def test_other_places_have_nothing_against_them() -> None:
    watch = PlaceStanding(place="tub", state="watch", since=SINCE)
    assert hindrances(watch, [], on=SINCE, zone=UTC) == []
    with pytest.raises(
        BadInputError, match='"dirty": a place stands at clean, watch or quarantine'
    ):
        PlaceStanding(place="tub", state="dirty", since=SINCE)
