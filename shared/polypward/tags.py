"""Reusable tags: how they are numbered, and which marks of the 36h11 family are theirs.

The marker with a tag's own number is its mark. The cards' markers are 310 to 317 and 330 to 333:
tags keep below 300, so that neither is ever taken for the other.
"""

import re
from typing import Final

from polypward.errors import BadInputError

__all__ = ["LAST_TAG", "MARK_MM", "number_of_tag", "tag_called", "tag_of_number"]

LAST_TAG: Final = 299
# Side of a mark's black square, mm; with a white rim of one module (of 8) it is 15 mm.
MARK_MM: Final = 12.0
_TAG: Final = re.compile(r"[Tt]?\s*0*([1-9]\d{0,2})")


def tag_of_number(number: int) -> str:
    """Return the name of a tag: "T17".

    Raises
    ------
    BadInputError
        If there is no such tag.
    """
    if not 1 <= number <= LAST_TAG:
        raise BadInputError(f"tags are numbered from 1 to {LAST_TAG}, got {number}")
    return f"T{number}"


def tag_called(text: str) -> str:
    """Return the name of the tag that a person means by "17", "017", "T17" or "t 17".

    Raises
    ------
    BadInputError
        If it is none of them.
    """
    found = _TAG.fullmatch(text.strip())
    if not found:
        raise BadInputError(f'"{text}" is no tag; write its number, as 17 (1 to {LAST_TAG})')
    return tag_of_number(int(found[1]))


def number_of_tag(name: str) -> int | None:
    """Return the number of a tag by its name ("T17"); None if it is no tag's name."""
    found = re.fullmatch(r"T([1-9]\d{0,2})", name)
    return int(found[1]) if found and int(found[1]) <= LAST_TAG else None
