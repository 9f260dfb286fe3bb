"""Specimen ids: short, easy to read aloud, and wrong when one sign of them is misread."""

import re
from collections.abc import Iterator
from itertools import count
from typing import Final

__all__ = [
    "ALPHABET",
    "LENGTH",
    "check_sign",
    "is_id",
    "is_plain",
    "looks_misread",
    "make_id",
    "new_ids",
]

# 23 signs, none of which looks like another in handwriting (no 0/O/Q, 1/I/L, 2/Z, 5/S, 8/B, G/6).
# The number is prime, so that the check sign finds every single wrong sign and every swap of two
# neighbours (weights 1, 2, 3 ... modulo a prime: the argument of ISO 7064 and ISBN-10).
ALPHABET: Final = "34679ACDEFHJKMNPRTUVWXY"
_BASE: Final = len(ALPHABET)
_LEAST: Final = 3
LENGTH: Final = _LEAST + 1
# What a spreadsheet turns into a date ("MAY7").
_MONTHS: Final = "JAN|FEB|MAR|APR|MAY|JUN|JUL|AUG|SEP|OCT|NOV|DEC"
# Spreads neighbouring numbers over the alphabet, so that two ids of a batch look unlike.
_STEP: Final = 7919


def make_id(number: int) -> str:
    """Return the id of a number from 0: three signs and a check sign, more when they run out.

    Examples
    --------
    >>> make_id(0), make_id(1)
    ('3333', '9NHD')
    """
    if number < 0:
        raise ValueError(f"number must not be negative, got {number}")
    length, first = _LEAST, 0
    while number - first >= _BASE**length:
        first += _BASE**length
        length += 1
    spread = (number - first) * _STEP % _BASE**length
    signs = ""
    for _ in range(length):
        spread, digit = divmod(spread, _BASE)
        signs = ALPHABET[digit] + signs
    return signs + check_sign(signs)


def check_sign(signs: str) -> str:
    """Return the check sign of an id's other signs."""
    total = sum(place * ALPHABET.index(sign) for place, sign in enumerate(signs, start=1))
    return ALPHABET[total % _BASE]


def is_id(text: str) -> bool:
    """Say whether `text` is an id that `make_id` may have made (a misread one is not)."""
    signs = text.upper()
    fits = len(signs) > _LEAST and all(sign in ALPHABET for sign in signs)
    return fits and check_sign(signs[:-1]) == signs[-1]


def is_plain(signs: str) -> bool:
    """Say whether an id is safe in other programs' hands: a letter first, and a digit somewhere.

    A spreadsheet makes a number of "3333" and of "7E43", and a day of "MAY7"; a camera counts its
    photos "3333"; and four letters may be a word.
    """
    mixed = signs[0].isalpha() and any(sign.isdigit() for sign in signs)
    return mixed and not re.fullmatch(rf"({_MONTHS})\d+", signs)


def new_ids(first: int) -> Iterator[str]:
    """Yield the plain ids of the numbers from `first` on."""
    return (one for number in count(first) if is_plain(one := make_id(number)))


def looks_misread(text: str) -> bool:
    """Say whether `text` has the length and mixture of an id, but is none."""
    signs = text.upper()
    mixed = any(sign.isdigit() for sign in signs) and any(sign.isalpha() for sign in signs)
    return len(signs) == LENGTH and signs.isalnum() and mixed and not is_id(signs)
