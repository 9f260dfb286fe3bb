"""Correcting and adding to what the register says of a specimen; the old value is kept."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from polypward.errors import BadInputError
from polypward.records import Specimen
from polypward_cli.amounts import amount_of
from polypward_cli.dates import parse_day
from polypward_cli.life.common import named
from polypward_cli.life.follow import pass_down
from polypward_cli.naming import clean_name
from polypward_cli.ward import Ward

__all__ = ["CHANGEABLE", "HEIGHT_MM", "UNPACKED_AS", "change"]

# How a piece was when it was unpacked; dead and poor are what a claim is made of.
UNPACKED_AS: Final = ("good", "poor", "dead")
# A height above the card, mm; beyond it is another unit.
HEIGHT_MM: Final = (-500.0, 1000.0)
_TEXTS: Final = ("batch", "supplier", "kind", "box", "permit", "note")
_STANDS: Final = ("place", "water_system", "light")
_MONEY: Final = ("cost", "expected_price", "as_is_price")
CHANGEABLE: Final = (*_TEXTS, *_STANDS, *_MONEY, "height_mm", "arrived_on", "unpacked_as")


def change(
    ward: Ward, name: str, values: Mapping[str, Any], *, by: str = ""
) -> tuple[Specimen, Specimen]:
    """Change fields of a specimen; return it before and after. "-" empties a field.

    Its pieces keep up with what they have of it (see `pass_down`).

    Parameters
    ----------
    values : mapping
        Texts by the names of `CHANGEABLE`.

    Raises
    ------
    BadInputError
        If the specimen or a value is not understood, nothing is to be changed, or a place is
        given that a move has to tell.
    """
    one = named(ward, name)
    told = {field: value for field, value in values.items() if value is not None}
    if not told:
        raise BadInputError("say what to change, such as --kind, --permit or --as-is-price")
    if set(told) & set(_STANDS) and any(e.what == "move" for e in ward.care(one.specimen)):
        raise BadInputError(
            f'"{one.specimen}" was moved since it came; say where it stands by polypward specimen '
            "move, or take the last move back by polypward specimen undo"
        )
    if "cost" in told and one.state in ("split", "joined"):
        raise BadInputError(
            f'"{one.specimen}" is {one.state}: what it became carries its cost; change it there'
        )
    fresh = {field: _value(ward, field, value) for field, value in told.items()}
    new = replace(one, **fresh, registered=True)
    ward.save_specimen(new, by=by)
    pass_down(ward, one, new, by=by)
    return one, new


def _value(ward: Ward, field: str, value: Any) -> Any:
    empty = value == "-"
    if field in (*_TEXTS, *_STANDS):
        return "" if empty else clean_name(value)
    if field == "unpacked_as":
        word = "" if empty else value.strip().lower()
        if word and word not in UNPACKED_AS:
            raise BadInputError(f'unpacked_as is {", ".join(UNPACKED_AS)} or -, got "{value}"')
        return word
    if empty:
        return None
    if field == "arrived_on":
        day = parse_day(value)
        if day > ward.zone_today:
            raise BadInputError(f'arrived_on "{value}" is in the future')
        return day
    if field in _MONEY:
        return amount_of(value, field)
    low, high = HEIGHT_MM
    try:
        number = float(value.replace(",", "."))
    except ValueError:
        number = float("nan")
    if not low <= number <= high:
        raise BadInputError(f'{field} must be a number from {low:g} to {high:g}, got "{value}"')
    return number
