"""What to dose: a plan from tests, targets and volume, unless something stands before it."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from polypward.errors import BadInputError
from polypward.sizes import as_number
from polypward.water import (
    Plan,
    State,
    Target,
    Volume,
    compound_of,
    compounds,
    correction_hindrances,
    parameter,
    plan_additive,
    plan_compound,
    plan_label,
    plan_water,
    read_label,
    read_value,
    shown,
)
from polypward.water import parameter_of as parameter_named
from polypward_cli.ward import Ward
from polypward_cli.water.dosing import changes_of, doses_of, parameter_meant, stop_if_given
from polypward_cli.water.systems import targets_of, volume_of_system
from polypward_cli.water.testing import states_of

__all__ = ["Wish", "make_plan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What a person wants of a plan, as typed; "" where nothing was said."""

    what: str
    to: str = ""
    compound: str = ""
    purity: str = ""
    label: str = ""
    mixed: str = ""
    again: bool = False


def make_plan(ward: Ward, system: str, wish: Wish, *, at: datetime) -> Plan:
    """Return the plan of a correction or an additive for a system, from its tests and volume.

    Raises
    ------
    BadInputError
        If something stands before it (a dose of today, a missing or old test, an unknown volume),
        or the wish is not understood.
    """
    key = parameter_meant(wish.what)
    _check_wish(wish, key)
    usual = parameter(key).a_day if key else None
    if key and usual is None:
        more = ": water changes and less food lower it" if parameter(key).nutrient else ""
        raise BadInputError(f"{parameter(key).words} is not corrected by a dose here{more}")
    doses, changes = doses_of(ward, system), changes_of(ward, system)
    if key == "salinity":  # a change of water today has used up the day's change
        doses = sorted([*doses, *changes], key=lambda dose: dose.at)
    stop_if_given(ward, doses, raises=key, at=at, again=wish.again, planning=True)
    volume = volume_of_system(ward, system)
    if volume is None and key not in ("temperature", "salinity"):
        raise BadInputError(
            f'the volume of "{system}" is not known, so no dose is: measure the water, then '
            "polypward care water volume --help"
        )
    label = read_label(wish.label) if wish.label else None
    if usual is None:
        assert volume is not None  # told above
        plan = plan_additive(wish.what, litres=volume.litres, label=label, on=at.date())
        return _with_volume(plan, volume)
    states = states_of(ward, system, on=at.date())
    changed_at = changes[-1].at if changes else None
    hindrances = correction_hindrances(key, states, doses=doses, at=at, changed_at=changed_at)
    if hindrances:
        raise BadInputError("no amount yet: " + "; ".join(hindrances))
    state = next(state for state in states if state.parameter == key)
    assert state.latest is not None  # a missing test is a hindrance
    now = state.latest.value
    targets = targets_of(ward, system)
    target = targets.get(key)
    if not wish.to and state.verdict == "in target":
        told = target.text() if target else ""
        raise BadInputError(
            f"{parameter(key).words} is {shown(key, now)}, in its target ({told}): nothing to "
            "correct. Steadiness counts; if you want another value, say --to"
        )
    aim = read_value(*_to(key, wish.to)).value if wish.to else target.aim if target else None
    if aim is None:
        raise BadInputError(
            f"to which {parameter(key).words}? No target with an aim is set: --to, or "
            f'polypward care water targets "{system}"'
        )
    notes = _unjudged(key, aim, states, targets)
    if state.expired:
        words = parameter(key).words
        stale = f"The kit of {words} had expired on {state.latest.kit_expires}: test with a fresh"
        notes = (f"{stale} one before any of this goes in.", *notes)
    a_day, source = usual.value, usual.source
    if target and target.a_day is not None and target.a_day != usual.value:
        a_day, source = target.a_day, target.source
    steps: dict[str, Any] = {"now": now, "to": aim, "a_day": a_day, "on": at.date()}
    steps["a_day_source"] = source
    if key in ("temperature", "salinity"):
        mixed = read_value("psu", wish.mixed).value if wish.mixed else None
        litres = volume.litres if volume else None
        plan = plan_water(key, **steps, litres=litres, mixed=mixed)
        return _with_volume(plan, volume if key == "salinity" else None, notes)
    assert volume is not None  # told above
    if label is not None:
        if label.parameter and label.parameter != key:
            raise BadInputError(f"the label raises {label.parameter}, not {key}")
        return _with_volume(
            plan_label(label, **steps, litres=volume.litres, raises=key), volume, notes
        )
    if not wish.compound:
        names = "; ".join(
            f"{x.name} ({x.formula})" for x in compounds().values() if x.raises == key
        )
        if not names:
            raise BadInputError(f'no compound for {key} in the list; by a label: --label "..."')
        raise BadInputError(f'with what? --compound "...": {names}. A product: --label "..."')
    plan = plan_compound(
        compound_of(wish.compound, raises=key),
        **steps,
        litres=volume.litres,
        purity=_purity(wish.purity),
    )
    return _with_volume(plan, volume, notes)


def _check_wish(wish: Wish, key: str) -> None:
    """Refuse options that would be left out of the plan unseen."""
    water = key in ("temperature", "salinity")
    unused = {
        "--to": wish.to and not key,
        "--compound": wish.compound and (not key or water),
        "--label": wish.label and water,
        "--mixed": wish.mixed and key != "salinity",
    }
    if names := [name for name, odd in unused.items() if odd]:
        raise BadInputError(f"{', '.join(names)}: of no use for {wish.what}; leave it out")
    if wish.compound and wish.label:
        raise BadInputError("--compound or --label, one of them: a label says what to do by itself")
    if wish.purity and not wish.compound:
        raise BadInputError(f'--purity "{wish.purity}": of which --compound?')


def _unjudged(
    key: str, aim: float, states: Iterable[State], targets: Mapping[str, Target]
) -> tuple[str, ...]:
    """Return what a person must judge because no target is set; refuse an aim outside its own."""
    target = targets.get(key) or parameter(key).target
    low = parameter(key).low if target.low is None else target.low
    high = parameter(key).high if target.high is None else target.high
    outside = not low <= aim <= high
    if outside and key in targets:
        raise BadInputError(
            f"the aim {shown(key, aim)} is outside the target ({target.text()}); if it is right, "
            "change the target first: polypward care water targets --help"
        )
    notes = []
    if outside:
        notes.append(f"The aim is outside what is usual ({target.text()}; {target.source}).")
    for state in states:
        first = state.parameter in ("temperature", "salinity") and state.parameter != key
        if first and state.latest is not None and state.parameter not in targets:
            words = parameter(state.parameter).words
            notes.append(f"No target of {words} is set: is {state.latest.text()} right?")
    return tuple(notes)


def _with_volume(plan: Plan, volume: Volume | None, notes: tuple[str, ...] = ()) -> Plan:
    told = (f"volume {volume.litres:g} L: {volume.how}",) if volume else ()
    return replace(plan, sources=(*plan.sources, *told), notes=(*notes, *plan.notes))


def _to(key: str, text: str) -> tuple[str, str]:
    """Name and value of an aim: "8.5" is in the canonical unit, for it is a unit we show."""
    name, equals, value = text.partition("=")
    if equals:
        if parameter_named(name) != key:
            raise BadInputError(f'--to "{text}" is not of {key}')
        return name, value
    try:
        as_number(text)
    except BadInputError:
        return key, text
    return key, f"{text} {parameter(key).unit}"


def _purity(text: str) -> float | None:
    if not text:
        return None
    value = as_number(text.replace("%", ""))
    if not 1 < value <= 100:
        raise BadInputError(f'purity "{text}": in per cent, over 1 and at most 100')
    return value / 100
