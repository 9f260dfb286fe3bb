"""Doses given to a ward's water: noted once, corrected, taken back."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from polypward.errors import BadInputError
from polypward.water import (
    Dose,
    additive_of,
    dose_hindrances,
    raised_by,
)
from polypward.water import parameter_of as parameter_named
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, now_text
from polypward_cli.water.amounts import check_amount, read_amount
from polypward_cli.water.systems import keep_system

__all__ = [
    "add_dose",
    "amend_dose",
    "changes_of",
    "doses_of",
    "parameter_meant",
    "stop_if_given",
    "undo_dose",
]


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
        raise BadInputError(
            'what was given? A compound, "calcium: NAME OF THE PRODUCT", or an additive like amino'
        )
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
    quantity, unit = read_amount(amount)
    check_amount(ward, system, amount, quantity, unit)
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
    raise BadInputError(f"there is no dose {number}; polypward care dose shows their numbers")


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
        value, unit = read_amount(amount)
        check_amount(ward, before.system, amount, value, unit)
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
