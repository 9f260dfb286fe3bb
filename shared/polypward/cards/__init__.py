"""Colour cards: layouts as data files, card.json, serials and measured values."""

from polypward.cards.codec import card_from_json, card_to_json
from polypward.cards.layouts import (
    LAYOUTS,
    code_box_mm,
    layout_of_marker,
    load_layout,
    patch_colour,
    scaled,
)
from polypward.cards.serials import (
    check_serial,
    layout_of_serial,
    make_serial,
    parse_serial_code,
    serial_code,
)

__all__ = [
    "LAYOUTS",
    "card_from_json",
    "card_to_json",
    "check_serial",
    "code_box_mm",
    "layout_of_marker",
    "layout_of_serial",
    "load_layout",
    "make_serial",
    "parse_serial_code",
    "patch_colour",
    "scaled",
    "serial_code",
]
