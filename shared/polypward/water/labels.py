"""What a product's label says, and doses of additives by it: the label wins over practice."""

import re
from dataclasses import dataclass
from datetime import date

from polypward.errors import BadInputError
from polypward.facts import load_facts
from polypward.sizes import volume_l_of
from polypward.water.plans import Plan, Portion, down
from polypward.water.reading import read_value

__all__ = ["LabelDose", "additive_of", "plan_additive", "read_label"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelDose:
    """What a label says: `ml` for so many `litres` of water; `raises` by so much, if it says."""

    ml: float
    litres: float
    text: str
    parameter: str = ""
    raises: float | None = None


def read_label(text: str) -> LabelDose:
    """Return the dose that a label says: "5 mL per 100 L", "10 mL per 100 L raises 0.3 dKH".

    Raises
    ------
    BadInputError
        If it is not written so.
    """
    found = re.fullmatch(
        r"\s*(.+?)\s+(?:per|in|for|to)\s+(.+?)(?:\s+raises\s+(?:(\w+)\s+(?:by\s+)?)?([\d.,].*?))?\s*",
        text,
        re.IGNORECASE,
    )
    if not found:
        raise BadInputError(
            f'label "{text}": write like "5 mL per 100 L", or with what it does: '
            '"10 mL per 100 L raises alkalinity 0.3 dKH"'
        )
    ml, litres = volume_l_of(found[1]) * 1000, volume_l_of(found[2])
    if not (0 < ml <= 100_000 and 0 < litres <= 1e6) or ml > litres * 100:
        raise BadInputError(
            f'label "{text}": {ml:g} mL in {litres:g} L; a dose is over 0 and under a tenth of '
            "the water"
        )
    key, raises = "", None
    if found[4]:
        unit = found[4].lower()
        key = found[3] or ("alkalinity" if "dkh" in unit or "meq" in unit else "")
        if not key:
            raise BadInputError(f'label "{text}": raises what? Like: raises calcium 10 mg/L')
        entry = read_value(key, found[4])
        key, raises = entry.parameter, entry.value
        if not raises > 0:
            raise BadInputError(f'label "{text}": it raises by more than 0')
    return LabelDose(ml=ml, litres=litres, text=text.strip(), parameter=key, raises=raises)


def additive_of(name: str) -> str:
    """Return the name that an additive goes by: "amino" is "amino acids"."""
    word = " ".join(name.lower().replace("-", " ").split())
    return {"amino": "amino acids", "amino acid": "amino acids"}.get(word, word)


def plan_additive(name: str, *, litres: float, label: LabelDose | None, on: date) -> Plan:
    """Return the dose of an additive given by volume: by its label, else by common practice.

    Raises
    ------
    BadInputError
        If there is no label and no common practice is known for it.
    """
    word = additive_of(name)
    practice = load_facts("additives").get(word)
    if label is None and practice is None:
        raise BadInputError(
            f'"{name}": no common practice is known; give its label: --label "5 mL per 100 L"'
        )
    usual = ""
    if practice is not None:
        usual = f"{practice['dose_ml']['value']:g} mL per {practice['per']['value']}"
        source = f"{usual}: {practice['dose_ml']['source']}; the product's own label wins"
    if label is not None:
        source = "the product's label, as you gave it"
        source += f": it overrides the common practice of {usual}" if usual else ""
    dose = label or read_label(usual)
    ml = dose.ml / dose.litres * litres
    cautions = practice["cautions"] if practice else ["Follow the label, its safety part too."]
    formula = f"{dose.ml:g} mL / {dose.litres:.6g} L x {litres:g} L = {ml:.4g} mL, rounded down"
    return Plan(
        what=word,
        portions=(Portion(on=on, start=0.0, end=0.0, amount=down(ml), unit="mL"),),
        formula=(formula,),
        sources=(source,),
        cautions=tuple(cautions),
        log_as=word,
    )
