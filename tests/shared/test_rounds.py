"""The walk of a round: whose turn it is, where to wash, what a day has room for."""

from datetime import date, timedelta

import pytest

from polypward.rounds import Place, Stop, plan_walk

ON = date(2026, 3, 2)


def stop(
    name: str, place: str, kind: str = "photograph", *, unseen: int | None = 7, **more
) -> Stop:
    return Stop(
        kind=kind,
        specimen=name,
        place=place,
        due_on=ON,
        late_days=0,
        why="",
        photo=kind in ("urgent", "look again", "photograph"),
        unseen_since=None if unseen is None else ON - timedelta(days=unseen),
        **more,
    )


PLACES = [
    Place(place="tub", water_system="tub", standing="quarantine", held=2),
    Place(place="rack 10", water_system="main", held=3),
    Place(place="rack 2", water_system="main", standing="treated", held=1),
    Place(place="bench", water_system="second", standing="treated", held=1),
    Place(place="window", water_system="clear", held=0),
]


def test_the_walk_goes_from_clean_to_quarantine_and_washes_between_waters() -> None:
    """A water system stands as its worst place; the clean one of two is walked first."""
    walk = plan_walk([], PLACES, on=ON, photos_per_day=None)
    order = [(leg.place.place, leg.wash) for leg in walk.legs]
    assert order == [
        ("window", False),
        ("rack 10", True),
        ("rack 2", False),
        ("bench", True),
        ("tub", True),
    ]
    assert walk.stops == ()


def test_places_are_walked_as_people_count() -> None:
    places = [Place(place=f"rack {number}") for number in (10, 2, 1)]
    walk = plan_walk([], places, on=ON, photos_per_day=None)
    assert [leg.place.place for leg in walk.legs] == ["rack 1", "rack 2", "rack 10"]


def test_the_days_photos_go_by_urgency_then_longest_unseen() -> None:
    stops = [
        stop("new", "rack 10", unseen=None),
        stop("late", "rack 10", unseen=30),
        stop("usual", "rack 10", unseen=8),
        stop("flagged", "rack 10", unseen=3, standing_flag=True),
        stop("odd", "rack 10", "look again", unseen=2),
        stop("dead", "rack 10", "second look"),
    ]
    walk = plan_walk(stops, PLACES, on=ON, photos_per_day=3)
    assert walk.photos == 3
    assert [one.specimen for one in walk.put_off] == ["late", "usual"]
    # A look takes no photo, so nothing puts it off.
    assert {one.specimen for one in walk.stops} == {"odd", "flagged", "new", "dead"}


def test_urgent_ones_are_never_put_off_and_come_first() -> None:
    stops = [stop("b", "tub", "urgent"), stop("a", "rack 2", "urgent"), stop("c", "rack 10")]
    walk = plan_walk(stops, PLACES, on=ON, photos_per_day=1)
    assert [one.specimen for one in walk.urgent] == ["a", "b"]  # in the order of the walk
    assert [one.specimen for one in walk.put_off] == ["c"]
    assert walk.as_json()["photos"] == 2


@pytest.mark.parametrize("budget", [None, 100])
def test_nothing_is_lost(budget: int | None) -> None:
    stops = [stop(f"s{i}", place.place) for i, place in enumerate(PLACES * 3)]
    stops.append(stop("stray", "a place nobody told"))
    walk = plan_walk(stops, PLACES, on=ON, photos_per_day=budget)
    assert {one.specimen for one in walk.stops} == {one.specimen for one in stops}
