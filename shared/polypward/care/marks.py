"""Care in the course: what stands as a mark in a specimen's history, and a tally of it.

The tally is what batches are compared by. Who gets which care is nobody's lot-drawing: such a
comparison is observational and must say so.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from polypward.care.feeding import RESPONSES, response_of
from polypward.records import CareEvent

__all__ = ["Tally", "history_words", "mark_of", "tally"]

# Everyday care would bury a chart's axis under its marks; it stands in the lists.
_EVERYDAY: Final = frozenset({"feeding", "look", "test", "dose", "note", "inspection"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """What a specimen was given: numbers of events, and what they took.

    `responses` counts the watched feedings by response. `cost` is in the ward's money and
    `minutes` are of work; None where no event says one.
    """

    feedings: int = 0
    heavy_feedings: int = 0
    responses: tuple[tuple[str, int], ...] = ()
    dips: int = 0
    treatments: int = 0
    moves: int = 0
    water_changes: int = 0
    doses: int = 0
    cost: float | None = None
    minutes: float | None = None


def mark_of(event: CareEvent) -> str:
    """Return the words of an event's mark in the course; "" for everyday care.

    Heavy feedings, findings of an inspection, treatments, moves, water changes and doses that
    correct the water are marked.
    """
    detail = event.detail
    name = detail.get("name") or detail.get("agent", "")
    if event.what == "feeding" and detail.get("amount") == "heavy":
        return "heavy feeding"
    if event.what == "inspection" and detail.get("found"):
        return f"found {detail['found']}"
    if event.what == "dose" and detail.get("raises"):
        return f"dose, {name} for {detail['raises']}" if name else f"dose for {detail['raises']}"
    if event.what in _EVERYDAY:
        return ""
    if event.what == "dip":
        return f"dip, {name}" if name else "dip"
    if event.what == "treatment":
        status = {"open": " begins", "done": " ends"}.get(detail.get("status", ""), "")
        return f"treatment{', ' + name if name else ''}{status}"
    if event.what == "water-change":
        share = _number(detail.get("share", ""))
        much = f" {100 * share:.3g} %" if share else ""
        much = much or (f" {detail['litres']} L" if detail.get("litres") else "")
        return f"water change{much}"
    if event.what == "move" and detail.get("to"):
        return f"move to {detail['to']}"
    if event.what == "quarantine" and detail.get("status"):
        return f"quarantine {detail['status']}"
    return event.what.replace("-", " ")


def history_words(event: CareEvent) -> str:
    """Return an event as a line of a specimen's history, without its time and person.

    Feedings, baths, inspections, water changes and doses in the words of a keeper; of any other
    event the word and its details as they were noted.
    """
    detail = event.detail
    parts: list[str]
    if "feeding" in detail:
        response = response_of(event)
        amount = detail.get("amount", "")
        parts = [
            detail.get("food", ""),
            f"{amount} feeding" if amount in ("light", "heavy") else "",
            RESPONSES.get(response, ""),
        ]
    elif "treatment" in detail:
        minutes = detail.get("bath_minutes", "")
        status = {"open": "begins", "done": "ends"}.get(detail.get("status", ""), "")
        parts = [
            detail.get("name", ""),
            status,
            detail.get("concentration", ""),
            f"{minutes} min" if minutes else "",
        ]
    elif "inspection" in detail:
        treated = detail.get("treated", "")
        parts = [
            f"found {detail['found']}" if detail.get("found") else "nothing found",
            f"treated: {treated}" if treated else "",
        ]
    elif "change" in detail:
        return mark_of(event)
    elif "dose" in detail:
        raises = detail.get("raises", "")
        system = detail.get("system", "")
        parts = [
            detail.get("name", ""),
            detail.get("amount", ""),
            f"for {raises}" if raises else "",
            f"into {system}" if system else "",
        ]
    else:
        parts = [f"{key} {value}".strip() for key, value in detail.items()]
    told = ", ".join(part for part in parts if part)
    return event.what + (f": {told}" if told else "")


def tally(
    events: Iterable[CareEvent], *, since: datetime | None = None, until: datetime | None = None
) -> Tally:
    """Count the care of one specimen between two times, both included.

    Parameters
    ----------
    events : iterable of CareEvent
        Of one specimen.
    since, until : datetime, optional
        Aware; None = no end on that side.
    """
    within = [
        event
        for event in events
        if (since is None or event.at >= since) and (until is None or event.at <= until)
    ]
    feedings = [event for event in within if event.what == "feeding"]
    said = [response_of(event) for event in feedings]
    opened = [e for e in within if e.what == "treatment" and e.detail.get("status") != "done"]
    return Tally(
        feedings=len(feedings),
        heavy_feedings=sum(event.detail.get("amount") == "heavy" for event in feedings),
        responses=tuple((word, said.count(word)) for word in RESPONSES if word in said),
        dips=sum(event.what == "dip" for event in within),
        treatments=len(opened),
        moves=sum(event.what == "move" for event in within),
        water_changes=sum(event.what == "water-change" for event in within),
        doses=sum(event.what == "dose" for event in within),
        # Of pieces that were joined the detail says what they had cost themselves: no care.
        cost=_sum((event for event in within if event.what != "joined"), "cost"),
        minutes=_sum(within, "minutes"),
    )


def _sum(events: Iterable[CareEvent], name: str) -> float | None:
    told = [_number(event.detail.get(name, "")) for event in events]
    known = [value for value in told if value is not None]
    return sum(known) if known else None


def _number(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None
