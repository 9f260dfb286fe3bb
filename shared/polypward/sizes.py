"""Volumes, lengths and numbers as a person writes them."""

import re
from typing import Final

from polypward.errors import BadInputError

__all__ = [
    "LENGTH_CM",
    "VOLUME_L",
    "as_number",
    "length_unit",
    "split_number",
    "volume_l_of",
]

# NIST Handbook 44, Appendix C: 1 inch = 2.54 cm exactly, 1 US gallon = 231 cubic inches exactly,
# 1 foot = 12 inches, 1 US fluid ounce = 1/128 US gallon. Imperial gallon: 4.54609 L exactly
# (UK Weights and Measures Act 1985, Schedule 1).
LENGTH_CM: Final[dict[str, float]] = {"mm": 0.1, "cm": 1.0, "m": 100.0, "in": 2.54, "ft": 30.48}
VOLUME_L: Final[dict[str, float]] = {
    "mL": 0.001,
    "L": 1.0,
    "m3": 1000.0,
    "US gal": 3.785411784,
    "imp gal": 4.54609,
    "US fl oz": 3.785411784 / 128,
}


def as_number(text: str) -> float:
    """Return a number written with a decimal point or a decimal comma.

    Raises
    ------
    BadInputError
        If it is none, or reads two ways ("1,250": over a thousand, or one and a quarter?).
    """
    plain = text.strip()
    if re.fullmatch(r"[1-9]\d{0,2}(,\d{3})+(\.\d*)?", plain):
        raise BadInputError(
            f'"{text.strip()}" reads two ways; write {plain.replace(",", "")} without a comma'
        )
    if not re.fullmatch(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)", plain):
        raise BadInputError(f'"{text.strip()}" is no number')
    return float(plain.replace(",", "."))


def split_number(text: str) -> tuple[float, str]:
    """Part "5 mL" into number and unit.

    Raises
    ------
    BadInputError
        If it does not begin with a number.
    """
    found = re.fullmatch(r"\s*([+-]?[\d.,]+)\s*(.*?)\s*", text)
    if not found:
        raise BadInputError(f'"{text.strip()}": write a number and its unit, like 5 mL')
    return as_number(found[1]), found[2]


_VOLUME_WORDS: Final[dict[str, str]] = {
    **{"ml": "mL", "l": "L", "litre": "L", "litres": "L", "liter": "L", "liters": "L"},
    **{"m3": "m3", "us gal": "US gal", "us gallon": "US gal", "us gallons": "US gal"},
    **{"imp gal": "imp gal", "imperial gal": "imp gal", "uk gal": "imp gal"},
    **{"imperial gallon": "imp gal", "imperial gallons": "imp gal", "us fl oz": "US fl oz"},
}


def volume_l_of(text: str) -> float:
    """Return a volume such as "80 L", "25 US gal" or "20 imp gal" in litres.

    Raises
    ------
    BadInputError
        If it is no volume, or "gal" without US or imperial.
    """
    value, unit = split_number(text)
    word = " ".join(unit.lower().replace(".", " ").split())
    word = re.sub(r"^usgal", "us gal", word)
    if re.fullmatch(r"(gals?|gallons?)", word):
        raise BadInputError(f'"{text.strip()}": US gal or imp gal? One is a fifth more; say which.')
    if word not in _VOLUME_WORDS:
        raise BadInputError(f'"{text.strip()}" is no volume; units: {", ".join(VOLUME_L)}')
    return value * VOLUME_L[_VOLUME_WORDS[word]]


def length_unit(text: str) -> float:
    """Return the centimetres in a unit of length.

    Raises
    ------
    BadInputError
        If it is none of `LENGTH_CM`, or left out.
    """
    word = text.strip().lower().removesuffix(".")
    word = {'"': "in", "inch": "in", "inches": "in", "feet": "ft", "foot": "ft"}.get(word, word)
    if word not in LENGTH_CM:
        said = f'"{text.strip()}" is no unit of length' if word else "no unit of length given"
        raise BadInputError(f"{said}; units: {', '.join(LENGTH_CM)}")
    return LENGTH_CM[word]
