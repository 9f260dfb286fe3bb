"""Corrections of water: from stoichiometry, from a label, or by swapping water."""

from datetime import date
from typing import Final

from polypward.errors import BadInputError
from polypward.facts import load_facts
from polypward.masses import molar_mass_g
from polypward.units import MEQ_PER_L_PER_DKH
from polypward.water.compounds import ION, Compound, grams_for
from polypward.water.labels import LabelDose
from polypward.water.parameters import parameter, shown
from polypward.water.plans import RETEST, Plan, Portion, down, steps_of

__all__ = ["plan_compound", "plan_label", "plan_water"]

_LIKE: Final = {"alkalinity": "0.3 dKH"}


def plan_compound(
    compound: Compound,
    *,
    now: float,
    to: float,
    litres: float,
    a_day: float,
    a_day_source: str,
    on: date,
    purity: float | None = None,
) -> Plan:
    """Return the plan that raises a parameter with a compound, split over days.

    Parameters
    ----------
    compound : Compound
        What is dosed, see `compound_of`.
    now, to : float
        Tested value and aim, canonical unit; only upwards.
    litres : float
        Measured water.
    a_day : float
        Largest change a day, canonical unit; `a_day_source` says whose word that is.
    on : date
        Day of the first portion.
    purity : float, optional
        Share by mass, 0 to 1; without it the compound's default, and the plan says so.

    Raises
    ------
    BadInputError
        If the aim is not above the tested value, or a number is outside its range.
    """
    key = compound.raises
    _only_up(key, now, to)
    share = compound.purity if purity is None else purity
    steps = steps_of(now, to, a_day, key, on)
    grams = [
        grams_for(compound, change=end - start, litres=litres, purity=share)
        for _, start, end in steps
    ]
    change = steps[0][2] - steps[0][1]
    if key == "alkalinity":
        per_litre = f"{change:.3g} dKH x {MEQ_PER_L_PER_DKH:.5f} meq/L"
        gives = f"{compound.per_mole:g} eq/mol"
    else:
        per_litre = f"{change:.3g} mg/L / {molar_mass_g(ION[key]):g} g/mol"
        gives = f"{compound.per_mole:g} mol/mol"
    return Plan(
        what=f"{compound.name} ({compound.formula}, water of crystallisation: "
        f"{compound.hydration}), {share * 100:g} % pure"
        + (" (assumed; the label says better)" if purity is None else ""),
        portions=tuple(
            Portion(on=day, start=start, end=end, amount=down(gram), unit="g")
            for (day, start, end), gram in zip(steps, grams, strict=True)
        ),
        formula=(
            f"a portion = {per_litre} x {litres:g} L / 1000 x {compound.molar_mass_g:.3f} g/mol"
            f" / {gives} / {share:g} = {grams[0]:.4g} g, rounded down",
        ),
        sources=(
            f"{compound.source}; molar mass from CIAAW atomic weights",
            f"largest change {shown(key, a_day)} a day: {a_day_source}",
        ),
        cautions=compound.cautions,
        notes=(RETEST,),
        log_as=compound.name,
    )


def _only_up(key: str, now: float, to: float) -> None:
    if to <= now:
        raise BadInputError(
            f"{parameter(key).words} is {shown(key, now)}, the aim {shown(key, to)}: nothing to "
            "raise, and no dose lowers it; a water change does"
        )


def plan_label(
    label: LabelDose,
    *,
    now: float,
    to: float,
    litres: float,
    a_day: float,
    a_day_source: str,
    on: date,
    raises: str = "",
) -> Plan:
    """Return the plan that raises a parameter with a product by its label, split over days.

    `raises` is the parameter that is asked for, for the sentence where the label says none.

    Raises
    ------
    BadInputError
        If the label does not say what it raises, or a number is outside its range.
    """
    kind = raises or "alkalinity"
    if label.raises is None:
        raise BadInputError(
            f'label "{label.text}": how far does it raise the water? '
            f'Like: "10 mL per 100 L raises {kind} {_LIKE.get(kind, "10 mg/L")}"'
        )
    key = label.parameter
    _only_up(key, now, to)
    steps = steps_of(now, to, a_day, key, on)
    per = label.ml / label.litres / label.raises
    ml = [(end - start) * litres * per for _, start, end in steps]
    change = steps[0][2] - steps[0][1]
    facts = load_facts("compounds")["caution"]
    both = key in ("alkalinity", "calcium")
    return Plan(
        what=f"the product, by its label: {label.text}",
        portions=tuple(
            Portion(on=day, start=start, end=end, amount=down(one), unit="mL")
            for (day, start, end), one in zip(steps, ml, strict=True)
        ),
        formula=(
            f"a portion = {change:.3g} / {label.raises:.4g} x {label.ml:g} mL / "
            f"{label.litres:.6g} L x {litres:g} L = {ml[0]:.4g} mL, rounded down",
        ),
        sources=(
            "the product's label, as you gave it: it overrides common practice",
            f"largest change {shown(key, a_day)} a day: {a_day_source}",
        ),
        cautions=(
            *((facts["separate"],) if both else ()),
            "If the label allows less a day than this, the label wins. Follow its safety part.",
        ),
        notes=(RETEST,),
        log_as=f"{key}: NAME OF THE PRODUCT",
    )


def plan_water(
    key: str,
    *,
    now: float,
    to: float,
    a_day: float,
    a_day_source: str,
    on: date,
    litres: float | None = None,
    mixed: float | None = None,
) -> Plan:
    """Return the plan that moves temperature or salinity, no more than `a_day` each day.

    Parameters
    ----------
    key : str
        "temperature" or "salinity".
    now, to : float
        Tested value and aim, canonical unit; up or down.
    a_day, a_day_source, on
        As in `plan_compound`.
    litres : float, optional
        Measured water; with it a change of salinity says how much water to swap.
    mixed : float, optional
        Salinity of the water that goes in, PSU; fresh water (0) where the aim is lower.

    Raises
    ------
    BadInputError
        If nothing is to be changed, or the water that goes in cannot bring it there.
    """
    if to == now:
        raise BadInputError(f"{parameter(key).words} is {shown(key, now)} already")
    steps = steps_of(now, to, a_day, key, on)
    source = f"largest change {shown(key, a_day)} a day: {a_day_source}"
    if key == "temperature" or litres is None:
        how = {
            "temperature": "heater, chiller or room: set it a step further each day",
            "salinity": "no volume known: swap a little, mix, test, until the day's end is reached",
        }
        return Plan(
            what=how[key],
            portions=tuple(Portion(on=day, start=a, end=b) for day, a, b in steps),
            formula=(_equal_steps(len(steps), key, now, to),),
            sources=(source,),
            cautions=("Watch the animals; stop if they close or slime.",),
            notes=(RETEST,),
        )
    going_in = 0.0 if mixed is None and to < now else mixed
    if going_in is None:
        raise BadInputError("raising salinity: how salty is the water that goes in? --mixed 38")
    if (to - now) * (going_in - to) <= 0:
        raise BadInputError(
            f"water of {shown(key, going_in)} cannot bring {shown(key, now)} to {shown(key, to)}"
        )
    swap = [litres * (b - a) / (going_in - a) for _, a, b in steps]
    fresh = going_in == 0
    water = "fresh water (0 PSU)" if fresh else f"water of {shown(key, going_in)}"
    caution = (
        "Fresh water goes in slowly, where the flow is strong, never onto an animal; it thins "
        "alkalinity, calcium and magnesium too."
        if fresh
        else "Salt is dissolved before it goes in, and the mix stands until it is clear."
    )
    return Plan(
        what=f"take out water, put in as much {water}, at the same temperature",
        portions=tuple(
            Portion(on=day, start=a, end=b, amount=down(one), unit="L")
            for (day, a, b), one in zip(steps, swap, strict=True)
        ),
        formula=(
            f"a portion = {litres:g} L x (end - start) / ({shown(key, going_in, unit=False)}"
            f" - start); first day {swap[0]:.4g} L, rounded down",
        ),
        sources=("mass balance of salt, well mixed", source),
        cautions=(caution,),
        notes=(RETEST,),
    )


def _equal_steps(count: int, key: str, now: float, to: float) -> str:
    steps = "one step" if count == 1 else f"{count} equal steps"
    return f"{steps} from {shown(key, now)} to {shown(key, to)}"
