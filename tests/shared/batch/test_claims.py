from datetime import UTC, datetime, timedelta

import pytest

from polypward.batch import (
    Piece,
    Terms,
    clock_of,
    missing_proof,
    money_of_claims,
    piece_amount,
    short_of,
)

LANDED = datetime(2026, 1, 12, 6, tzinfo=UTC)
TERMS = Terms(
    supplier="S",
    window_hours=4,
    since="delivery",
    proof=("sealed bag", "box label", "out of bag"),
    smallest_loss_percent=5,
    smallest_loss_amount=50,
    credit_dead_percent=100,
    credit_poor_percent=40,
)


@pytest.mark.parametrize(
    ("hours_later", "words"),
    [
        (0, "4 h left"),
        (1.25, "2 h 45 min left"),
        (3.5, "30 min left"),
        (4, "the window closed 0 min ago"),
        (7, "the window closed 3 h ago"),
        (100.2, "the window closed 96 h ago"),
        (245, "the window closed 10 days ago"),
    ],
)
def test_hours_left_run_from_the_moment_the_terms_name(hours_later: float, words: str) -> None:
    moments = {"landing": LANDED, "delivery": LANDED + timedelta(hours=3)}
    now = moments["delivery"] + timedelta(hours=hours_later)
    clock = clock_of(TERMS, moments, now=now)
    assert clock.deadline == LANDED + timedelta(hours=7)
    assert clock.words() == words


def test_hours_left_without_terms_or_moment_are_not_available() -> None:
    clock = clock_of(TERMS, {"landing": LANDED}, now=LANDED)
    assert clock.words() == ("hours left: not available, because the time of delivery is not noted")
    assert (
        "no claim window of S is in ward.toml"
        in clock_of(None, {}, now=LANDED, supplier="S").words()
    )


def test_missing_proof_keeps_the_order_of_the_terms() -> None:
    piece = Piece(specimen="a", verdict="dead", proof=frozenset({"box label"}))
    assert missing_proof(piece, TERMS) == ("sealed bag", "out of bag")
    assert missing_proof(piece, None) == ()


def test_what_is_asked_for_a_piece() -> None:
    dead = Piece(specimen="a", verdict="dead", price=60)
    poor = Piece(specimen="b", verdict="poor", price=60)
    assert (piece_amount(dead, TERMS), piece_amount(poor, TERMS)) == (60, 24)
    assert piece_amount(poor, None) == 60
    assert piece_amount(Piece(specimen="c", verdict="dead"), TERMS) is None


def test_the_smallest_loss() -> None:
    dead = Piece(specimen="a", verdict="dead", price=60)
    assert short_of([dead], TERMS, of=20) == ""  # 5 % and 60
    assert short_of([dead], TERMS, of=40) == (
        "1 of 40 is 2 %; the supplier credits a loss from 5 %"
    )
    cheap = Piece(specimen="a", verdict="dead", price=40)
    assert short_of([cheap], TERMS, of=10) == (
        "40.00 is asked; the supplier credits a loss from 50"
    )
    assert short_of([], TERMS, of=10) == ""


def test_claimed_credited_and_still_open() -> None:
    """A closed claim has nothing open; a credit above what was asked leaves no debt."""
    money = money_of_claims(
        [
            ("open", 100.0, 0.0, 1),
            ("answered", 80.0, 30.0, 0),
            ("closed", 60.0, 20.0, 0),
            ("sent", 10.0, 12.0, 0),
        ]
    )
    assert (money.claimed, money.credited, money.open) == (250, 62, 150)
    assert money.words() == (
        "Claims: 250.00 claimed, 62.00 credited, 150.00 still open "
        "(without 1 piece of no known cost)."
    )
    assert money_of_claims([]).words() == ""
