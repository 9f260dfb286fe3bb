"""Water in words and in JSON: states, targets, plans."""

from collections.abc import Iterable, Iterator
from datetime import date
from typing import Any

from polypward.errors import BadInputError
from polypward.water import (
    PARAMETERS,
    Dose,
    Plan,
    State,
    Target,
    Volume,
    WaterTest,
    additive_of,
    parameter,
    parameter_of,
    shown,
)

__all__ = [
    "dose_json",
    "json_of_test",
    "offer_lines",
    "plan_json",
    "plan_lines",
    "remark_lines",
    "state_json",
    "system_lines",
    "target_lines",
    "wish_name",
]


def wish_name(what: str) -> str:
    """Return the name under which a wish is told: the parameter, else the additive."""
    try:
        return parameter_of(what)
    except BadInputError:
        return additive_of(what)


def system_lines(
    system: str, states: Iterable[State], *, volume: Volume | None, targets: bool
) -> Iterator[str]:
    """Yield how a water system stands: each parameter, then what is out and why."""
    states = tuple(states)
    water = f"{volume.litres:g} L" if volume else "volume not known"
    yield f"{system} ({water})"
    for state in states:
        yield "  " + _state_line(state)
        if state.nh3 is not None:
            yield f"    {state.nh3.text()}"
    if any(state.out for state in states):
        yield "  Out of target, or odd:"
        for line in remark_lines(states):
            yield f"    {line}"
    if not targets:
        yield f'  Targets: not set. Look at the usual ones: polypward care water targets "{system}"'


def remark_lines(states: Iterable[State]) -> Iterator[str]:
    """Yield what is outside its target and what is odd; one line for each expired kit."""
    expired: dict[tuple[str, date | None], list[str]] = {}
    for state in states:
        words = parameter(state.parameter).words
        if state.off_target and state.latest and state.target:
            yield f"{words} {state.latest.text()}: {state.verdict} ({state.target.text()})"
        yield from state.remarks
        if state.expired and state.latest:
            which = (state.latest.kit or "kit", state.latest.kit_expires)
            expired.setdefault(which, []).append(words)
    for (kit, day), tested in expired.items():
        yield f"the {kit} had expired on {day}: test {', '.join(tested)} again with a fresh one"


def _state_line(state: State) -> str:
    words = parameter(state.parameter).words
    if state.latest is None:
        return f"{words:<12} not tested"
    age = {0: "today", 1: "yesterday"}.get(state.age_days or 0, f"{state.age_days} days ago")
    verdict = "too old to say anything of today" if state.verdict == "too old" else state.verdict
    told = ", ".join(part for part in (age, state.latest.by, state.latest.kit) if part)
    parts = [f"{words:<12} {state.latest.text()}", told, verdict]
    if state.trend is not None:
        parts.append(_trend_words(state))
    number = "" if state.latest.id is None else f" [test {state.latest.id}]"
    return "; ".join(parts) + number


def _trend_words(state: State) -> str:
    trend = state.trend
    assert trend is not None
    on = f"{trend.n} tests in {trend.days} days, p {trend.p:.2g}"
    step = shown(state.parameter, abs(trend.per_week))
    if trend.p > 0.05 or step.split()[0] == "0":
        return f"no clear trend ({on})"
    return f"{'rising' if trend.per_week > 0 else 'falling'} {step} a week ({on}, doses included)"


def target_lines(targets: Iterable[Target]) -> Iterator[str]:
    """Yield targets, each with its largest change a day and whose word it is."""
    for one in targets:
        step = f"; at most {shown(one.parameter, one.a_day)} a day" if one.a_day else ""
        remark = parameter(one.parameter).remark
        more = f"; {remark}" if remark else ""
        yield f"  {parameter(one.parameter).words:<12} {one.text()}{step} ({one.source}){more}"


def offer_lines(system: str) -> Iterator[str]:
    """Yield the usual targets, and how they are accepted or changed."""
    yield f'Targets of "{system}": not set. Accept these? They are an offer, not advice:'
    yield from target_lines(parameter(key).target for key in PARAMETERS)
    yield f'Accept: polypward care water targets "{system}" --accept'
    yield f'Your own: polypward care water targets "{system}" --set dkh=7.5-9.5 --set no3=1-10'


def plan_lines(system: str, wish: str, plan: Plan) -> Iterator[str]:
    """Yield a plan: amounts by day, formula, source, caution."""
    yield f"{system}, {wish}: {plan.what}" if plan.what != wish else f"{system}: {wish}"
    several = len(plan.portions) > 1
    for number, portion in enumerate(plan.portions, 1):
        span = ""
        if wish in PARAMETERS:
            span = f"  {shown(wish, portion.start)} to {shown(wish, portion.end)}"
        amount = "" if portion.amount is None else f"  {portion.amount:g} {portion.unit}"
        later = "  (only after a new test)" if number > 1 else ""
        day = f"{portion.on}" + (f", part {number} of {len(plan.portions)}" if several else "")
        yield f"  {day}:{span}{amount}{later}"
    for head, texts in (
        ("Formula", plan.formula),
        ("Source", plan.sources),
        ("Caution", plan.cautions),
        ("Note", plan.notes),
    ):
        for text in texts:
            yield f"  {head}: {text}"
    first = plan.portions[0]
    if first.amount is not None and wish == "salinity":
        yield f'  When it is done: polypward care change "{system}" --litres {first.amount:g}'
    elif first.amount is not None and plan.log_as:
        amount = f"{first.amount:g} {first.unit}"
        yield (
            f'  When it is in: polypward care dose log "{system}" "{plan.log_as}" "{amount}"'
            " --by NAME"
        )


def plan_json(system: str, wish: str, plan: Plan) -> dict[str, Any]:
    """Return a plan as JSON values."""
    return {
        "system": system,
        "wish": wish,
        "what": plan.what,
        "portions": [
            {
                "on": portion.on.isoformat(),
                "start": round(portion.start, 6) if wish in PARAMETERS else None,
                "end": round(portion.end, 6) if wish in PARAMETERS else None,
                "amount": portion.amount,
                "unit": portion.unit,
                "retest_first": number > 0,
            }
            for number, portion in enumerate(plan.portions)
        ],
        "formula": list(plan.formula),
        "sources": list(plan.sources),
        "cautions": list(plan.cautions),
        "notes": list(plan.notes),
        "log_as": plan.log_as,
    }


def json_of_test(test: WaterTest) -> dict[str, Any]:
    """Return a test as JSON values."""
    return {
        "id": test.id,
        "system": test.system,
        "parameter": test.parameter,
        "value": test.value,
        "unit": parameter(test.parameter).unit,
        "below": test.below,
        "entered": test.entered,
        "at": test.at.isoformat(),
        "kit": test.kit,
        "kit_expires": test.kit_expires.isoformat() if test.kit_expires else None,
        "by": test.by,
        "note": test.note,
    }


def state_json(state: State) -> dict[str, Any]:
    """Return a state as JSON values; None = not available."""
    trend, nh3 = state.trend, state.nh3
    more = {}
    if nh3 is not None:
        more["nh3"] = {"share": nh3.share, "mg_per_l": nh3.mg_per_l, "why_not": nh3.why_not}
    return {
        "parameter": state.parameter,
        "verdict": state.verdict,
        "latest": json_of_test(state.latest) if state.latest else None,
        "age_days": state.age_days,
        "target": state.target.text() if state.target else None,
        "per_week": trend.per_week if trend else None,
        "trend_p": trend.p if trend else None,
        "trend_tests": trend.n if trend else 0,
        "remarks": list(state.remarks),
        "kit_expired": state.expired,
        **more,
    }


def dose_json(dose: Dose) -> dict[str, Any]:
    """Return a dose as JSON values."""
    return {
        "id": dose.id,
        "system": dose.system,
        "what": dose.what,
        "raises": dose.raises,
        "amount": dose.amount,
        "unit": dose.unit,
        "at": dose.at.isoformat(),
        "by": dose.by,
        "again": dose.again,
        "note": dose.note,
    }
