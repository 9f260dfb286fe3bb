from datetime import UTC, date, datetime
from typing import Any

import pytest

from polypward.batch import Rates, Worth, batch_result, families, worth_of
from polypward.records import CareEvent, Specimen

RATES = Rates(table_day=0.60, hour=24)


def event(what: str, specimen: str = "a", day: int = 1, **detail: str) -> CareEvent:
    at = datetime(2026, 1, day, 12, tzinfo=UTC)
    return CareEvent(specimen=specimen, at=at, what=what, detail=detail)


def piece(specimen: str = "a", **values: Any) -> Specimen:
    return Specimen(specimen=specimen, **{"arrived_on": date(2026, 1, 1), **values})


def worth(*events: CareEvent, rates: Rates = RATES, **values: Any) -> Worth:
    return worth_of([piece(**values)], events, rates=rates, today=date(2026, 3, 1))


SOLD = {"state": "sold", "left_on": date(2026, 2, 11), "as_is_price": 30.0}  # 41 days


def test_the_worked_line() -> None:
    """Sold 180, as it was 30; 41 days x 0.60 + food 11 + 35 min at 24 an hour = 49.60."""
    told = worth(
        event("feeding", cost="6"),
        event("feeding", cost="5.00"),
        event("look", work_minutes="20"),
        event("note", minutes="15"),
        event("sold", price="180"),
        **SOLD,
    )
    assert told.rescue.table_days == 41
    assert told.cost == pytest.approx(24.60 + 11 + 14)
    assert told.worth == pytest.approx(100.40)
    assert told.ended


def test_minutes_in_a_bath_are_no_work() -> None:
    told = worth(event("dip", minutes="15", work_minutes="5", cost="2,50"), **SOLD)
    assert (told.rescue.minutes, told.rescue.treatments) == (5, 2.5)
    kept = worth(event("dip", treatment="3", bath_minutes="15", minutes="4"), **SOLD)
    assert kept.rescue.minutes == 4


def test_what_a_joined_piece_had_cost_is_no_care() -> None:
    told = worth(event("dip", cost="2"), event("joined", day=3, to="other", cost="30"), **SOLD)
    assert told.rescue.treatments == 2


def test_one_that_was_lost_counts_with_its_cost() -> None:
    told = worth(state="lost", left_on=date(2026, 1, 11), as_is_price=0.0)
    assert told.worth == pytest.approx(-6.0)


def test_one_that_came_back_brought_nothing_unless_less_was_paid_back() -> None:
    back = (event("sold", price="100"), event("returned", day=2))
    assert worth(*back, as_is_price=0.0).received == 0
    part = (event("sold", price="100"), event("returned", day=2, refund="60"))
    assert worth(*part, as_is_price=0.0).received == pytest.approx(40)
    again = (*back, event("sold", day=3, price="70"))
    assert worth(*again, **SOLD).received == pytest.approx(70)


def test_what_is_missing_is_said_and_no_worth_told() -> None:
    told = worth(event("sold"), rates=Rates(), state="sold", left_on=date(2026, 2, 1))
    assert (told.worth, told.cost) == (None, None)
    assert told.missing == (
        "the price a was sold for",
        "what a day on the table costs",
        "what it would have fetched as it was at unpacking (as_is_price; 0 if given up)",
    )
    assert worth(event("feeding", cost="cheap"), **SOLD).missing == (
        'a number for cost (it says "cheap")',
    )
    assert worth(arrived_on=None, as_is_price=1.0).missing == ("the day of arrival",)
    assert worth(event("look", minutes="5"), rates=Rates(table_day=1), **SOLD).missing == (
        "what an hour of work costs",
    )


def test_pieces_of_one_animal_have_one_purse() -> None:
    """Whole for 10 days, then two pieces: 5 days (lost) and 20 days (sold at 90)."""
    family = [
        piece("a", state="split", left_on=date(2026, 1, 11), as_is_price=0.0),
        piece("a1", state="lost", left_on=date(2026, 1, 16), parent="a", as_is_price=8.0),
        piece("a2", state="sold", left_on=date(2026, 1, 31), parent="a", as_is_price=12.0),
    ]
    told = worth_of(
        family, [event("sold", "a2", price="90")], rates=Rates(table_day=1), today=date(2026, 3, 1)
    )
    assert told.rescue.table_days == 35
    assert told.worth == pytest.approx(90 - 20 - 35)


def test_a_piece_of_one_that_goes_on_stands_on_the_table_from_the_split() -> None:
    """a stands for all 31 days, its piece a1, cut on the 11th, for 10 until it was sold."""
    family = [
        piece("a", as_is_price=0.0),
        piece("a1", state="sold", left_on=date(2026, 1, 21), parent="a", as_is_price=0.0),
    ]
    split = event("split", day=11, children="a a1")
    told = worth_of(family, [split], rates=RATES, today=date(2026, 2, 1))
    assert told.rescue.table_days == 31 + 10


def test_days_between_a_sale_and_the_return_are_none_on_the_table() -> None:
    """Here from 1 to 6 and from 9 to 31 January: 5 + 22 days."""
    gone = (event("sold", day=6, price="9"), event("returned", day=9))
    told = worth_of([piece(as_is_price=0.0)], gone, rates=RATES, today=date(2026, 1, 31))
    assert told.rescue.table_days == 27


def test_the_result_of_a_batch() -> None:
    """Sales 180 + credit 40 - pieces 2 x 50 - freight 30 - permits 12 - care 49.60 - 6 = 22.40."""
    specimens = [
        piece("a", cost=50.0, batch="B1", **SOLD),
        piece("b", cost=50.0, batch="B1", state="lost", left_on=date(2026, 1, 11), as_is_price=0.0),
    ]
    events = {
        "a": [
            event("feeding", cost="11"),
            event("look", minutes="35"),
            event("sold", price="180"),
        ],
        "b": [],
    }
    worths = [
        worth_of(family, events[root], rates=RATES, today=date(2026, 3, 1))
        for root, family in families(specimens).items()
    ]
    told = batch_result(
        "B1",
        specimens,
        worths,
        credited=40.0,
        credited_pieces={"b"},
        shared={"freight": 30.0, "permits": 12.0},
    )
    assert told.landed == pytest.approx(142)
    assert told.care == pytest.approx(55.60)
    assert told.result == pytest.approx(22.40)
    assert told.credited_and_sold == ()
    twice = batch_result("B1", specimens, worths, credited=40.0, credited_pieces={"a"}, shared={})
    assert twice.credited_and_sold == ("a",)


def test_a_batch_without_costs_has_no_result() -> None:
    specimens = [piece("a", **SOLD)]
    worths = [worth_of(specimens, [], rates=RATES, today=date(2026, 3, 1))]
    told = batch_result("B1", specimens, worths, credited=0, credited_pieces=(), shared={})
    assert (told.result, told.landed, told.missing) == (None, None, ("the cost of a",))
    # What it would have fetched as it was has no part in it.
    bare = [piece("a", cost=5.0, state="lost", left_on=date(2026, 1, 1))]
    worths = [worth_of(bare, [], rates=RATES, today=date(2026, 3, 1))]
    assert batch_result(
        "B1", bare, worths, credited=0, credited_pieces=(), shared={}
    ).result == pytest.approx(-5)


def test_pieces_carry_the_cost_of_what_was_split() -> None:
    specimens = [
        piece("a", cost=0.0, state="split", left_on=date(2026, 1, 2)),
        piece("a1", cost=20.0, parent="a"),
        piece("a2", cost=30.0, parent="a"),
    ]
    worths = [worth_of(specimens, [], rates=RATES, today=date(2026, 1, 2))]
    told = batch_result("B1", specimens, worths, credited=0, credited_pieces=(), shared={})
    assert told.pieces == pytest.approx(50)
    assert told.on_the_tables == 2
