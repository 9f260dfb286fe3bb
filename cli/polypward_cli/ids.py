"""Specimen ids: short, easy to read aloud, and wrong when one sign of them is misread."""

from typing import Final

__all__ = ["ALPHABET", "check_sign", "is_id", "make_id"]

# 23 signs, none of which looks like another in handwriting (no 0/O/Q, 1/I/L, 2/Z, 5/S, 8/B, G/6).
# The number is prime, so that the check sign finds every single wrong sign and every swap of two
# neighbours (weights 1, 2, 3 ... modulo a prime: the argument of ISO 7064 and ISBN-10).
ALPHABET: Final = "34679ACDEFHJKMNPRTUVWXY"
_BASE: Final = len(ALPHABET)
_LEAST: Final = 3
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
