"""What a specimen's recovery was worth: money after it, less money before it, less its cost."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from polypward.life import LEAVING, children_of
from polypward.records import CareEvent, Specimen

__all__ = ["Rates", "Rescue", "Worth", "carried", "received_of", "rescue_of", "worth_of"]

FEEDING: Final = frozenset({"feeding", "feed", "food"})
# Noted by hand, their `minutes` are those of the bath; one that names the `treatment` it belongs
# to has the bath's apart.
BATHS: Final = frozenset({"dip", "bath", "treatment", "quarantine"})
BACK: Final = frozenset({"returned", "back"})
JOINED: Final = "joined"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """What a day on the table and an hour of work cost, in the ward's money; None = not said."""

    table_day: float | None = None
    hour: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rescue:
    """What the rescue of a specimen took: days, money, minutes."""

    table_days: int = 0
    food: float = 0.0
    treatments: float = 0.0
    minutes: float = 0.0

    def cost(self, rates: Rates) -> float | None:
        """Return the money it cost; None while a rate that it needs is not said."""
        if self.missing(rates):
            return None
        table = self.table_days * (rates.table_day or 0.0)
        return table + self.food + self.treatments + self.minutes / 60 * (rates.hour or 0.0)

    def missing(self, rates: Rates) -> tuple[str, ...]:
        """Return which rates it needs that are not said."""
        table = ("what a day on the table costs",) if rates.table_day is None else ()
        hour = ("what an hour of work costs",) if self.minutes and rates.hour is None else ()
        return (table if self.table_days else ()) + hour


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """The worth of a specimen's recovery; None, with what is missing, where it cannot be told.

    `ended` is false while a piece of it is on the tables: then this is what it cost so far.
    """

    specimen: str
    received: float
    as_is: float | None
    rescue: Rescue
    cost: float | None
    worth: float | None
    ended: bool
    missing: tuple[str, ...] = ()


def worth_of(
    family: Sequence[Specimen], events: Sequence[CareEvent], *, rates: Rates, today: date
) -> Worth:
    """Return what came of a specimen and all that was split from it.

    Worth = money received after recovery - what it would have fetched at unpacking as it was (0 if
    given up) - cost of the rescue. One that was lost counts with its cost.

    Parameters
    ----------
    family : sequence of Specimen
        The specimen, then its pieces (`polypward.batch.families`).
    events : sequence of CareEvent
        What was done to them, in the order of time, in the ward's zone; their money is in the
        details ``price``, ``cost``, ``refund``, ``work_minutes`` and ``minutes``.
    rates : Rates
        What days and hours cost.
    today : date
        Days on the table are counted up to this day.
    """
    as_is = carried(one.as_is_price for one in family)
    received, missing = received_of(events)
    rescue, unclear = rescue_of(family, events, today=today)
    missing = [*missing, *unclear, *rescue.missing(rates)]
    if as_is is None:
        missing.append(
            "what it would have fetched as it was at unpacking (as_is_price; 0 if given up)"
        )
    cost = rescue.cost(rates)
    worth = None
    if cost is not None and as_is is not None and not missing:
        worth = received - as_is - cost
    return Worth(
        specimen=family[0].specimen,
        received=received,
        as_is=as_is,
        rescue=rescue,
        cost=cost,
        worth=worth,
        ended=all(one.state != "held" for one in family),
        missing=tuple(missing),
    )


def carried(amounts: Iterable[float | None]) -> float | None:
    """Return the sum of what a specimen and its pieces carry of an amount; None if none is known.

    A piece takes its share over from the specimen it was split from, which then has less.
    """
    known = [amount for amount in amounts if amount is not None]
    return sum(known) if known else None


def received_of(events: Sequence[CareEvent]) -> tuple[float, list[str]]:
    """Return the money that stayed from sales, and what is missing to know it.

    One that came back brought nothing, unless ``refund`` says that less was paid back.
    """
    paid: dict[str, float] = {}
    missing: dict[str, str] = {}
    for event in events:
        name = event.specimen
        if event.what == "sold":
            price = _amount(event, "price")
            if price is None:
                missing[name] = f"the price {name} was sold for"
            paid[name] = paid.get(name, 0.0) + (price or 0.0)
        elif event.what in BACK and name in paid:
            refund = _amount(event, "refund")
            paid[name] = 0.0 if refund is None else paid[name] - refund
            missing.pop(name, None)
    return sum(paid.values()), list(missing.values())


def rescue_of(
    family: Sequence[Specimen], events: Sequence[CareEvent], *, today: date
) -> tuple[Rescue, list[str]]:
    """Return what the rescue took, and what is missing to know it.

    A specimen that was split stands on one place until then; each of its pieces after. Days on
    which it was sold or lost and came back are no days on the table.
    """
    missing = []
    start = family[0].arrived_on
    if start is None:
        missing.append("the day of arrival")
    days = 0
    parted: dict[str, date] = {}
    for event in events:
        if event.what == "split":  # one that goes on under its name stood here all the time
            parted |= dict.fromkeys(set(children_of(event)) - {event.specimen}, event.at.date())
    halved = {one.specimen: one.left_on for one in family if one.state == "split"}
    for one in family:
        begin = parted.get(one.specimen) or halved.get(one.parent) or start
        end = one.left_on if one.state != "held" else today
        if begin is None or end is None:
            if end is None:
                missing.append(f"the day {one.specimen} left")
            continue
        days += max(0, (end - begin).days - _days_away(events, one.specimen))
    food = treatments = minutes = 0.0
    for event in events:
        if event.what == JOINED:  # its cost is what the piece itself carried, no care
            continue
        for name in ("cost", "work_minutes", "minutes"):
            if event.detail.get(name) and _amount(event, name) is None:
                missing.append(f'a number for {name} (it says "{event.detail[name]}")')
        cost = _amount(event, "cost") or 0.0
        if event.what in FEEDING:
            food += cost
        else:
            treatments += cost
        work = _amount(event, "work_minutes")
        if work is None and (event.what not in BATHS or "treatment" in event.detail):
            work = _amount(event, "minutes")
        minutes += work or 0.0
    rescue = Rescue(table_days=days, food=food, treatments=treatments, minutes=minutes)
    return rescue, missing


def _days_away(events: Sequence[CareEvent], name: str) -> int:
    """Return how many days a specimen was gone before it came back, all its absences together."""
    away, left = 0, None
    for event in events:
        if event.specimen != name:
            continue
        if event.what in LEAVING:
            left = event.at.date()
        elif event.what in BACK and left is not None:
            away += (event.at.date() - left).days
            left = None
    return away


def _amount(event: CareEvent, name: str) -> float | None:
    """Return a detail as a number, which may have a decimal comma; None if it is none."""
    text = event.detail.get(name, "").strip()
    plain = text.replace(",", ".") if text.count(",") == 1 and "." not in text else text
    try:
        value = float(plain)
    except ValueError:
        return None
    return value if 0 <= value < 1e9 else None
