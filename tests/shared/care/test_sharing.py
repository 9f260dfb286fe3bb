from datetime import date

from polypward.care import Shared, Stay, shared_water


def day(number: int) -> date:
    return date(2024, 3, number)


def stay(name: str, water: str, since: int | None, until: int | None = None) -> Stay:
    return Stay(
        specimen=name,
        water=water,
        place=f"{water} rack",
        since=None if since is None else day(since),
        until=None if until is None else day(until),
    )


def test_only_same_water_at_the_same_time_is_shared() -> None:
    stays = [
        stay("a", "main", 1, 10),
        stay("a", "tub", 10),
        stay("before", "main", 1, 5),
        stay("after", "main", 11),
        stay("tub mate", "tub", 3, 12),
        stay("elsewhere", "other", 1),
    ]
    assert shared_water(stays, ["a"]) == (
        Shared(specimen="before", water="main", since=day(1), until=day(5), places=("main rack",)),
        Shared(
            specimen="tub mate", water="tub", since=day(10), until=day(12), places=("tub rack",)
        ),
    )


def test_sharing_is_mutual() -> None:
    stays = [stay("a", "main", 1, 10), stay("b", "main", 4), stay("c", "main", 12)]
    assert [one.specimen for one in shared_water(stays, ["b"])] == ["a", "c"]
    assert [one.specimen for one in shared_water(stays, ["a"])] == ["b"]


def test_what_cannot_be_ruled_out_is_told() -> None:
    """A specimen without a day of arrival may have been there from the first."""
    [one] = shared_water([stay("a", "main", None, 3), stay("b", "main", None)], ["a"])
    assert (one.since, one.until) == (None, day(3))
    [since] = shared_water([stay("a", "main", 2), stay("b", "main", None)], ["a"], since=day(5))
    assert (since.since, since.until) == (day(5), None)


def test_several_stays_are_told_as_one_with_their_ends() -> None:
    stays = [stay("a", "main", 1), stay("b", "main", 2, 4), stay("b", "main", 8, 9)]
    [one] = shared_water(stays, ["a"])
    assert (one.since, one.until) == (day(2), day(9))


def test_unknown_water_is_shared_with_nobody() -> None:
    assert shared_water([stay("a", "", 1), stay("b", "", 1)], ["a"]) == ()
