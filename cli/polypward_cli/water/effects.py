"""What a dose that was given should do to the water."""

from dataclasses import dataclass

from polypward.water import Dose, Volume, compounds, grams_for, parameter
from polypward_cli.ward import Ward
from polypward_cli.water.dosing import doses_of
from polypward_cli.water.systems import targets_of, volume_of_system

__all__ = ["Effect", "effect_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """How far a dose should raise its parameter (canonical unit), and how it was worked out.

    `over` says that what was given on that day is more than a day's change.
    """

    change: float
    formula: str
    over: bool


def effect_of(ward: Ward, dose: Dose) -> Effect | None:
    """Return how far a dose should raise its parameter.

    None where it cannot be told: no listed compound, not weighed, or the volume is not known.
    The compound is taken as pure.
    """
    volume = volume_of_system(ward, dose.system)
    change = _change(dose, volume)
    if volume is None or change is None:
        return None
    target = targets_of(ward, dose.system).get(dose.raises)
    usual = parameter(dose.raises).a_day
    a_day = target.a_day if target and target.a_day else usual.value if usual else None
    day = dose.at.date()
    same = [
        one
        for one in doses_of(ward, dose.system)
        if one.at.date() == day and one.raises == dose.raises
    ]
    today = sum(_change(one, volume) or 0.0 for one in same)
    per_1000 = grams_for(compounds()[dose.what], change=1.0, litres=1000, purity=1.0)
    unit = parameter(dose.raises).unit
    return Effect(
        change=change,
        formula=f"{dose.amount:g} g in {volume.litres:g} L, {per_1000:.2f} g a {unit} in 1000 L by "
        "stoichiometry, taken as pure",
        # A percent over is the rounding of the plan, no second portion.
        over=a_day is not None and today > 1.01 * a_day,
    )


def _change(dose: Dose, volume: Volume | None) -> float | None:
    compound = compounds().get(dose.what)
    if compound is None or volume is None or dose.unit != "g":
        return None
    return dose.amount / grams_for(compound, change=1.0, litres=volume.litres, purity=1.0)
