"""A test of water as a person writes it: "no3=5", "alkalinity=8.4 dKH", "sg25/25=1.0264"."""

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from polypward.errors import BadInputError
from polypward.sizes import as_number, split_number
from polypward.units import scale_of, unit_of
from polypward.water.parameters import PARAMETERS, parameter, shown
from polypward.water.seawater import salinity_from_sg

__all__ = ["Entry", "parameter_of", "read_entries", "read_entry", "read_value"]

# Short names, each with the unit that it says by itself ("" = none).
_NAMES: Final[dict[str, tuple[str, str]]] = {
    **{key: (key, "") for key in PARAMETERS},
    **{"temp": ("temperature", ""), "t": ("temperature", ""), "sal": ("salinity", "")},
    **{"psu": ("salinity", "PSU"), "ppt": ("salinity", "ppt"), "sg": ("salinity", "sg")},
    **{"alk": ("alkalinity", ""), "kh": ("alkalinity", ""), "dkh": ("alkalinity", "dKH")},
    **{"ca": ("calcium", ""), "mg": ("magnesium", ""), "k": ("potassium", "")},
    **{"no3": ("nitrate", "NO3"), "no3-n": ("nitrate", "NO3-N"), "no3n": ("nitrate", "NO3-N")},
    **{"no2": ("nitrite", "NO2"), "no2-n": ("nitrite", "NO2-N"), "no2n": ("nitrite", "NO2-N")},
    **{"nh4": ("ammonia", "NH4"), "nh4-n": ("ammonia", "NH4-N"), "nh4n": ("ammonia", "NH4-N")},
    **{"nh3-n": ("ammonia", "NH4-N"), "tan": ("ammonia", "NH4-N")},
    **{
        "po4": ("phosphate", "PO4"),
        "po4-p": ("phosphate", "PO4-P"),
        "po4p": ("phosphate", "PO4-P"),
    },
}
# What a person writes where the kit showed nothing, and which parameters may show nothing.
_NOTHING: Final = frozenset({"nd", "none", "undetectable", "not detected", "n.d."})
_TRACES: Final = frozenset({"nitrate", "nitrite", "ammonia", "phosphate"})
_SG: Final = re.compile(
    r"sg\s*(?:(\d+(?:[.,]\d+)?)\s*(?:c|f)?\s*/\s*(\d+(?:[.,]\d+)?)\s*(c|f)?)?", re.IGNORECASE
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One test as it was written and what it says.

    `value` is in the canonical unit of the parameter. With `below` the kit showed nothing, and
    `value` is the least it can show (0 if nobody said). `entered` is the text.
    """

    parameter: str
    value: float
    below: bool
    entered: str


def parameter_of(name: str) -> str:
    """Return the parameter that a name or short name means.

    Raises
    ------
    BadInputError
        If it means none.
    """
    return _named(name)[0]


def _named(name: str) -> tuple[str, str]:
    word = name.strip().lower().translate(str.maketrans("₀₁₂₃₄\u207b\u2013", "01234--"))
    if _SG.fullmatch(word):
        return "salinity", word
    if word == "nh3":
        raise BadInputError(
            f'"{name.strip()}": all of the ammonia, or the un-ionised part? A kit shows all of it: '
            'nh4=0.2, tan=0.2 (as nitrogen) or "ammonia=0.2 mg/L NH3". The part is worked out '
            "where pH, temperature and salinity are tested with it"
        )
    if word not in _NAMES:
        near = difflib.get_close_matches(word, _NAMES, n=1)
        hint = f' Is it "{near[0]}"?' if near else ""
        raise BadInputError(
            f'"{name.strip()}" is not tested here.{hint} Known: {", ".join(PARAMETERS)}'
        )
    return _NAMES[word]


def read_entry(text: str) -> Entry:
    """Return the test that "NAME=VALUE UNIT" says; the name may carry the unit ("dkh", "no3-n").

    Raises
    ------
    BadInputError
        If it is not understood, could mean two things, or cannot be.
    """
    name, equals, value = text.partition("=")
    if not equals or not name.strip() or not value.strip():
        raise BadInputError(f'"{text}": write NAME=VALUE UNIT, like dkh=8.4 or "no3=5 mg/L"')
    return read_value(name, value)


def read_entries(texts: Iterable[str]) -> list[Entry]:
    """Return the tests that were written together, no parameter twice.

    Raises
    ------
    BadInputError
        With every fault.
    """
    read: list[Entry] = []
    faults: list[str] = []
    for text in texts:
        try:
            read.append(read_entry(text))
        except BadInputError as error:
            faults.append(str(error).removesuffix("."))
    told = [one.parameter for one in read]
    faults += [
        f"{key} is given twice; a repeat is a test of its own"
        for key in dict.fromkeys(told)
        if told.count(key) > 1
    ]
    if faults:
        raise BadInputError("; ".join(faults) + ". Nothing was written.")
    return read


def read_value(name: str, text: str) -> Entry:
    """Return the test of the parameter `name` that `text` (number, unit) says.

    Raises
    ------
    BadInputError
        If it is not understood, could mean two things, or cannot be: with the range.
    """
    key, implied = _named(name)
    entered = f"{name.strip()}={text.strip()}"
    plain = text.strip()
    if plain.lower() in _NOTHING:
        if key not in _TRACES:
            raise BadInputError(f'{entered}: "nothing found" is no value of {key}')
        return Entry(parameter=key, value=0.0, below=True, entered=entered)
    below = bool(re.match(r"<|under\b", plain, re.IGNORECASE))
    plain = re.sub(r"^(<|under\b)\s*", "", plain, flags=re.IGNORECASE)
    if below and key not in _TRACES:
        raise BadInputError(f"{entered}: {key} is never under what a kit can show; test it again")
    try:
        number, unit = split_number(plain)
        value = _canonical(key, number, unit, implied)
    except BadInputError as error:
        raise BadInputError(f"{entered}: {error}") from None
    _check(key, value, entered)
    return Entry(
        parameter=key,
        value=value,
        below=below or (key in _TRACES and value == 0),
        entered=entered,
    )


def _canonical(key: str, number: float, unit: str, implied: str) -> float:
    """Return the value in the canonical unit; what the name implies and the unit must agree."""
    gravity = [said for said in (unit, implied) if _SG.fullmatch(said)]
    if key == "salinity" and gravity:
        if unit and implied and len(gravity) == 1:
            raise BadInputError(f"{implied} or {unit}? One or the other")
        # The unit's reference ("sg 25/25") says more than a bare "sg".
        return _from_gravity(number, max(gravity, key=len))
    scale, basis = scale_of(key, unit)
    meant = scale_of(key, implied)
    for said, name in zip((scale, basis), meant, strict=True):
        if said and name and said != name:
            raise BadInputError(f"{name} or {said}? Write one of them")
    return unit_of(key, f"{scale or meant[0]} {basis or meant[1]}").canonical(number)


def _from_gravity(number: float, text: str) -> float:
    found = _SG.fullmatch(text)
    if found is None or not found[1]:
        raise BadInputError(
            "specific gravity at which temperatures? The same 1.025 is 33.2 PSU at 25/25 degC and "
            "37.2 PSU at 25/4. It stands on the instrument or in its leaflet: write sg25/25=1.0264"
        )
    water, reference = as_number(found[1]), as_number(found[2])
    if (found[3] or "").lower() == "f":
        water, reference = (water - 32) / 1.8, (reference - 32) / 1.8
    elif max(water, reference) > 40:
        raise BadInputError(
            f"{found[1]}/{found[2]}: degrees Celsius up to 40, or write F behind it, like sg60/60F"
        )
    return salinity_from_sg(number, water_c=water, reference_c=reference)


def _check(key: str, value: float, entered: str) -> None:
    one = parameter(key)
    if key == "salinity" and 1.0 < value < 1.1 and not _SG.search(entered):
        raise BadInputError(
            f"{entered}: that looks like a specific gravity; write it with its reference, like "
            f"sg25/25={value:g}. Salinity in PSU is about 35 in sea water"
        )
    if not one.low - 1e-9 <= value <= one.high + 1e-9:
        raise BadInputError(
            f"{entered}: {one.words} can be from {shown(key, one.low, unit=False)} to "
            f"{shown(key, one.high)}, not {shown(key, value)}; is the unit right?"
        )
