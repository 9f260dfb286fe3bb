"""What stands before a dose: tests that are there, in order, fresh, and nothing given today."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from polypward.facts import load_facts
from polypward.water.parameters import parameter, shown
from polypward.water.state import State

__all__ = ["Dose", "Hindrance", "correction_hindrances", "dose_hindrances"]

_PAIR = frozenset({"calcium", "alkalinity"})
_FIRST = ("temperature", "salinity")


@dataclass(frozen=True, slots=True, kw_only=True)
class Dose:
    """What was given to a system; `raises` is the parameter it is to raise, "" for an additive."""

    system: str
    what: str
    at: datetime  # aware
    amount: float
    unit: str
    raises: str = ""
    by: str = ""
    again: bool = False  # given although something stood against it
    note: str = ""
    id: int | None = None

    def text(self, zone: ZoneInfo) -> str:
        """Return what, how much, who and when, in the ward's zone."""
        who = f" by {self.by}" if self.by else ""
        return (
            f"{self.what}, {self.amount:g} {self.unit},{who} at "
            f"{self.at.astimezone(zone):%Y-%m-%d %H:%M}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Hindrance:
    """Why no dose now; `waived` says whether a person's word may still let a plan pass."""

    why: str
    waived: bool = False


def dose_hindrances(
    doses: Iterable[Dose], *, raises: str, at: datetime, zone: ZoneInfo
) -> tuple[Hindrance, ...]:
    """Return what was given already that stands against a dose at a time.

    Any dose to the system on the same day does, or within some hours over midnight, and calcium
    and alkalinity within the hours that the facts keep them apart, before or after. A person's word
    passes only another substance.

    Parameters
    ----------
    doses : iterable of Dose
        Of the same system.
    raises : str
        The parameter that the new dose raises; "" for an additive.
    at : datetime
        When it is to be given, aware.
    zone : ZoneInfo
        The ward's: it says what a day is.
    """
    facts = load_facts("compounds")
    apart, near = (timedelta(hours=facts[key]["hours"]["value"]) for key in ("apart", "again"))
    found = []
    for dose in sorted(doses, key=lambda dose: dose.at):
        pair = {dose.raises, raises} == _PAIR
        if pair and abs(at - dose.at) < apart:
            hours = apart.total_seconds() / 3600
            found.append(
                Hindrance(
                    why=f"given already: {dose.text(zone)}. Calcium and alkalinity are never "
                    f"dosed together: keep them {hours:g} h apart (common practice, no source)"
                )
            )
            continue
        today = dose.at.astimezone(zone).date() == at.astimezone(zone).date()
        if today or abs(at - dose.at) < near:
            same = bool(raises) and dose.raises == raises
            when = "today" if today else f"within {near.total_seconds() / 3600:g} h"
            found.append(
                Hindrance(
                    why=f"given already {when}: {dose.text(zone)}", waived=not same and not pair
                )
            )
    return tuple(found)


def correction_hindrances(
    key: str,
    states: Sequence[State],
    *,
    doses: Iterable[Dose],
    at: datetime,
    changed_at: datetime | None = None,
) -> tuple[str, ...]:
    """Return what must be done before a parameter is corrected, in the order of doing it.

    Temperature and salinity come before the rest; a test that is missing, old, surprising, or
    from before the last dose of the same parameter comes before any amount.

    Parameters
    ----------
    key : str
        The parameter to correct.
    states : sequence of State
        Of every parameter of the system, see `water_state`.
    doses : iterable of Dose
        Of the same system.
    at : datetime
        When it is to be corrected, aware.
    changed_at : datetime, optional
        When water was last changed; a test from before says nothing of the mix.
    """
    by_key = {state.parameter: state for state in states}
    found = []
    earlier = _FIRST[: _FIRST.index(key)] if key in _FIRST else _FIRST
    for first in earlier:
        state, words = by_key[first], parameter(first).words
        if state.latest is None:
            found.append(f"{words} is not tested: it comes before {parameter(key).words}")
        elif state.age_days is not None and state.age_days > parameter(first).good_days.value:
            found.append(f"{words} was tested {state.age_days} days ago: test it again first")
        elif state.verdict in ("under target", "over target"):
            found.append(
                f"{words} is {state.latest.text()}, {state.verdict} "
                f"({state.target.text() if state.target else ''}): correct it first"
            )
    state, words = by_key[key], parameter(key).words
    hours = load_facts("compounds")["fresh"]["hours"]["value"]
    if state.latest is None:
        return (*found, f"{words} is not tested: test it before dosing")
    last = state.latest
    if at - last.at > timedelta(hours=hours):
        found.append(
            f"the last test of {words} ({shown(key, last.value)}) is from "
            f"{last.at.astimezone(at.tzinfo):%Y-%m-%d %H:%M}: a dose stands on a test no older "
            f"than {hours:g} h (common practice, no source)"
        )
    given = [dose for dose in doses if dose.raises == key and last.at <= dose.at <= at]
    if given:
        found.append(f"{words} was dosed after its last test: test again before the next portion")
    if changed_at is not None and last.at <= changed_at <= at:
        found.append(f"water was changed after the last test of {words}: test again")
    found += [remark for remark in state.remarks if "once more" in remark]
    return tuple(found)
