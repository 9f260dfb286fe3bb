from datetime import UTC, date, datetime, timedelta
from itertools import permutations
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polypward.errors import BadInputError
from polypward.life import (
    CENSORED,
    DEATHS,
    STATES,
    Stand,
    Standing,
    check_order,
    children_of,
    inherited,
    share_out,
    stand_after,
    standing,
)
from polypward.records import CareEvent

BERLIN = ZoneInfo("Europe/Berlin")


def event(day: int, what: str, **detail: str) -> CareEvent:
    at = datetime(2025, 3, day, 23, 30, tzinfo=UTC)
    return CareEvent(specimen="amber", at=at, what=what, detail=detail)


def test_the_state_follows_from_the_entries_in_any_order() -> None:
    told = [event(5, "sold"), event(7, "returned"), event(9, "lost")]
    for some in permutations(told):
        # 23:30 in UTC is the next day in Berlin.
        assert standing(some, zone=BERLIN) == Standing("lost", date(2025, 3, 10))
        check_order(some, zone=BERLIN)
    assert standing(told[:2], zone=UTC) == Standing()
    assert standing([], zone=UTC) == Standing("held", None)


def test_a_split_ends_a_specimen_unless_it_is_one_of_its_own_pieces() -> None:
    gone = event(5, "split", children="amber-a, amber-b;amber-a")
    assert children_of(gone) == ("amber-a", "amber-b")
    assert standing([gone], zone=UTC).state == "split"
    assert standing([event(5, "split", children="amber new")], zone=UTC).state == "held"
    assert standing([event(5, "split")], zone=UTC).state == "held"


def test_every_state_is_a_death_or_censored_and_never_both() -> None:
    """Sold, moved out, joined, split or still here: it is known to have lived until then."""
    assert set(STATES) == CENSORED | DEATHS
    assert not CENSORED & DEATHS
    assert frozenset({"lost", "discarded"}) == DEATHS


@pytest.mark.parametrize(
    ("told", "fault"),
    [
        ([event(5, "sold"), event(6, "lost")], "noted as lost on 2025-03-07: it is sold since"),
        ([event(5, "lost"), event(6, "move")], "noted as moved on 2025-03-07: it is lost"),
        ([event(5, "lost"), event(6, "cut")], "noted as cut"),
        ([event(5, "returned")], "cannot come back on 2025-03-06: it had not left"),
        # Noted last, but earlier: the sale that is there becomes impossible.
        ([event(9, "sold"), event(5, "discarded")], "noted as sold on 2025-03-10: it is discarded"),
        ([event(5, "split", children="a b"), event(6, "sold")], "noted as sold"),
    ],
)
def test_what_cannot_have_happened_is_told(told: list[CareEvent], fault: str) -> None:
    with pytest.raises(BadInputError, match=fault):
        check_order(told, zone=BERLIN)


def test_other_entries_may_follow_a_departure() -> None:
    check_order([event(5, "sold"), event(6, "note"), event(7, "acknowledge")], zone=UTC)


def test_a_move_changes_what_it_names() -> None:
    first = Stand("rack 1", "lagoon", "bright")
    moves = [event(8, "move", light="dim"), event(5, "move", to="rack 2", water_system="hospital")]
    assert stand_after(first, moves) == Stand("rack 2", "hospital", "dim")
    assert stand_after(first, []) == first


def test_shares_by_hand() -> None:
    # 100 in three: 33.33 each, and the cent that is left goes to the first.
    assert share_out(100.0, [1, 1, 1]) == (33.34, 33.33, 33.33)
    assert share_out(45.0, [2, 1]) == (30.0, 15.0)
    assert share_out(0.0, [2, 1]) == (0.0, 0.0)
    assert share_out(None, [2, 1]) == (None, None)
    for bad in ([], [1, 0], [1, -1], [1, float("nan")]):
        with pytest.raises(BadInputError, match="above 0"):
            share_out(10.0, bad)


@given(
    cents=st.integers(0, 10**9),
    shares=st.lists(st.floats(0.01, 100), min_size=1, max_size=12),
)
def test_parts_add_up_to_the_cent_and_none_is_off_by_more_than_rounding(
    cents: int, shares: list[float]
) -> None:
    parts = share_out(cents / 100, shares)
    known = [part for part in parts if part is not None]
    assert len(known) == len(shares)
    assert sum(round(part * 100) for part in known) == cents
    largest = shares.index(max(shares))
    for place, (part, share) in enumerate(zip(known, shares, strict=True)):
        # Half a cent of rounding each; the largest share takes all that is left over.
        slack = 0.5 * len(shares) if place == largest else 0.5
        exact = cents * share / sum(shares)
        assert abs(part * 100 - exact) <= slack + 1e-6 * max(1, exact)


def test_events_of_one_moment_count_in_the_order_told() -> None:
    at = datetime(2025, 3, 5, tzinfo=UTC)
    sold, back = (CareEvent(specimen="a", at=at, what=what) for what in ("sold", "returned"))
    assert standing([sold, back], zone=UTC).state == "held"
    assert standing([back, sold], zone=UTC).state == "sold"
    later = CareEvent(specimen="a", at=at + timedelta(microseconds=1), what="returned")
    assert standing([later, sold], zone=UTC).state == "held"


def test_a_piece_carries_on_a_quarantine_and_an_open_treatment() -> None:
    care = {
        "mother": [
            event(3, "treatment", name="dip", status="open"),
            event(4, "feeding"),
            event(5, "split", children="a b"),
            event(6, "quarantine", status="done"),
        ],
        "a": [event(7, "look")],
    }
    found = inherited({"a": "mother", "b": "mother", "c": "nobody"}, care)
    assert [(one.specimen, one.what) for one in found["a"]] == [
        ("amber", "look"),
        ("a", "treatment"),
    ]
    # What was noted after the split is the mother's alone; feedings are not carried on.
    assert [(one.specimen, one.what) for one in found["b"]] == [("b", "treatment")]
    assert "c" not in found
    assert found["mother"] == care["mother"]


def test_a_piece_of_a_piece_carries_on_what_was_noted_before_the_first_split() -> None:
    care = {
        "mother": [
            event(3, "quarantine", status="started"),
            event(5, "split", children="a"),
            event(8, "treatment", name="late", status="open"),
        ],
        "a": [event(7, "treatment", name="dip", status="open"), event(9, "split", children="aa")],
    }
    found = inherited({"a": "mother", "aa": "a"}, care)
    told = sorted((one.what, one.detail.get("name", "")) for one in found["aa"])
    assert told == [("quarantine", ""), ("treatment", "dip")]
    # Parents that name each other end the search.
    assert inherited({"x": "y", "y": "x"}, {}) == {}
