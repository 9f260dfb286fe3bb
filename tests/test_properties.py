"""Properties that hold of any text and any JSON, drawn by Hypothesis."""

import csv
import io
import unicodedata
from contextlib import suppress
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some

from polypward.cards import card_from_json, card_to_json, read_measurements
from polypward.errors import BadInputError, CardError
from polypward.water import read_entry
from polypward_cli.amounts import amount_of
from polypward_cli.dates import date_in_name, parse_day, parse_shift, parse_time
from polypward_cli.files import is_own
from polypward_cli.manifest import photo_key
from polypward_cli.naming import clean_name, is_generic
from polypward_cli.terminal import plain
from polypward_cli.ward.tables import csv_text, guarded
from polypward_vision.colour.icc import encoding_of_profile

ANY = some.text(max_size=60)
# Texts that come near to what a parser takes, so that it gets beyond its first look.
DATES = some.text(alphabet="0123456789-:T +Z.,_/", max_size=30)
NUMBERS = some.text(alphabet="0123456789.,-+eE <>nd%mgKHLpt°", max_size=20)
VALUES: Any = some.recursive(
    some.none() | some.booleans() | some.integers() | some.floats() | some.text(max_size=8),
    lambda inner: (
        some.lists(inner, max_size=4)
        | some.dictionaries(
            some.sampled_from(
                ("layout", "serial", "markers", "patches", "size_mm", "name", "id", "x")
            ),
            inner,
            max_size=5,
        )
    ),
    max_leaves=20,
)
often = settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)


@often
@given(ANY)
def test_a_cell_is_no_formula_and_comes_back(text: str) -> None:
    cell = guarded(text)
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    assert text in (cell, cell[1:])


@often
@given(some.lists(some.lists(ANY | some.text(alphabet="\r\n=,'\"a"), min_size=1), max_size=4))
def test_a_table_is_read_as_it_was_written(rows: list[list[str]]) -> None:
    found = list(csv.reader(io.StringIO(csv_text(["a"], rows), newline="")))
    ends = [[cell.replace("\r\n", "\n").replace("\r", "\n") for cell in row] for row in rows]
    assert found[1:] == [[guarded(cell) for cell in row] for row in ends]


@often
@given(ANY)
def test_a_clean_name_is_clean_and_stays(text: str) -> None:
    name = clean_name(text)
    assert clean_name(name) == name
    assert not [sign for sign in name if unicodedata.category(sign)[0] == "C"]
    is_generic(text)


@often
@given(ANY)
def test_nothing_that_a_terminal_obeys_is_printed(text: str) -> None:
    shown = plain(text)
    assert len(shown) == len(text)
    assert not set(shown) & {chr(code) for code in (*range(9), *range(11, 32), *range(127, 160))}


@often
@given(ANY)
def test_a_photos_key_is_one_of_one(text: str) -> None:
    assert photo_key(photo_key(text)) == photo_key(text)


@often
@given(some.text(alphabet="tilesmask./\\:a", max_size=14))
def test_a_file_of_the_ward_lies_in_its_folders(name: str) -> None:
    if is_own(name):
        folder, file = name.split("/")
        assert folder in ("tiles", "masks")
        assert file not in ("", ".", "..")


@often
@given(ANY | DATES)
def test_times_are_read_or_refused(text: str) -> None:
    zone = ZoneInfo("Europe/Berlin")
    with suppress(BadInputError):
        assert parse_time(text, zone=zone).utcoffset() is not None
    with suppress(BadInputError):
        assert isinstance(parse_day(text), date)
    with suppress(BadInputError):
        parse_shift(text)
    found = date_in_name(text)
    assert found is None or isinstance(found.at, datetime)


@often
@given(ANY | NUMBERS)
def test_amounts_and_tests_are_read_or_refused(text: str) -> None:
    with suppress(BadInputError):
        amount_of(text, "price")
    for what in ("calcium", "alkalinity", "nitrate", "ph", text):
        with suppress(BadInputError):
            read_entry(f"{what}={text}")


@often
@given(VALUES)
def test_any_json_is_a_card_or_is_refused(value: Any) -> None:
    with suppress(CardError):
        card = card_from_json(value)
        assert card_from_json(card_to_json(card)) == card


@often
@given(
    some.text(max_size=200) | some.text(alphabet='LAB_XYZ,;\t\n"0123456789.#-name', max_size=200)
)
def test_any_text_is_measured_colours_or_is_refused(text: str) -> None:
    with suppress(CardError):
        assert all(0 <= one.lab_d50[0] <= 105 for one in read_measurements(text))


@often
@given(some.binary(max_size=300))
def test_any_bytes_are_a_profile_or_srgb(data: bytes) -> None:
    head = bytes(12) + b"mntrRGB XYZ " + bytes(12) + b"acsp" + bytes(88)
    for profile in (data, head + data):
        linear = encoding_of_profile(profile, top=255.0).to_linear(
            np.array([[0, 9, 255]], np.uint8)
        )
        assert np.isfinite(linear).all()


@often
@given(ANY | some.text(alphabet="rack 0123456789\u00b2\u0663\uff11", max_size=12))
def test_any_place_has_its_turn_in_the_round(place: str) -> None:
    """Also one with a superscript, which is a digit and no number."""
    from polypward.rounds import _natural

    assert _natural(place) == _natural(place)
    assert _natural("rack 2") < _natural("rack 10")
