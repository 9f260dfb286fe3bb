"""Amounts of a dose as a person writes them, held against the water they go into."""

from typing import Final

from polypward.errors import BadInputError
from polypward.sizes import VOLUME_L, split_number, volume_l_of
from polypward_cli.ward import Ward
from polypward_cli.water.systems import volume_of_system

__all__ = ["check_amount", "read_amount"]

# Beyond these an amount is a slip of the pen or of the unit; own choices, no limits of an animal.
MOST_G: Final = 100_000.0
MOST_L: Final = 1000.0
G_A_LITRE: Final = 10.0
SHARE: Final = 0.1


def read_amount(text: str) -> tuple[float, str]:
    """Read "12 g", "5 mL" or another volume (kept as mL or L); refuse what no system is given."""
    value, unit = split_number(text)
    if unit.lower() in ("g", "kg", "mg"):
        grams = value * {"mg": 0.001, "g": 1.0, "kg": 1000.0}[unit.lower()]
        number, unit = grams, "g"
    elif unit:
        litres = volume_l_of(text)
        number, unit = (litres, "L") if litres >= 1 else (litres * 1000, "mL")
    else:
        raise BadInputError(f'"{text}": how much of what unit? mg, g, kg, {", ".join(VOLUME_L)}')
    most = {"g": MOST_G, "mL": MOST_L * 1000, "L": MOST_L}[unit]
    if not 0 < number <= most:
        raise BadInputError(
            f'"{text}": a dose is over 0 and at most {MOST_G / 1000:g} kg or {MOST_L:g} L; '
            "is the unit right?"
        )
    return round(number, 6), unit


def check_amount(ward: Ward, system: str, text: str, quantity: float, unit: str) -> None:
    """Refuse what the water of a system, where its volume is known, is never given at once."""
    volume = volume_of_system(ward, system)
    if volume is None:
        return
    grams = unit == "g"
    litres = 0.0 if grams else quantity / (1000 if unit == "mL" else 1)
    most = G_A_LITRE * volume.litres if grams else SHARE * volume.litres
    if (quantity if grams else litres) > most:
        told = f"{most:g} g ({G_A_LITRE:g} g a litre)" if grams else f"{most:.3g} L (a tenth of it)"
        raise BadInputError(
            f'"{text}" into {volume.litres:g} L of {system}: a dose is at most {told}; '
            "is the unit right?"
        )
