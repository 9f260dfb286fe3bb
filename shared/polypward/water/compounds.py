"""Compounds that raise calcium, alkalinity or magnesium, and their mass by stoichiometry."""

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Any, Final

from polypward.errors import BadInputError
from polypward.facts import load_facts
from polypward.masses import molar_mass_g
from polypward.units import MEQ_PER_L_PER_DKH

__all__ = ["ION", "Compound", "compound_of", "compounds", "grams_for", "raised_by"]

# The ion by which a parameter in mg/L is counted.
ION: Final = {"calcium": "Ca", "magnesium": "Mg"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Compound:
    """A compound that raises a parameter; `per_mole` moles of the ion, or equivalents, a mole."""

    name: str
    raises: str
    formula: str
    hydration: str
    per_mole: float
    purity: float
    source: str
    cautions: tuple[str, ...]

    @property
    def molar_mass_g(self) -> float:
        """Molar mass with its water of crystallisation, g/mol."""
        return molar_mass_g(self.formula)


@cache
def compounds() -> Mapping[str, Compound]:
    """Return the compounds of the facts, by name."""
    facts = load_facts("compounds")

    def read(name: str, entry: dict[str, Any]) -> Compound:
        return Compound(
            name=name,
            raises=entry["raises"],
            formula=entry["formula"],
            hydration=entry["hydration"],
            per_mole=entry["per_mole"]["value"],
            purity=entry["purity"]["value"],
            source=entry["per_mole"]["source"],
            cautions=tuple(facts["caution"][key] for key in entry["cautions"]),
        )

    return MappingProxyType({name: read(name, one) for name, one in facts["compound"].items()})


def compound_of(text: str, *, raises: str) -> Compound:
    """Return the compound that `text` means, by name or formula; the hydration is never guessed.

    Raises
    ------
    BadInputError
        If it is not known, leaves the hydration open, or does not raise the parameter `raises`.
    """
    word = " ".join(text.lower().replace("·", ".").replace("*", ".").split())
    every = compounds()
    fitting = [one for one in every.values() if one.raises == raises]
    listed = "; ".join(f"{one.name} ({one.formula})" for one in fitting)
    exact = [one for one in every.values() if word in (one.name, one.formula.lower())]
    exact = exact or [one for one in every.values() if word == one.name.replace(",", "")]
    found = exact or [one for one in every.values() if one.name.split(",")[0] == word]
    if not found:
        near = difflib.get_close_matches(word, every, n=1)
        hint = f' Is it "{near[0]}"?' if near else ""
        raise BadInputError(f'"{text}" is not in the list.{hint} For {raises}: {listed}')
    if len(found) > 1:
        names = "; ".join(f"{one.name} ({one.formula})" for one in found)
        raise BadInputError(f'"{text}": with how much water? The label says: {names}')
    if found[0].raises != raises:
        raise BadInputError(f"{found[0].name} raises {found[0].raises}, not {raises}: {listed}")
    return found[0]


def raised_by(text: str) -> tuple[str, str]:
    """Return the name of a compound and the parameter that it raises, "" if it is not listed.

    Unlike `compound_of` it leaves the water of crystallisation open: "calcium chloride" will do.
    """
    word = " ".join(text.lower().split())
    for one in compounds().values():
        if word in (one.name, one.formula.lower(), one.name.split(",")[0]):
            exact = word in (one.name, one.formula.lower())
            return one.name if exact else word, one.raises
    return word, ""


def grams_for(compound: Compound, *, change: float, litres: float, purity: float) -> float:
    """Grams of a compound that raise its parameter by `change` in so many litres.

    Parameters
    ----------
    compound : Compound
        What is dosed.
    change : float
        In the canonical unit of the parameter: dKH for alkalinity, else mg/L; not under 0.
    litres : float
        Measured water, over 0.
    purity : float
        Share of the compound in the powder by mass, over 0 to 1.

    Raises
    ------
    BadInputError
        If a number is outside its range.
    """
    if not 0 < purity <= 1:
        raise BadInputError(f"purity {purity * 100:g} %: it is over 0 and at most 100 %")
    if not litres > 0 or change < 0:
        raise BadInputError(f"{litres:g} L, change {change:g}: a volume over 0, a change upwards")
    return _moles(compound, change, litres) * compound.molar_mass_g / purity


def _moles(compound: Compound, change: float, litres: float) -> float:
    """Moles of a compound for a change."""
    if compound.raises == "alkalinity":
        per_litre = change * MEQ_PER_L_PER_DKH / 1000
    else:
        per_litre = change / 1000 / molar_mass_g(ION[compound.raises])
    return per_litre * litres / compound.per_mole
