"""Atomic weights, and the molar mass of a formula."""

import re
from typing import Final

from polypward.errors import BadInputError

__all__ = ["ATOMIC_WEIGHT", "molar_mass_g"]

# g/mol; IUPAC/CIAAW conventional (abridged) atomic weights, Prohaska et al. 2022, Pure Appl. Chem.
# 94:573-600; H, C, N, O, Mg, S, Cl are intervals there and stand with their conventional value.
ATOMIC_WEIGHT: Final[dict[str, float]] = {
    "H": 1.008,
    "C": 12.011,
    "N": 14.007,
    "O": 15.999,
    "Na": 22.990,
    "Mg": 24.305,
    "P": 30.974,
    "S": 32.06,
    "Cl": 35.45,
    "K": 39.098,
    "Ca": 40.078,
}

_GROUP: Final = re.compile(r"([A-Z][a-z]?)(\d*)")


def molar_mass_g(formula: str) -> float:
    """Molar mass of a chemical formula, g/mol: "CaCO3", "MgCl2.6H2O", "NH4"; no brackets.

    The part behind a dot is water of crystallisation or the like, with its number in front.

    Raises
    ------
    BadInputError
        If it is no formula of the elements in `ATOMIC_WEIGHT`.
    """
    total = 0.0
    for part in formula.split("."):
        found = re.fullmatch(r"(\d*)((?:[A-Z][a-z]?\d*)+)", part)
        if not found:
            raise BadInputError(f'"{formula}" is no chemical formula like MgCl2.6H2O')
        groups = _GROUP.findall(found[2])
        missing = [element for element, _ in groups if element not in ATOMIC_WEIGHT]
        if missing:
            raise BadInputError(f'"{formula}": no atomic weight of {missing[0]} here')
        mass = sum(ATOMIC_WEIGHT[element] * int(count or 1) for element, count in groups)
        total += int(found[1] or 1) * mass
    return total
