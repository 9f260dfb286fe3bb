"""card.json: what is written is read back, and every fault is named by its path."""

import copy
import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polypward.cards import LAYOUTS, card_from_json, card_to_json, load_layout
from polypward.errors import CardError

FRAME = card_to_json(load_layout("frame"))


@pytest.mark.parametrize("layout", LAYOUTS)
def test_round_trip_through_json_text(layout: str) -> None:
    card = replace(
        load_layout(layout), serial="AB-12", values="measured", print_scale=(0.995, 1.004)
    )
    assert card_from_json(json.loads(json.dumps(card_to_json(card)))) == card


def test_keys_are_those_of_the_contract() -> None:
    frame = card_to_json(load_layout("frame"))
    assert list(frame) == [
        "layout", "version", "serial", "size_mm", "window_mm", "markers", "patches", "values",
    ]  # fmt: skip
    assert list(frame["markers"][0]) == ["dictionary", "id", "corners_mm"]
    assert list(frame["patches"][0]) == ["name", "centre_mm", "size_mm", "lab_d50", "neutral"]
    strip = card_to_json(load_layout("strip"))
    assert strip["window_mm"] is None
    assert set(strip) - set(frame) == {"arrow_mm"}


def test_unknown_keys_are_passed_over() -> None:
    assert card_from_json({**FRAME, "later": 1}) == load_layout("frame")


@pytest.mark.parametrize(
    ("keys", "value", "told"),
    [
        (("layout",), 3, "layout must be a text"),
        (("version",), True, "version must be a whole number"),
        (("size_mm",), [0, 10], "size_mm must be positive"),
        (("size_mm",), "ab", "size_mm must be a list of 2 numbers"),
        (("window_mm",), [37, 37, 200, 112], "window_mm must lie on the card"),
        (("markers",), [], "markers must be a list that is not empty"),
        (("markers", 2), None, r"markers\[2\] must be an object"),
        (("markers", 1, "corners_mm"), [[0, 0]], r"markers\[1\].corners_mm must be four points"),
        (
            ("markers", 1, "corners_mm"),
            [[0, 0], [0, 9], [9, 9], [9, 0]],  # anticlockwise where y points down
            r"markers\[1\].corners_mm must be a square, its corners clockwise",
        ),
        (("markers", 1, "id"), 310, "markers name one of them twice"),
        (("patches", 4, "lab_d50"), [101, 0, 900], r"patches\[4\].lab_d50 must be a CIELAB"),
        (("patches", 4, "lab_d50", 1), float("nan"), r"patches\[4\].lab_d50\[1\] must be a number"),
        (("patches", 4, "centre_mm", 0), 10**400, r"patches\[4\].centre_mm\[0\] must be a number"),
        (("patches", 4, "centre_mm"), [500, 5], r"patches\[4\].centre_mm must lie on the card"),
        (("patches", 0, "neutral"), "yes", r"patches\[0\].neutral must be true or false"),
        (("values",), "guessed", 'values must be "nominal" or "measured"'),
        (("print_scale",), [1, -1], "print_scale must be positive"),
        (("arrow_mm",), [[1, 2]], "arrow_mm must be two pairs"),
        (("arrow_mm",), [[1, 2], [0, 0]], r"arrow_mm\[1\] must point somewhere"),
    ],
)
def test_each_fault_is_named(keys: tuple[str | int, ...], value: object, told: str) -> None:
    obj: Any = copy.deepcopy(FRAME)
    holder = obj
    for key in keys[:-1]:
        holder = holder[key]
    holder[keys[-1]] = value
    with pytest.raises(CardError, match=told):
        card_from_json(obj)


def test_all_faults_are_told_at_once() -> None:
    obj = {key: value for key, value in FRAME.items() if key not in ("layout", "values")}
    with pytest.raises(CardError, match=r"layout is missing.*values must be"):
        card_from_json(obj)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=10,
)


@given(JSON)
def test_any_other_json_is_refused_in_words(obj: object) -> None:
    with pytest.raises(CardError, match=r"not a card\.json"):
        card_from_json(obj)


@given(st.sampled_from(sorted(FRAME)), st.integers(0, 7), JSON)
def test_a_spoilt_card_is_read_or_refused_in_words(key: str, index: int, value: object) -> None:
    """Nothing but CardError ever comes out; what is read can be written again."""
    obj = copy.deepcopy(FRAME)
    if key in ("markers", "patches"):
        inner = sorted(obj[key][index])
        obj[key][index][inner[index % len(inner)]] = value
    else:
        obj[key] = value
    try:
        card = card_from_json(obj)
    except CardError:
        return
    assert card_from_json(card_to_json(card)) == card
