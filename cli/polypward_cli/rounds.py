"""The round: what needs a photo, a look or a hand on a day, from what the last run knew.

Nothing is measured and no course is computed, so a round of thousands takes a moment.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Final

from polypward_cli.ward import Ward

__all__ = ["Stop", "plan_round"]

# A second look at a shrunken coral; common practice, no source.
LOOK_AFTER: Final = timedelta(hours=24)
_KIND_ORDER: Final = ("urgent", "second look", "treat", "photograph")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """One thing to do at a specimen: "urgent", "second look", "treat" or "photograph"."""

    kind: str
    specimen: str
    place: str
    due_on: date
    late_days: int
    why: str

    def as_json(self) -> dict[str, Any]:
        """Return the stop as JSON values."""
        return {
            "kind": self.kind,
            "specimen": self.specimen,
            "place": self.place,
            "due_on": self.due_on.isoformat(),
            "late_days": self.late_days,
            "why": self.why,
        }


def plan_round(ward: Ward, *, on: date) -> list[Stop]:
    """Return the stops of a day: urgent ones first, then by place."""
    summaries = ward.summaries()
    looked = {event.specimen: event.at for event in ward.looks()}
    stops: list[Stop] = []
    for one in ward.specimens():
        if one.state != "held":
            continue
        known = summaries.get(one.specimen, {})
        where = one.place or one.water_system
        looked_on = looked.get(one.specimen)
        day = looked_on.astimezone(ward.settings.zone).date() if looked_on else None
        for kind, due_on, why in _due(known, arrived_on=one.arrived_on, looked_on=day, on=on):
            stops.append(
                Stop(
                    kind=kind,
                    specimen=one.specimen,
                    place=where,
                    due_on=due_on,
                    late_days=(on - due_on).days,
                    why=why,
                )
            )
    return sorted(
        stops,
        key=lambda stop: (
            _KIND_ORDER.index(stop.kind) if stop.kind == "urgent" else 1,
            stop.place,
            stop.specimen,
            _KIND_ORDER.index(stop.kind),
        ),
    )


def _due(
    known: dict[str, Any], *, arrived_on: date | None, looked_on: date | None, on: date
) -> Iterator[tuple[str, date, str]]:
    """Yield kind, day and reason of what is due at a specimen."""
    last = known.get("last_seen")
    last_seen = date.fromisoformat(last) if last else None
    for flag in known.get("flags", []):
        if flag["urgent"]:
            yield "urgent", last_seen or on, f"{flag['name']}: {flag['evidence']}"
    if known.get("looks_dead") and last_seen:
        due = last_seen + timedelta(days=1)
        if due <= on and (looked_on is None or looked_on < due):
            yield "second look", due, "no live tissue in the last photo; look again before anything"
    if known.get("advice") == "treat" and not any(flag["urgent"] for flag in known["flags"]):
        yield "treat", on, known.get("reason", "")
    planned = known.get("next_photo_on")
    due = date.fromisoformat(planned) if planned and last_seen else (arrived_on or on)
    if last_seen is None:
        if due <= on:
            yield "photograph", due, "no accepted photo yet"
    elif planned and due <= on:
        yield "photograph", due, f"planned for {due}"
