"""Colour cards: layouts as data files, card.json, serials and measured values."""

from polypward.cards.cgats import Measurement, read_measurements
from polypward.cards.codec import card_from_json, card_to_json
from polypward.cards.layouts import (
    LAYOUTS,
    code_box_mm,
    layout_of_marker,
    load_layout,
    patch_colour,
    scaled,
)
from polypward.cards.measured import with_measurements
from polypward.cards.serials import (
    check_serial,
    layout_of_serial,
    looks_mistyped,
    make_serial,
    parse_serial_code,
    serial_code,
)

__all__ = [
    "LAYOUTS",
    "Measurement",
    "card_from_json",
    "card_to_json",
    "check_serial",
    "code_box_mm",
    "layout_of_marker",
    "layout_of_serial",
    "load_layout",
    "looks_mistyped",
    "make_serial",
    "parse_serial_code",
    "patch_colour",
    "read_measurements",
    "scaled",
    "serial_code",
    "with_measurements",
]
