"""Which water is to be tested on a day: oldest tests, retests after doses and heavy feeding."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from polypward.water.gate import Dose
from polypward.water.parameters import PARAMETERS, parameter

__all__ = ["WaterDue", "water_due"]

_AFTER_FOOD = ("nitrate", "phosphate")


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterDue:
    """A water system to be tested: what of it, since which day, and why."""

    system: str
    parameters: tuple[str, ...]
    due_on: date
    why: str


def water_due(
    systems: Iterable[str],
    *,
    latest: Mapping[tuple[str, str], datetime],
    doses: Iterable[Dose] = (),
    heavy_feedings: Mapping[str, datetime] | None = None,
    wanted: Mapping[str, Iterable[str]],
    on: date,
    zone: ZoneInfo,
) -> tuple[WaterDue, ...]:
    """Return what is due, by system: retests first, then what was never or long ago tested.

    Parameters
    ----------
    systems : iterable of str
        The water systems.
    latest : mapping of (system, parameter) to datetime
        When each was last tested, aware.
    doses : iterable of Dose
        Newest doses; one that raises a parameter asks for a test of it the next day.
    heavy_feedings : mapping of system to datetime
        The newest heavy feeding; it asks for nitrate and phosphate the next day.
    wanted : mapping of system to parameters
        What is kept under watch in each system: those with a target; without any, what was
        tested before.
    on : date
        The day, in `zone`.
    zone : ZoneInfo
        The ward's.
    """

    def day_of(at: datetime) -> date:
        return at.astimezone(zone).date()

    given = tuple(doses)
    found = []
    for system in systems:
        retests: dict[str, tuple[date, str]] = {}
        for dose in given:
            tested = latest.get((system, dose.raises))
            if dose.system == system and dose.raises and (tested is None or tested < dose.at):
                retests[dose.raises] = (day_of(dose.at) + timedelta(days=1), f"after {dose.what}")
        fed = (heavy_feedings or {}).get(system)
        for key in _AFTER_FOOD if fed else ():
            tested = latest.get((system, key))
            if fed and (tested is None or day_of(tested) <= day_of(fed)):
                retests.setdefault(key, (day_of(fed) + timedelta(days=1), "after heavy feeding"))
        for key, (due_on, why) in retests.items():
            if due_on <= on:
                found.append(_due(system, (key,), due_on, f"test {parameter(key).words} {why}"))
        watched = set(wanted.get(system, ())) or {key for of, key in latest if of == system}
        if not watched:
            found.append(_due(system, (), on, "this water was never tested"))
        keys = [key for key in PARAMETERS if key in watched]
        never = tuple(key for key in keys if (system, key) not in latest)
        if never:
            words = ", ".join(parameter(key).words for key in never)
            found.append(_due(system, never, on, f"not tested: {words}"))
        old = {
            key: day_of(latest[system, key]) + timedelta(days=int(parameter(key).good_days.value))
            for key in keys
            if (system, key) in latest and key not in retests
        }
        late = {key: due for key, due in old.items() if due < on}
        if late:
            first = min(late, key=lambda key: latest[system, key])
            age = (on - day_of(latest[system, first])).days
            words = ", ".join(parameter(key).words for key in late)
            found.append(
                _due(
                    system,
                    tuple(late),
                    min(late.values()) + timedelta(days=1),
                    f"test {words}; oldest test: {parameter(first).words}, {age} days ago",
                )
            )
    return tuple(found)


def _due(system: str, keys: tuple[str, ...], due_on: date, why: str) -> WaterDue:
    return WaterDue(system=system, parameters=keys, due_on=due_on, why=why)
