"""Serials: every slip of one character or a swap is noticed; the code goes both ways."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polypward.cards import (
    LAYOUTS,
    check_serial,
    layout_of_serial,
    load_layout,
    looks_mistyped,
    make_serial,
    parse_serial_code,
    serial_code,
)
from polypward.cards.serials import SERIAL_CHARACTERS
from polypward.errors import CardError

DRAWS = st.lists(st.integers(0, 30), min_size=5, max_size=5)


@given(st.sampled_from(LAYOUTS), DRAWS)
def test_a_made_serial_names_its_layout_and_has_no_ambiguous_character(
    layout: str, draws: list[int]
) -> None:
    serial = make_serial(layout, draws)
    assert layout_of_serial(serial) == layout
    assert not looks_mistyped(serial)
    assert not set(serial) & set("0O1IL")
    card = replace(load_layout(layout), serial=serial)
    assert parse_serial_code(serial_code(card)) == (layout, serial)
    assert len(serial_code(card)) <= 20  # QR version 1, level M, ISO/IEC 18004


@given(DRAWS, st.integers(0, 6), st.sampled_from(SERIAL_CHARACTERS))
def test_one_wrong_character_is_noticed(draws: list[int], at: int, wrong: str) -> None:
    serial = make_serial("frame", draws)
    slip = serial[:at] + wrong + serial[at + 1 :]
    assert (layout_of_serial(slip) == "frame") == (slip == serial)


@given(DRAWS, st.integers(0, 5), st.integers(0, 5))
def test_swapped_characters_are_noticed(draws: list[int], one: int, other: int) -> None:
    serial = make_serial("strip", draws)
    letters = list(serial)
    letters[one], letters[other] = letters[other], letters[one]
    slip = "".join(letters)
    assert (layout_of_serial(slip) == "strip") == (slip == serial)


def test_serials_of_ones_own() -> None:
    assert check_serial(" tank-7 ") == "TANK-7"
    assert layout_of_serial("TANK-7") is None
    assert not looks_mistyped("TANK-7")
    assert looks_mistyped("F234567")
    assert parse_serial_code("pwcard strip tank-7") == ("strip", "TANK-7")


@pytest.mark.parametrize("text", ["", "  ", "A" * 13, "Ä1", "A B", "A/B"])
def test_serials_that_cannot_be_printed(text: str) -> None:
    with pytest.raises(CardError, match="cannot be a serial"):
        check_serial(text)


@pytest.mark.parametrize(
    "text", ["", "LA-003", "PWCARD DISC X1", "PWCARD FRAME", "PWCARD FRAME A B", "PWTAG FRAME X"]
)
def test_foreign_codes_are_no_card(text: str) -> None:
    assert parse_serial_code(text) is None


def test_makers_faults_are_named() -> None:
    with pytest.raises(CardError, match="'disc'"):
        make_serial("disc", [1, 2, 3, 4, 5])
    with pytest.raises(CardError, match="5 random numbers, not 2"):
        make_serial("frame", [1, 2])
