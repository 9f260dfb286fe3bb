"""Correcting an entry: which of its fields may be set, and to what."""

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any, Final

from polypward.care import AMOUNTS
from polypward.errors import BadInputError
from polypward_cli.caring.entries import Row, change_entry, entry, parse_about
from polypward_cli.caring.inspecting import listed_signs
from polypward_cli.caring.kinds import KINDS
from polypward_cli.caring.limits import LIMITS, check
from polypward_cli.caring.ticks import retime
from polypward_cli.caring.treating import SOURCES
from polypward_cli.dates import parse_day, parse_time
from polypward_cli.life.common import moment
from polypward_cli.ward import Ward

__all__ = ["FIELDS", "amend"]

_Read = Callable[[Ward, str, str], Any]


def amend(ward: Ward, about: str, settings: Sequence[str], *, by: str = "") -> tuple[Row, Row]:
    """Set fields of an entry from texts like "lot=A17"; returns it before and after.

    Parameters
    ----------
    ward : Ward
    about : str
        The entry, as "treatment:3".
    settings : sequence of str
        ``name=value``; an empty value empties the field where that is possible.
    by : str
        Who corrects it, for the audit.

    Raises
    ------
    BadInputError
        If there is no such entry or field, or a value is impossible. Nothing is written.
    """
    kind, number = parse_about(about)
    before = entry(ward, kind, number)
    changes: dict[str, Any] = {}
    for text in settings:
        name, equals, value = text.partition("=")
        name = name.strip().casefold().replace("-", "_")
        fields = FIELDS[kind]
        if not equals or name not in fields:
            raise BadInputError(
                f'"{text}": write name=value; of a {kind} can be set: {", ".join(fields)}'
            )
        changes[name] = fields[name](ward, name, value.strip())
    if not changes:
        raise BadInputError("say what to set, as --set note=..., or --undo")
    _check_whole(kind, before | changes)
    if kind == "feeding" and {"portions", "quantity"} & set(changes) and "cost" not in changes:
        changes["cost"] = _cost_again(ward, before, before | changes)
    if kind == "mix" and "portions" in changes and "portion_cost" not in changes:
        cost = before["portion_cost"]
        whole = None if cost is None else cost * before["portions"]
        changes["portion_cost"] = None if whole is None else whole / changes["portions"]
    with ward.db.atomic():
        after = change_entry(ward, kind, number, changes, by=by)
        retime(ward, kind, before, after)
    return before, after


def _check_whole(kind: str, row: Row) -> None:
    if kind == "treatment":
        if row["concentration"] and not row["source"]:
            raise BadInputError("a concentration needs its source: --set source=label")
        if row["source"] == "veterinarian" and not row["prescriber"]:
            raise BadInputError("a veterinarian's dose needs --set prescriber=NAME")
        if row["ended_at"] is not None and row["ended_at"] < row["at"]:
            raise BadInputError("a treatment cannot end before it began")
    if kind == "inspection" and row["again_on"] and row["again_on"] <= f"{row['at']:%Y-%m-%d}":
        raise BadInputError("again_on must be after the inspection")
    if kind == "mix" and row["use_by"] <= row["made_at"]:
        raise BadInputError("use_by must be after made_at")
    if kind == "feeding" and row["mix_id"] is None and row["portions"] is not None:
        raise BadInputError("portions are of a mix; a food is counted by quantity")


def _cost_again(ward: Ward, before: Row, row: Row) -> float | None:
    """Return the cost that follows from a corrected amount, in the price it had then."""
    name = "portions" if row["mix_id"] is not None else "quantity"
    if before["cost"] is not None and before[name]:
        return None if row[name] is None else float(before["cost"] / before[name] * row[name])
    if row["mix_id"] is not None:
        price = entry(ward, "mix", row["mix_id"])["portion_cost"]
    else:
        sql = "select price from foods where food = ?"
        price = (ward.db.execute(sql, [row["food"]]).fetchone() or [None])[0]
    return None if price is None or row[name] is None else float(price * row[name])


def _text(_: Ward, __: str, value: str) -> str:
    return value


def _needed(_: Ward, name: str, value: str) -> str:
    if not value:
        raise BadInputError(f"{name} cannot be empty")
    return value


def _number(_: Ward, name: str, value: str) -> float | None:
    if not value:
        return None
    try:
        number = float(value.replace(",", "."))
    except ValueError:
        low, high, unit = LIMITS[name]
        raise BadInputError(
            f'{name} must be a number from {low:g} to {high:g} {unit}, got "{value}"'
        ) from None
    check(**{name: number})
    return number


def _needed_number(ward: Ward, name: str, value: str) -> float | None:
    return _number(ward, name, _needed(ward, name, value))


def _one_of(*words: str) -> _Read:
    def read(_: Ward, name: str, value: str) -> str:
        if value not in words:
            told = ", ".join(word for word in words if word)
            raise BadInputError(f'{name} is one of {told}, got "{value}"')
        return value

    return read


def _past(ward: Ward, name: str, value: str) -> datetime:
    return moment(ward, _needed(ward, name, value))


def _past_or_none(ward: Ward, _: str, value: str) -> datetime | None:
    return moment(ward, value) if value else None


def _time(ward: Ward, _: str, value: str) -> datetime:
    return parse_time(value, zone=ward.settings.zone).astimezone(ward.settings.zone)


def _day(_: Ward, __: str, value: str) -> str | None:
    return parse_day(value).isoformat() if value else None


def _signs(ward: Ward, _: str, value: str) -> list[str]:
    return listed_signs(ward, [word for word in value.split(",") if word.strip()])


FIELDS: Final[dict[str, dict[str, _Read]]] = {
    "feeding": {
        "at": _past,
        "by": _text,
        "portions": _number,
        "quantity": _number,
        "amount": _one_of(*AMOUNTS),
        "cover_minutes": _number,
        "cost": _number,
        "work_minutes": _number,
        "note": _text,
    },
    "treatment": {
        "at": _past,
        "by": _text,
        "agent": _needed,
        "substance": _text,
        "lot": _text,
        "concentration": _text,
        "source": _one_of(*SOURCES, ""),
        "prescriber": _text,
        "bath_l": _number,
        "bath_minutes": _number,
        "temperature_c": _number,
        "disposal": _text,
        "cost": _number,
        "work_minutes": _number,
        "note": _text,
        "ended_at": _past_or_none,
        "ended_by": _text,
    },
    "inspection": {
        "at": _past,
        "by": _text,
        "found": _signs,
        "treated": _text,
        "again_on": _day,
        "work_minutes": _number,
        "note": _text,
    },
    "change": {
        "at": _past,
        "by": _text,
        "litres": _number,
        "share": _number,
        "cost": _number,
        "work_minutes": _number,
        "note": _text,
    },
    "mix": {
        "made_at": _past,
        "use_by": _time,
        "portions": _needed_number,
        "portion_cost": _number,
        "by": _text,
        "note": _text,
    },
}
assert set(FIELDS) == set(KINDS)
