"""Amounts of money as a person writes them."""

import re
from typing import Final

from polypward.errors import BadInputError

__all__ = ["MAX_AMOUNT", "amount_of", "thousand_or_not"]

MAX_AMOUNT: Final = 1e7
# Money is never told to a tenth of a cent: this is a thousand somewhere, a decimal elsewhere.
_THOUSANDS: Final = re.compile(r"[1-9]\d{0,2}[.,]\d{3}")


def thousand_or_not(text: str) -> str:
    """Return what is unclear in an amount such as 1.234, or "".

    Examples
    --------
    >>> thousand_or_not("1.234"), thousand_or_not("12.50")
    ('may mean 1234 or 1.23; write it so', '')
    """
    if not _THOUSANDS.fullmatch(text.strip()):
        return ""
    plain = text.strip().replace(",", "").replace(".", "")
    return f"may mean {plain} or {text.strip()[:-1]}; write it so"


def amount_of(text: str, name: str) -> float:
    """Return an amount of money from text; a decimal comma is understood.

    Parameters
    ----------
    text : str
        As written.
    name : str
        What it is called, for the sentence.

    Raises
    ------
    BadInputError
        If it is none, is below 0 or above `MAX_AMOUNT`, or may mean two.
    """
    if unclear := thousand_or_not(text):
        raise BadInputError(f'{name} "{text}" {unclear}')
    plain = text.strip()
    if plain.count(",") == 1 and "." not in plain:
        plain = plain.replace(",", ".")
    try:
        value = float(plain)
    except ValueError:
        value = -1.0
    if not 0 <= value <= MAX_AMOUNT:
        raise BadInputError(f'{name} must be an amount from 0 to {MAX_AMOUNT:,.0f}, got "{text}"')
    return value
