"""Water systems of a ward: their names, their volumes and their targets."""

import difflib
import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from polypward.errors import BadInputError
from polypward.sizes import split_number
from polypward.water import PARAMETERS, Target, Volume, parameter, parameter_of, read_value
from polypward_cli.naming import clean_name
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, now_text

__all__ = [
    "accept_targets",
    "drop_targets",
    "offer_targets",
    "set_targets",
    "set_volume",
    "system_named",
    "systems_of",
    "targets_of",
    "volume_of_system",
]


def systems_of(ward: Ward) -> tuple[str, ...]:
    """Return the water systems: those of held specimens and those with tests of their own."""
    rows = ward.db.query(
        "select water_system as name from specimens where water_system != '' and state = 'held' "
        "union select system from water_systems order by 1"
    )
    return tuple(row["name"] for row in rows)


def system_named(ward: Ward, name: str, *, new: bool = False) -> str:
    """Return the water system that a person means, whatever its case; with `new`, make it.

    Raises
    ------
    BadInputError
        If there is none of this name and `new` is false.
    """
    wanted = clean_name(name)
    known = {one.casefold(): one for one in systems_of(ward)}
    found = known.get(wanted.casefold())
    if found is None and not new:
        near = difflib.get_close_matches(wanted.casefold(), known, n=1)
        hint = f' Is it "{known[near[0]]}"?' if near else ""
        there = f" There are: {', '.join(known.values())}." if known and not near else ""
        raise BadInputError(
            f'"{name}" is no water system of this ward.{hint}{there} If it is a new one: '
            f'polypward care water log "{name}" temp=25 --new'
        )
    if not wanted:
        raise BadInputError("a water system needs a name")
    return found or wanted


def keep_system(ward: Ward, system: str) -> None:
    """Make the row of a water system if there is none; the ward is held."""
    ward.db.execute(
        "insert or ignore into water_systems (system, at) values (?, ?)", [system, now_text()]
    )


def volume_of_system(ward: Ward, system: str) -> Volume | None:
    """Return the measured water of a system, None if it is not known."""
    for row in ward.db.query(
        "select litres, litres_how from water_systems where system = ?", [system]
    ):
        if row["litres"] is not None:
            return Volume(litres=row["litres"], how=row["litres_how"])
    return None


def set_volume(ward: Ward, system: str, volume: Volume | None, *, by: str) -> None:
    """Keep the volume of a system, None = not known; the one before goes into the audit.

    The ward is held.
    """
    litres = None if volume is None else volume.litres
    how = "" if volume is None else volume.how
    with ward.db.atomic():
        keep_system(ward, system)
        before = volume_of_system(ward, system)
        new = {"litres": litres, "how": how, "by": by}
        old = None if before is None else {"litres": before.litres, "how": before.how}
        audit(ward.db, "water volume", system, old=old, new=new)
        ward.db.execute(
            "update water_systems set litres = ?, litres_how = ? where system = ?",
            [litres, how, system],
        )


def targets_of(ward: Ward, system: str) -> dict[str, Target]:
    """Return the targets that were accepted or set for a system, in the order of checking."""
    rows = ward.db.query("select * from water_targets where system = ?", [system])
    by_key = {row["parameter"]: _target(row) for row in rows}
    return {key: by_key[key] for key in PARAMETERS if key in by_key}


def _target(row: Mapping[str, Any]) -> Target:
    names = ("parameter", "low", "high", "aim", "a_day", "source")
    return Target(**{name: row[name] for name in names})


def offer_targets(ward: Ward, system: str) -> bool:
    """Say whether the usual targets are to be offered: once, while none is set. Ward is held."""
    if targets_of(ward, system):
        return False
    with ward.db.atomic():
        keep_system(ward, system)
        done = ward.db.execute(
            "update water_systems set offered_at = ? where system = ? and offered_at is null",
            [now_text(), system],
        )
    return done.rowcount > 0


def accept_targets(ward: Ward, system: str, *, by: str) -> int:
    """Take the usual targets for every parameter that has none yet; returns how many."""
    there = targets_of(ward, system)
    missing = [key for key in PARAMETERS if key not in there]
    with ward.db.atomic():
        keep_system(ward, system)
        for key in missing:
            usual = parameter(key).target
            source = f"accepted{' by ' + by if by else ''}; {usual.source}"
            _keep(ward, system, replace(usual, source=source), by)
    return len(missing)


def set_targets(
    ward: Ward, system: str, *, limits: list[str], aims: list[str], a_day: list[str], by: str
) -> None:
    """Set targets from texts like "dkh=7.5-9.5", "dkh=8.5" and "dkh=0.5"; the ward is held.

    Raises
    ------
    BadInputError
        If one is not understood, cannot be, or aim and limits do not fit. Nothing is written.
    """
    changed: dict[str, Target] = {}
    there = targets_of(ward, system)
    own = f"set by {by}" if by else "set in this ward"

    def target(key: str) -> Target:
        old = changed.get(key) or there.get(key)
        return old or Target(parameter=key, a_day=parameter(key).target.a_day)

    for text in limits:
        name, low, high = _limits(text)
        key = parameter_of(name)
        changed[key] = replace(target(key), low=low, high=high, source=own)
    for text in aims:
        key, value = _one(text)
        changed[key] = replace(target(key), aim=value, source=own)
    for text in a_day:
        key, value = _one(text, step=True)
        changed[key] = replace(target(key), a_day=value, source=own)
    for key, one in changed.items():
        low = parameter(key).low if one.low is None else one.low
        high = parameter(key).high if one.high is None else one.high
        if one.aim is not None and not low <= one.aim <= high:
            if any(parameter_of(text.partition("=")[0]) == key for text in aims):
                raise BadInputError(f"{key}: the aim {one.aim:g} is not within {one.text()}")
            changed[key] = replace(one, aim=None)  # an old aim outside the new limits is none
    with ward.db.atomic():
        keep_system(ward, system)
        for one in changed.values():
            _keep(ward, system, one, by)


def drop_targets(ward: Ward, system: str, names: list[str]) -> None:
    """Take targets away, so that nobody is asked to test for them; the ward is held.

    Raises
    ------
    BadInputError
        If a name is no parameter, or has no target.
    """
    there = targets_of(ward, system)
    keys = [parameter_of(name) for name in names]
    if missing := [key for key in keys if key not in there]:
        raise BadInputError(f"no target of {', '.join(missing)} is set in {system}")
    with ward.db.atomic():
        for key in keys:
            old = {name: getattr(there[key], name) for name in ("low", "high", "aim", "a_day")}
            audit(ward.db, "water target", f"{system}: {key}", old=old)
            ward.db.execute(
                "delete from water_targets where system = ? and parameter = ?", [system, key]
            )


def _limits(text: str) -> tuple[str, float | None, float | None]:
    name, equals, span = text.partition("=")
    low, dash, high = (part.strip() for part in span.partition("-"))
    if low and high and not re.search(r"[^\d.,]", low):
        low = f"{low} {split_number(high)[1]}"  # the unit stands once, at the end
    if not equals or not span.strip() or not (low.strip() or high.strip()):
        raise BadInputError(
            f'"{text}": write NAME=LOW-HIGH like dkh=7.5-9.5, or no3=-10 for "up to 10"'
        )
    if not dash:
        raise BadInputError(f'"{text}": from where to where? Like {name}={span.strip()}-...')
    values = [read_value(name, part).value if part.strip() else None for part in (low, high)]
    if values[0] is not None and values[1] is not None and values[0] >= values[1]:
        raise BadInputError(f'"{text}": the first is the lower one')
    return name, values[0], values[1]


def _one(text: str, *, step: bool = False) -> tuple[str, float]:
    name, equals, value = text.partition("=")
    if not equals or not value.strip():
        raise BadInputError(f'"{text}": write NAME=VALUE like dkh=8.5')
    key = parameter_of(name)
    if step and key == "temperature":  # a step of temperature has no zero point to convert
        found = read_value(name, f"{value.strip()} degC").value
    else:
        found = read_value(name, value).value
    if step and not 0 < found <= parameter(key).high / 2:
        raise BadInputError(f'"{text}": a change a day is over 0')
    return key, found


def _keep(ward: Ward, system: str, target: Target, by: str) -> None:
    names = ("low", "high", "aim", "a_day", "source")
    new = {name: getattr(target, name) for name in names}
    old = targets_of(ward, system).get(target.parameter)
    before = None if old is None else {name: getattr(old, name) for name in names}
    audit(ward.db, "water target", f"{system}: {target.parameter}", old=before, new=new)
    row = {"system": system, "parameter": target.parameter, **new, "by": by, "at": now_text()}
    ward.db.table("water_targets").insert(row, pk=("system", "parameter"), replace=True)
