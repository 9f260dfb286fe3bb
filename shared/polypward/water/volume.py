"""How much water there really is: measured water, not the size printed on a tank."""

import math
import re
from dataclasses import dataclass
from typing import Final

from polypward.errors import BadInputError
from polypward.sizes import as_number, length_unit, volume_l_of

__all__ = ["Volume", "box_l", "measured_volume", "says_unknown", "volume_of"]

# From a jar to a hall of raceways; outside it a unit is wrong.
MIN_L: Final = 1.0
MAX_L: Final = 1_000_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """Water of a system, litres, rounded down, and how it was come by."""

    litres: float
    how: str


def says_unknown(text: str) -> bool:
    """Say whether a person wrote that a volume is not known."""
    return " ".join(text.lower().split()) in ("unknown", "not known", "?")


def box_l(text: str) -> float:
    """Litres of a water body written as length x width x depth of water, like "120x60x45 cm".

    Raises
    ------
    BadInputError
        If it is not three lengths over 0 with one unit.
    """
    found = re.fullmatch(r"\s*([\d.,]+)\s*[x×*]\s*([\d.,]+)\s*[x×*]\s*([\d.,]+)\s*(\D*)", text)  # noqa: RUF001
    if not found:
        raise BadInputError(
            f'"{text}": write length x width x depth of the water, like 120x60x45cm'
        )
    cm = length_unit(found[4])
    sides = [as_number(side) * cm for side in found.groups()[:3]]
    if not all(0 < side <= 10_000 for side in sides):
        raise BadInputError(f'"{text}": each side is over 0 and at most 100 m')
    return math.prod(sides) / 1000


def volume_of(*, inside: str, rock: str, sump: str) -> Volume:
    """Return the volume of a system from its sides: length x width x depth minus rock plus sump.

    Parameters
    ----------
    inside : str
        Inside length x width x depth of the water (not height of the glass), with the unit.
    rock, sump : str
        What rock and sand displace, and the water in the sump: a volume with its unit, "none", or
        "unknown".

    Raises
    ------
    BadInputError
        If a part is not understood, not known, or together they cannot be.
    """
    water = box_l(inside)
    parts = {}
    for name, text in (("rock", rock), ("sump", sump)):
        word = text.strip().lower()
        if says_unknown(text):
            raise BadInputError(
                f"the {name} is not known, so the volume is not: a volume that is too large makes "
                "every dose too large. Measure it by filling (measured litres), or give the "
                f"{name} as a volume"
            )
        parts[name] = 0.0 if word in ("none", "no", "0") else volume_l_of(text)
        if parts[name] < 0:
            raise BadInputError(f'{name} "{text}": a volume is not under 0')
    if parts["rock"] >= water:
        raise BadInputError(
            f"rock of {parts['rock']:.0f} L leaves no water in {water:.0f} L; is its unit right?"
        )
    litres = water - parts["rock"] + parts["sump"]
    how = f"{inside.strip()} = {water:.1f} L, rock {rock.strip()}, sump {sump.strip()}"
    return _rounded_down(litres, how)


def measured_volume(text: str) -> Volume:
    """Return a volume that was measured, as by counting what went in.

    Raises
    ------
    BadInputError
        If it is no volume, or none that a system can have.
    """
    return _rounded_down(volume_l_of(text), f"measured, {text.strip()}")


def _rounded_down(litres: float, how: str) -> Volume:
    if not MIN_L <= litres <= MAX_L:
        raise BadInputError(
            f"{litres:g} L of water: it can be from {MIN_L:g} to {MAX_L:g} L; is the unit right?"
        )
    # A hair's breadth above the whole number is the arithmetic's, not the water's.
    step = 1.0 if litres >= 10 else 0.1
    return Volume(litres=round(math.floor(litres / step + 1e-9) * step, 1), how=how)
