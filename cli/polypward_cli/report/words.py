"""How the report says things: dates, figures, names of flags and advice, addresses of pages."""

import re
from collections.abc import Iterable
from datetime import date, datetime
from functools import lru_cache
from hashlib import sha1

__all__ = [
    "ADVICE",
    "FLAGS",
    "STATES",
    "counted",
    "day",
    "figure",
    "page_names",
    "sentence",
    "signed",
    "taken",
]

FLAGS = {
    "paling": "Paling",
    "recession": "Recession",
    "overgrowth": "Overgrowth",
    "stalled": "Stalled",
    "sharp-loss": "Sharp loss, act today",
    "look-again": "Look again",
    "overdue": "Overdue",
}
ADVICE = {
    "hold": "hold",
    "treat": "treat",
    "release": "release for sale",
    "discard": "discard, after a second look",
}
STATES = {"held": "on the tables", "moved-out": "moved out", "joined": "joined to another"}
# Names that Windows keeps for devices, whatever follows the dot.
_RESERVED = {"con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in range(10))}
_LONGEST_NAME = 60


@lru_cache(maxsize=4096)  # a ward has few days, its pages name each a hundred times
def day(value: date) -> str:
    """Return a day as people write it: "3 Jan 2026"."""
    return f"{value.day} {value:%b} {value.year}"


def taken(value: datetime) -> str:
    """Return a time to the minute: "3 Jan 2026, 10:20"."""
    return f"{day(value.date())}, {value:%H:%M}"


def figure(
    value: float | None, decimals: int = 0, *, unit: str = "", sd: float | None = None
) -> str:
    """Return a figure with its unit, "n/a" if there is none, with "± SD" if that is known."""
    if value is None or value != value:
        return "n/a"
    spread = "" if sd is None or sd != sd else f" ± {sd:.{decimals}f}"
    return f"{value:.{decimals}f}{spread}{unit}"


def signed(value: float | None, decimals: int = 0, *, unit: str = "") -> str:
    """Return a change with its sign, a true minus before a loss; "n/a" if there is none."""
    if value is None or value != value:
        return "n/a"
    text = f"{abs(value):.{decimals}f}"
    sign = "" if not float(text) else "+" if value > 0 else "\N{MINUS SIGN}"
    return f"{sign}{text}{unit}"


def sentence(text: str) -> str:
    """Return a clause as a sentence: a capital first, a full stop last."""
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) or not text else f"{text}."


def counted(number: int, one: str, many: str | None = None) -> str:
    """Return a number with its noun: "1 photo", "2 photos"."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def page_names(specimens: Iterable[str]) -> dict[str, str]:
    """Return a file name for each specimen's page: short, plain ASCII, different in any case.

    A name that says itself ("torch-03") stays; any other ("Kelch / 3", "con") gets a digest.
    """
    names: dict[str, str] = {}
    for specimen in specimens:
        plain = re.sub(r"[^a-z0-9]+", "-", specimen.casefold()).strip("-")[:_LONGEST_NAME]
        if not plain or plain != specimen or plain in _RESERVED:
            digest = sha1(specimen.encode("utf-8", "surrogatepass"), usedforsecurity=False)
            plain = f"{plain or 'specimen'}-{digest.hexdigest()[:8]}"
        names[specimen] = f"{plain}.html"
    return names
