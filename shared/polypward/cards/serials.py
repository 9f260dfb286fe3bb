"""Serials of cards: how they are made, checked, and written into the card's QR code.

A made serial is a letter for the layout, five drawn characters and a check character, such as
``F7KD4QW``. Any other text of up to twelve capitals, digits and hyphens may be a serial too.
"""

import re
from collections.abc import Iterable

from polypward.cards.layouts import LAYOUTS
from polypward.errors import CardError
from polypward.records import Card

__all__ = [
    "SERIAL_CHARACTERS",
    "check_serial",
    "layout_of_serial",
    "looks_mistyped",
    "make_serial",
    "parse_serial_code",
    "serial_code",
]

# 31 characters, a prime number; none of them is mistaken for another (no 0 O, no 1 I L).
SERIAL_CHARACTERS = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
_DRAWN = 5
_FREE = re.compile(r"[A-Z0-9-]{1,12}")
_CODE = re.compile(r"PWCARD ([A-Z]+) ([A-Z0-9-]{1,12})")


def _check_character(body: str) -> str:
    """Give the check character: a weighted sum modulo the prime number of characters.

    Weights 2, 3, 4 ... are different and never 0 modulo 31, so that every single wrong character
    and every swap of two characters changes the sum.
    """
    total = sum(
        weight * SERIAL_CHARACTERS.index(character) for weight, character in enumerate(body, 2)
    )
    return SERIAL_CHARACTERS[total % len(SERIAL_CHARACTERS)]


def make_serial(layout: str, draws: Iterable[int]) -> str:
    """Make a serial of a layout from random numbers.

    Parameters
    ----------
    layout : str
        One of `polypward.cards.LAYOUTS`.
    draws : iterable of int
        Five random numbers, each uniform over 0..30.

    Raises
    ------
    CardError
        If there is no such layout, or not five numbers.
    """
    if layout not in LAYOUTS:
        raise CardError(f"No card layout is called {layout!r}; there are: {', '.join(LAYOUTS)}.")
    drawn = [SERIAL_CHARACTERS[number % len(SERIAL_CHARACTERS)] for number in draws]
    if len(drawn) != _DRAWN:
        raise CardError(f"A serial needs {_DRAWN} random numbers, not {len(drawn)}.")
    body = layout[0].upper() + "".join(drawn)
    return body + _check_character(body)


def layout_of_serial(serial: str) -> str | None:
    """Name the layout of a made serial; None if the text is none (free text, or mistyped)."""
    body, check = serial[:-1], serial[-1:]
    if len(body) != 1 + _DRAWN or any(character not in SERIAL_CHARACTERS for character in body):
        return None
    if _check_character(body) != check:
        return None
    return next((name for name in LAYOUTS if name[0].upper() == body[0]), None)


def looks_mistyped(serial: str) -> bool:
    """Say whether a text has the form of a made serial but the wrong check character."""
    return (
        len(serial) == 2 + _DRAWN
        and all(character in SERIAL_CHARACTERS for character in serial)
        and serial[0] in {name[0].upper() for name in LAYOUTS}
        and layout_of_serial(serial) is None
    )


def check_serial(text: str) -> str:
    """Give a serial as it is printed: capitals, without spaces at its ends.

    Raises
    ------
    CardError
        If it is empty, longer than twelve characters or has others than A-Z, 0-9 and hyphens.
    """
    serial = text.strip().upper()
    if not _FREE.fullmatch(serial):
        raise CardError(
            f"{text!r} cannot be a serial: use 1 to 12 letters A-Z, digits and hyphens."
        )
    return serial


def serial_code(card: Card) -> str:
    """Give the text that the card's QR code holds, e.g. ``"PWCARD FRAME F7KD4QW"``.

    It keeps to the QR alphanumeric set, so that it fits the smallest code (ISO/IEC 18004,
    version 1: 20 characters at level M, 25 at level L).

    Raises
    ------
    CardError
        If the card has no usable serial.
    """
    return f"PWCARD {card.layout.upper()} {check_serial(card.serial)}"


def parse_serial_code(text: str) -> tuple[str, str] | None:
    """Read layout and serial from the text of a QR code; None if it is no card's code."""
    match = _CODE.fullmatch(text.strip().upper())
    if match is None or match[1].lower() not in LAYOUTS:
        return None
    return (match[1].lower(), match[2])
