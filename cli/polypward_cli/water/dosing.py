"""Doses given to a ward's water: noted once, corrected, taken back."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, Final

from polypward.errors import BadInputError
from polypward.sizes import VOLUME_L, split_number, volume_l_of
from polypward.water import (
    Dose,
    additive_of,
    compounds,
    dose_hindrances,
    grams_for,
    parameter,
    raised_by,
)
from polypward.water import parameter_of as parameter_named
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, now_text
from polypward_cli.water.systems import keep_system, targets_of, volume_of_system

__all__ = [
    "add_dose",
    "amend_dose",
    "changes_of",
    "doses_of",
    "effect_of",
    "parameter_meant",
    "stop_if_given",
    "undo_dose",
]


# Beyond these an amount is a slip of the pen or of the unit; own choices, no limits of an animal.
MOST_G: Final = 100_000.0
MOST_L: Final = 1000.0
G_A_LITRE: Final = 10.0
SHARE: Final = 0.1


def doses_of(ward: Ward, system: str | None = None) -> list[Dose]:
    """Return the doses of a system, or of all, by time; those taken back are left out."""
    where = "" if system is None else "and system = ?"
    rows = ward.db.query(
        f"select * from water_doses where undone_at is null {where} order by at, id",
        None if system is None else [system],
    )
    return [_dose(row, ward) for row in rows]


def changes_of(ward: Ward, system: str) -> list[Dose]:
    """Return the water changes of a system by time, as doses that move its salinity."""
    rows = ward.db.query(
        "select * from water_changes where undone_at is null and water_system = ? order by at, id",
        [system],
    )
    return [
        Dose(
            system=system,
            what="water change",
            raises="salinity",
            amount=row["litres"] or 100 * (row["share"] or 0),
            unit="L" if row["litres"] else "%",
            at=datetime.fromisoformat(row["at"]).astimezone(ward.settings.zone),
            by=row["by"],
        )
        for row in rows
    ]


def _dose(row: Mapping[str, Any], ward: Ward) -> Dose:
    return Dose(
        system=row["system"],
        what=row["what"],
        raises=row["raises"],
        amount=row["amount"],
        unit=row["unit"],
        at=datetime.fromisoformat(row["at"]).astimezone(ward.settings.zone),
        by=row["by"],
        again=bool(row["again"]),
        note=row["note"],
        id=row["id"],
    )


def parameter_meant(what: str) -> str:
    """Return the parameter a person means by `what`, "" for an additive."""
    try:
        return parameter_named(what)
    except BadInputError:
        return ""


def stop_if_given(
    ward: Ward,
    doses: list[Dose],
    *,
    raises: str,
    at: datetime,
    again: bool,
    planning: bool,
) -> list[str]:
    """Raise if a dose stands against another; returns what was passed by a person's word."""
    found = dose_hindrances(doses, raises=raises, at=at, zone=ward.settings.zone)
    stopping = [one for one in found if not again or (planning and not one.waived)]
    if stopping:
        may = " Is this one in the water too? Then note it as given again: --again."
        if planning:
            may = "" if any(not one.waived for one in found) else " Even so: --again"
        raise BadInputError("; ".join(one.why for one in stopping) + "." + may)
    return [one.why for one in found]


def raises_of(what: str) -> tuple[str, str]:
    """Return the name a dose goes by and the parameter it raises, "" for an additive.

    Raises
    ------
    BadInputError
        If it is a parameter's name alone: what was poured is wanted.
    """
    word = " ".join(what.split())
    if not word:
        raise BadInputError("what was given?")
    name, colon, product = word.partition(":")
    if colon and product.strip() and parameter_meant(name):
        return product.strip(), parameter_meant(name)
    product, key = raised_by(word)
    if key:
        return product, key
    if parameter_meant(word):
        raise BadInputError(
            f'"{word}" is what it raises; what was poured? A compound, or "{word}: the product"'
        )
    return additive_of(word), ""


def add_dose(
    ward: Ward,
    system: str,
    what: str,
    amount: str,
    *,
    at: datetime,
    by: str,
    again: bool = False,
    note: str = "",
) -> tuple[Dose, list[str]]:
    """Keep a dose that was given; with `again` although something stands against it, and what.

    The ward is held, so of two helpers the second is told.

    Raises
    ------
    BadInputError
        If a dose of the same day, or calcium beside alkalinity, stands against it; if nobody is
        named, or the amount cannot be. Nothing is written.
    """
    if not by:
        raise BadInputError("who gave it? --by NAME, or owner in ward.toml: others must see who")
    name, raises = raises_of(what)
    quantity, unit = _amount(amount)
    _check_volume(ward, system, amount, quantity, unit)
    passed = stop_if_given(
        ward, doses_of(ward, system), raises=raises, at=at, again=again, planning=False
    )
    dose = Dose(
        system=system,
        what=name,
        raises=raises,
        amount=quantity,
        unit=unit,
        at=at,
        by=by,
        again=bool(passed),
        note=note.strip(),
    )
    with ward.db.atomic():
        keep_system(ward, system)
        number = ward.db.table("water_doses").insert(_row(dose)).last_pk
    return replace(dose, id=number), passed


def effect_of(ward: Ward, dose: Dose) -> tuple[float, bool] | None:
    """Return how far a dose should raise its parameter, and whether that is over a day's change.

    None where it cannot be told: no listed compound, not weighed, or the volume is not known.
    The compound is taken as pure.
    """
    compound, volume = compounds().get(dose.what), volume_of_system(ward, dose.system)
    if compound is None or volume is None or dose.unit != "g":
        return None
    one = grams_for(compound, change=1.0, litres=volume.litres, purity=1.0)
    target = targets_of(ward, dose.system).get(compound.raises)
    usual = parameter(compound.raises).a_day
    a_day = target.a_day if target and target.a_day else usual.value if usual else None
    change = dose.amount / one
    # A percent over is the rounding of the plan, no second portion.
    return change, a_day is not None and change > 1.01 * a_day


def _amount(text: str) -> tuple[float, str]:
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


def _check_volume(ward: Ward, system: str, text: str, quantity: float, unit: str) -> None:
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


def _row(dose: Dose) -> dict[str, Any]:
    return {
        "system": dose.system,
        "what": dose.what,
        "raises": dose.raises,
        "amount": dose.amount,
        "unit": dose.unit,
        "at": dose.at.astimezone(UTC).isoformat(),
        "by": dose.by,
        "again": int(dose.again),
        "note": dose.note,
    }


def _by_number(ward: Ward, number: int) -> Dose:
    for row in ward.db.query("select * from water_doses where id = ?", [number]):
        if row["undone_at"]:
            raise BadInputError(f"dose {number} was taken back already")
        return _dose(row, ward)
    raise BadInputError(f"there is no dose {number}; `polypward care dose` lists them")


def amend_dose(
    ward: Ward, number: int, *, amount: str = "", at: datetime | None = None, by: str
) -> tuple[Dose, Dose]:
    """Correct the amount or the time of a dose; returns it before and after. The ward is held.

    Raises
    ------
    BadInputError
        If there is no such dose, or nothing to correct.
    """
    before = after = _by_number(ward, number)
    if amount:
        value, unit = _amount(amount)
        _check_volume(ward, before.system, amount, value, unit)
        after = replace(after, amount=value, unit=unit)
    if at is not None:
        after = replace(after, at=at)
    if after == before:
        raise BadInputError("say what to correct: the amount, --at or --undo")
    old, new = _row(before), _row(after)
    with ward.db.atomic():
        audit(ward.db, "water dose changed", str(number), old=old, new=new | {"said_by": by})
        ward.db.table("water_doses").update(number, new)
    return before, after


def undo_dose(ward: Ward, number: int, *, by: str) -> Dose:
    """Take a dose back; its row is kept. The ward is held.

    Raises
    ------
    BadInputError
        If there is no such dose.
    """
    dose = _by_number(ward, number)
    with ward.db.atomic():
        audit(ward.db, "water dose undone", str(number), old=_row(dose), new={"said_by": by})
        ward.db.table("water_doses").update(number, {"undone_at": now_text()})
    return dose
