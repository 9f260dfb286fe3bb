"""The errors of polypward: few classes, each message says what is wrong, where, and what to do."""

from typing import Any

__all__ = ["BadInputError", "CardError", "PhotoRejectedError", "PolypwardError"]


class PolypwardError(Exception):
    """Any error that polypward raises on purpose; its text is meant for the person at the desk."""


class BadInputError(PolypwardError, ValueError):
    """An input as a whole cannot be used: a file, a row, a setting or an argument."""


class CardError(BadInputError):
    """A card layout or card.json is not what it claims."""


class PhotoRejectedError(PolypwardError):
    """One photo gives no reading; `code` is a key of `polypward.reasons.REASONS`.

    Parameters
    ----------
    code : str
        Reason code, e.g. ``"no-card"``.
    detail : str
        What was seen, in a few words with figures ("1 of 8 markers seen").

    Attributes
    ----------
    known : dict of str to object
        Fields of `polypward.records.Reading` that were known by then: the card, the tilt, the
        grade of the colour. No measures.
    """

    def __init__(self, code: str, detail: str = "") -> None:
        super().__init__(f"{code}: {detail}" if detail else code)
        self.code = code
        self.detail = detail
        self.known: dict[str, Any] = {}
