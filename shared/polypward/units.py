"""Units of water tests: one table of factors that know what they count.

Every factor leads to the canonical unit of its quantity (see `CANONICAL`). A factor for "mg/L" is
only one together with the species: 1 mg/L of nitrate-nitrogen is 4.43 mg/L of nitrate.
"""

import re
from dataclasses import dataclass
from typing import Final

from polypward.errors import BadInputError
from polypward.masses import molar_mass_g

__all__ = ["CANONICAL", "MEQ_PER_L_PER_DKH", "Unit", "scale_of", "unit_of", "units"]

# The unit that each quantity is kept and compared in. Salinity is the practical salinity of
# PSS-78, which has no unit; "PSU" is the word that people use for it.
CANONICAL: Final[dict[str, str]] = {
    "temperature": "degC",
    "salinity": "PSU",
    "ph": "",
    "alkalinity": "dKH",
    "calcium": "mg/L",
    "magnesium": "mg/L",
    "potassium": "mg/L",
    "nitrate": "mg/L NO3",
    "nitrite": "mg/L NO2",
    "ammonia": "mg/L NH4",
    "phosphate": "mg/L PO4",
}

# Millero & Poisson 1981 at practical salinity 35 and 25 degC (UNESCO Tech. Pap. Mar. Sci. 44,
# 1983): kg in a litre. From 30 to 38 PSU and 20 to 30 degC it is right within 0.5 %.
SEAWATER_KG_PER_L: Final = 1.02334306

# One German degree of hardness is 10 mg of calcium oxide in a litre (definition of the degree);
# as alkalinity, two equivalents a mole of it.
MEQ_PER_L_PER_DKH: Final = 2 * 10 / molar_mass_g("CaO")
_DKH_DEFINED: Final = "1 dKH = 10 mg/L CaO (definition), atomic weights CIAAW"
_MASSES: Final = "ratio of molar masses, atomic weights CIAAW (Prohaska et al. 2022)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """A unit of one quantity: canonical value = `factor` * value + `offset`.

    `name` is how the unit is written back, `source` where the factor comes from.
    """

    quantity: str
    name: str
    factor: float
    source: str
    offset: float = 0.0

    def canonical(self, value: float) -> float:
        """Return a value in this unit in the canonical unit of its quantity."""
        return self.factor * value + self.offset

    def from_canonical(self, value: float) -> float:
        """Return a canonical value in this unit."""
        return (value - self.offset) / self.factor


# Grams of the canonical species in a gram of what the test counts. The canonical one comes first.
_BASES: Final[dict[str, dict[str, float]]] = {
    "calcium": {"Ca": 1.0, "CaCO3": molar_mass_g("Ca") / molar_mass_g("CaCO3")},
    "magnesium": {"Mg": 1.0, "CaCO3": molar_mass_g("Mg") / molar_mass_g("CaCO3")},
    "potassium": {"K": 1.0},
    "nitrate": {"NO3": 1.0, "NO3-N": molar_mass_g("NO3") / molar_mass_g("N")},
    "nitrite": {"NO2": 1.0, "NO2-N": molar_mass_g("NO2") / molar_mass_g("N")},
    # All of the ammonia, NH3 and NH4 together, whatever it is counted as.
    "ammonia": {
        "NH4": 1.0,
        "NH4-N": molar_mass_g("NH4") / molar_mass_g("N"),
        "NH3": molar_mass_g("NH4") / molar_mass_g("NH3"),
    },
    "phosphate": {"PO4": 1.0, "PO4-P": molar_mass_g("PO4") / molar_mass_g("P")},
}
# Milligrams in a litre of one of it. Kits call mg/L "ppm"; by mass would be mg/kg.
_SCALES: Final[dict[str, tuple[float, str]]] = {
    "mg/L": (1.0, ""),
    "ppm": (1.0, "ppm as kits use it: mg/L"),
    "ug/L": (1e-3, ""),
    "ppb": (1e-3, "ppb as kits use it: ug/L"),
    "mg/kg": (
        SEAWATER_KG_PER_L,
        "sea water of 35 PSU at 25 degC weighs 1.02334 kg a litre (UNESCO 1983)",
    ),
}
_MOLAR: Final = {"mmol/L": 1.0, "umol/L": 1e-3}


def _build() -> dict[str, dict[str, Unit]]:
    """Return every unit by quantity and name; the canonical one of a quantity comes first."""

    def row(quantity: str, name: str, factor: float, source: str, offset: float = 0.0) -> Unit:
        return Unit(quantity=quantity, name=name, factor=factor, source=source, offset=offset)

    # NIST SP 811 (2008), Appendix B.8: degC = (degF - 32) / 1.8 and degC = K - 273.15, exact.
    exact = "NIST SP 811 (2008), Appendix B.8, exact"
    rows = [
        row("temperature", "degC", 1.0, "canonical"),
        row("temperature", "degF", 1 / 1.8, exact, -32 / 1.8),
        row("temperature", "K", 1.0, exact, -273.15),
        row("salinity", "PSU", 1.0, "canonical, PSS-78 (UNESCO Tech. Pap. Mar. Sci. 36, 1981)"),
        row("salinity", "ppt", 1.0, "taken as PSU; the two differ by less than 0.5 %"),
        row(
            "salinity",
            "g/kg",
            35 / 35.16504,
            "Reference-Composition Salinity 35.16504 g/kg at 35 PSU (Millero et al. 2008)",
        ),
        row("ph", "", 1.0, "no unit"),
        row("alkalinity", "dKH", 1.0, "canonical; " + _DKH_DEFINED),
        row("alkalinity", "meq/L", 1 / MEQ_PER_L_PER_DKH, _DKH_DEFINED),
    ]
    # A milliequivalent of alkalinity is half a millimole of calcium carbonate.
    caco3 = 2 / molar_mass_g("CaCO3") / MEQ_PER_L_PER_DKH
    for scale, (mg_per_l, remark) in _SCALES.items():
        if scale not in ("ug/L", "ppb"):
            told = "; ".join(filter(None, (_DKH_DEFINED, remark)))
            rows.append(row("alkalinity", f"{scale} CaCO3", caco3 * mg_per_l, told))
    for quantity, bases in _BASES.items():
        for basis, grams in bases.items():
            for scale, (mg_per_l, remark) in _SCALES.items():
                told = "; ".join(filter(None, ("" if grams == 1.0 else _MASSES, remark)))
                name = scale if basis in ("Ca", "Mg", "K") else f"{scale} {basis}"
                rows.append(row(quantity, name, grams * mg_per_l, told or "canonical"))
        mole = molar_mass_g(next(iter(bases)))
        rows += [row(quantity, name, mole * factor, _MASSES) for name, factor in _MOLAR.items()]
    table: dict[str, dict[str, Unit]] = {}
    for one in rows:
        table.setdefault(one.quantity, {})[one.name] = one
    return table


_UNITS: Final = _build()

# Spellings, folded (see `_fold`), of scales and bases.
_SCALE_WORDS: Final[dict[str, str]] = {
    **{_word.lower(): _word for _word in (*_SCALES, *_MOLAR, "meq/L", "PSU", "ppt", "g/kg", "dKH")},
    **{"mval/l": "meq/L", "°dh": "dKH", "°dkh": "dKH", "dh": "dKH", "degc": "degC", "c": "degC"},
    **{"°c": "degC", "f": "degF", "°f": "degF", "degf": "degF", "k": "K", "‰": "ppt"},
    **{"mcg/l": "ug/L"},
}
_BASIS_WORDS: Final[dict[str, dict[str, str]]] = {
    "calcium": {"ca": "Ca", "caco3": "CaCO3"},
    "magnesium": {"mg": "Mg", "caco3": "CaCO3"},
    "potassium": {"k": "K"},
    "alkalinity": {"caco3": "CaCO3"},
    "nitrate": {"no3": "NO3", "no3-n": "NO3-N", "no3n": "NO3-N", "n": "NO3-N"},
    "nitrite": {"no2": "NO2", "no2-n": "NO2-N", "no2n": "NO2-N", "n": "NO2-N"},
    "ammonia": {
        **{"nh4": "NH4", "nh4-n": "NH4-N", "nh4n": "NH4-N", "n": "NH4-N"},
        **{"nh3-n": "NH4-N", "nh3n": "NH4-N", "tan": "NH4-N", "nh3": "NH3"},
    },
    "phosphate": {"po4": "PO4", "po4-p": "PO4-P", "po4p": "PO4-P", "p": "PO4-P"},
}


def _fold(text: str) -> str:
    plain = text.strip().lower().replace("µ", "u").replace("μ", "u")
    plain = plain.translate(str.maketrans("₀₁₂₃₄\u207b\u2013\u2212", "01234---"))
    return re.sub(r"\s*([/-])\s*", r"\1", re.sub(r"\b(?:as|l-1)\b|[()]", " ", plain)).strip()


def units(quantity: str) -> dict[str, Unit]:
    """Return the units of a quantity by name, the canonical one first.

    Raises
    ------
    BadInputError
        If no such quantity is tested.
    """
    if quantity not in _UNITS:
        raise BadInputError(f'"{quantity}" is not tested here; {", ".join(_UNITS)} are')
    return dict(_UNITS[quantity])


def scale_of(quantity: str, text: str) -> tuple[str, str]:
    """Part the text of a unit into scale ("mg/L") and basis ("NO3-N"), "" for what is not said.

    Raises
    ------
    BadInputError
        If a word of it is no unit of this quantity.
    """
    scale = basis = ""
    for word in _fold(text).split():
        found_basis = _BASIS_WORDS.get(quantity, {}).get(word, "")
        found_scale = _SCALE_WORDS.get(word, "")
        if found_basis and not basis:
            basis = found_basis
        elif found_scale and not scale:
            scale = found_scale
        else:
            raise BadInputError(
                f'"{text.strip()}" is no unit of {quantity}; known: {_listed(quantity)}'
            )
    return scale, basis


def unit_of(quantity: str, text: str) -> Unit:
    """Return the unit of a quantity that `text` names; nothing is guessed that could be two things.

    Parameters
    ----------
    quantity : str
        A key of `CANONICAL`.
    text : str
        Such as "mg/L NO3-N", "ppb P", "dKH", "degF". Empty where only one unit is in use.

    Raises
    ------
    BadInputError
        If it is no unit of this quantity, or leaves open which basis is meant.
    """
    table = units(quantity)
    scale, basis = scale_of(quantity, text)
    if quantity == "ph" and not scale:
        return table[""]
    bases = _BASES.get(quantity, {})
    if quantity in ("calcium", "magnesium", "potassium"):
        basis = "" if basis in ("Ca", "Mg", "K") else basis
        scale = scale or "mg/L"
    elif bases and scale not in _MOLAR:
        if not basis:
            told = f" in {scale}" if scale else ""
            raise BadInputError(f"{quantity}{told}: as {' or as '.join(bases)}? Say which.")
        scale = scale or "mg/L"
    elif quantity == "alkalinity" and basis:
        scale = scale or "mg/L"
    name = f"{scale} {basis}".strip()
    if quantity == "temperature" and not name:
        name = "degC"
    if name not in table:
        if not name:
            more = ", or sg with its reference like sg25/25" if quantity == "salinity" else ""
            raise BadInputError(f"in which unit? Known: {_listed(quantity)}{more}")
        raise BadInputError(
            f'"{text.strip()}" is no unit of {quantity}; known: {_listed(quantity)}'
        )
    return table[name]


def _listed(quantity: str) -> str:
    return ", ".join(name for name in _UNITS[quantity] if name) or "no unit"
