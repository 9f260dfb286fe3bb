from datetime import date

import pytest

from polypward.batch import Life, compare, families, life_of, share, survival
from polypward.records import Specimen

TODAY = date(2026, 3, 1)
CAME = date(2026, 1, 1)


def one(name: str, state: str = "held", left: date | None = None, **more: object) -> Specimen:
    values = {"arrived_on": CAME, **more}
    return Specimen(specimen=name, state=state, left_on=left, **values)  # type: ignore[arg-type]


def test_only_the_lost_and_the_discarded_died() -> None:
    day = date(2026, 1, 11)
    told = {
        state: life_of([one("a", state, day)], today=TODAY)
        for state in ("lost", "discarded", "sold", "moved-out")
    }
    assert {state: (life.days, life.ending) for state, life in told.items()} == {  # type: ignore[union-attr]
        "lost": (10, "died"),
        "discarded": (10, "died"),
        "sold": (10, "sold"),
        "moved-out": (10, "left"),
    }
    assert life_of([one("a")], today=TODAY) == Life("a", 59, "held")


def test_pieces_of_one_animal_are_one_life() -> None:
    """It lives while a piece does; once all died, the last death is its own."""
    split = one("a", "split", date(2026, 1, 5))
    first = one("a1", "lost", date(2026, 1, 9), parent="a")
    second = one("a2", parent="a")
    third = one("a1x", "lost", date(2026, 2, 1), parent="a1")
    grouped = families([first, second, split, third, one("b")])
    assert {root: [m.specimen for m in members] for root, members in grouped.items()} == {
        "a": ["a", "a1", "a1x", "a2"],
        "b": ["b"],
    }
    assert life_of(grouped["a"], today=TODAY) == Life("a", 59, "held")
    assert life_of([split, first, third], today=TODAY) == Life("a", 31, "died")
    sold = one("a2", "sold", date(2026, 1, 20), parent="a")
    assert life_of([split, first, sold], today=TODAY) == Life("a", 19, "sold")


def test_parents_in_a_ring_do_not_hang() -> None:
    assert len(families([one("a", parent="b"), one("b", parent="a")])) == 2


def test_dead_on_arrival_is_a_death_on_day_nought() -> None:
    life = life_of([one("a", "discarded", date(2026, 1, 2))], today=TODAY, dead_on_arrival={"a"})
    assert life == Life("a", 0, "died")
    # A claim that was wrong: it came back and was sold.
    sold = life_of([one("a", "sold", date(2026, 2, 1))], today=TODAY, dead_on_arrival={"a"})
    assert sold == Life("a", 31, "sold")


def test_what_is_not_known_is_said() -> None:
    assert life_of([one("a", arrived_on=None)], today=TODAY) == "no day of arrival"
    assert life_of([one("a", "lost")], today=TODAY) == "lost, but nobody said when"
    early = life_of([one("a", "lost", date(2025, 12, 1))], today=TODAY)
    assert early == "it ends before it arrived"
    assert life_of([one("a", "split", CAME)], today=CAME) == Life("a", 0, "left")


def test_deaths_on_the_day_of_arrival_count() -> None:
    """Ten came; two were dead, one died on day 5: S(0) = 0.8, S(5) = 0.8 x 7/8."""
    lives = [Life(str(n), 0, "died") for n in range(2)] + [Life("5", 5, "died")]
    lives += [Life(str(n), 10, "held") for n in range(7)]
    curve = survival(lives)
    assert [(s.day, s.survival) for s in curve.steps] == [
        (0, pytest.approx(0.8, abs=1e-12)),
        (5, pytest.approx(0.7, abs=1e-12)),
    ]
    assert curve.at(4).survival == pytest.approx(0.8)  # type: ignore[union-attr]
    assert (curve.at(11), curve.median_days) == (None, None)


def test_a_curve_of_none_and_of_no_deaths() -> None:
    assert survival([]).at(0) is None
    curve = survival([Life("a", 3, "held")])
    assert (curve.steps, curve.at(3).survival) == ((), 1.0)  # type: ignore[union-attr]


def test_fewer_than_five_deaths_are_not_tested() -> None:
    some = [Life(str(n), 5 + n, "died") for n in range(4)]
    told = compare({"a": some, "b": [Life("x", 9, "held")]})
    assert (told.p, told.observed) == (None, {"a": 4, "b": 0})
    assert told.why_not == "4 deaths in all, fewer than 5: the curves are shown, no test"
    assert compare({"a": some, "b": []}).why_not == "there is only one group"
    enough = compare({"a": [*some, Life("y", 7, "died")], "b": [Life("x", 9, "held")]})
    assert enough.p is not None


def test_three_groups_that_fare_alike_do_not_differ() -> None:
    group = [Life(str(n), n, "died") for n in range(1, 6)]
    told = compare({"a": group, "b": list(group), "c": list(group)})
    assert told.chi2 == pytest.approx(0, abs=1e-12)
    assert (told.df, told.p) == (2, pytest.approx(1))
    assert told.expected == {name: pytest.approx(5) for name in "abc"}


def test_groups_never_watched_together_are_not_compared() -> None:
    early = [Life(str(n), 1, "died") for n in range(5)]
    late = [Life(str(n), 0, "sold") for n in range(5)]
    assert compare({"a": early, "b": late}).why_not.startswith("the groups were never watched")


def test_shares_in_words() -> None:
    assert share(0, 10).words("lost") == "0 of 10 lost (0 %, 95 % interval 0\N{EN DASH}28 %)"
    assert share(0, 0).words("lost") == "0 of 0 lost"
    with pytest.raises(ValueError, match="from 0 to 3"):
        share(4, 3)
