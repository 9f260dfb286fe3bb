"""A specimen's life after intake: whether it is here, where it stands, what it carries of a cost.

Its state is never kept by hand: it follows from what was noted, in the order of time, so that an
entry made late, or taken back, puts everything right.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, tzinfo
from decimal import ROUND_HALF_UP, Decimal
from typing import Final

from polypward.errors import BadInputError
from polypward.records import CareEvent

__all__ = [
    "CENSORED",
    "DEATHS",
    "LEAVING",
    "LIFE",
    "STATES",
    "Stand",
    "Standing",
    "check_order",
    "children_of",
    "inherited",
    "share_out",
    "stand_after",
    "standing",
]

# Care after which a specimen is in the ward no longer, with the state that says so.
LEAVING: Final[Mapping[str, str]] = {
    "sold": "sold",
    "lost": "lost",
    "discarded": "discarded",
    "moved-out": "moved-out",
    "joined": "joined",
}
STATES: Final = ("held", *LEAVING.values(), "split")
# For survival: lost and discarded ones died here; of the others one only knows that they lived
# until they left (right-censored; Kaplan and Meier 1958, J. Am. Stat. Assoc. 53, 457-481).
DEATHS: Final = frozenset({"lost", "discarded"})
CENSORED: Final = frozenset(STATES) - DEATHS
# Everything that changes what a specimen is or where it stands.
LIFE: Final = frozenset({*LEAVING, "returned", "move", "split", "cut", "join"})
# What a piece carries on from the specimen it was split from.
_CARRIED: Final = frozenset({"quarantine", "treatment"})
_WORDS: Final = {
    "moved-out": "moved out",
    "joined": "joined to another",
    "join": "joined with another",
    "move": "moved",
}


@dataclass(frozen=True, slots=True)
class Standing:
    """The state of a specimen (one of `STATES`) and the day on which it left, if it did."""

    state: str = "held"
    left_on: date | None = None


@dataclass(frozen=True, slots=True)
class Stand:
    """Where a specimen stands: place, water system, light; "" where nobody said."""

    place: str = ""
    water_system: str = ""
    light: str = ""


def children_of(event: CareEvent) -> tuple[str, ...]:
    """Return the pieces that a split names, parted by spaces, commas or semicolons."""
    text = event.detail.get("children", "").replace(",", " ").replace(";", " ")
    return tuple(dict.fromkeys(text.split()))


def standing(events: Sequence[CareEvent], *, zone: tzinfo) -> Standing:
    """Return the state of a specimen after what was noted of it.

    Parameters
    ----------
    events : sequence of CareEvent
        Of one specimen, in any order; events of one moment count in the order given.
    zone : tzinfo
        The ward's time zone, for the day of leaving.
    """
    now = Standing()
    for event in sorted(events, key=lambda event: event.at):
        now = _step(now, event, zone)
    return now


def _step(now: Standing, event: CareEvent, zone: tzinfo) -> Standing:
    day = event.at.astimezone(zone).date()
    if event.what in LEAVING:
        return Standing(LEAVING[event.what], day)
    if event.what == "returned":
        return Standing()
    if event.what == "split":
        pieces = children_of(event)
        if pieces and event.specimen not in pieces:
            return Standing("split", day)
    return now


def check_order(events: Sequence[CareEvent], *, zone: tzinfo) -> None:
    """Check that what was noted of a specimen can have happened in the order of its times.

    Parameters
    ----------
    events : sequence of CareEvent
        Of one specimen, in any order.
    zone : tzinfo
        The ward's time zone.

    Raises
    ------
    BadInputError
        If it leaves, moves or is cut while it is not here, or comes back while it is.
    """
    now = Standing()
    for event in sorted(events, key=lambda event: event.at):
        if event.what not in LIFE:
            continue
        day = event.at.astimezone(zone).date()
        if now.state != "held" and event.what != "returned":
            state = _WORDS.get(now.state, now.state)
            raise BadInputError(
                f'"{event.specimen}" cannot be noted as {_WORDS.get(event.what, event.what)} on '
                f"{day}: it is {state} since {now.left_on}. If it came back: polypward specimen "
                f"back {event.specimen}; if that was a mistake: polypward specimen undo "
                f"{event.specimen}"
            )
        if now.state == "held" and event.what == "returned":
            raise BadInputError(f'"{event.specimen}" cannot come back on {day}: it had not left')
        now = _step(now, event, zone)


def stand_after(first: Stand, events: Sequence[CareEvent]) -> Stand:
    """Return where a specimen stands after its moves.

    Parameters
    ----------
    first : Stand
        Where it stood before the first of them.
    events : sequence of CareEvent
        In any order; a move's details `to`, `water_system` and `light` change what they name.
    """
    now = first
    for event in sorted(events, key=lambda event: event.at):
        if event.what == "move":
            now = Stand(
                event.detail.get("to") or now.place,
                event.detail.get("water_system") or now.water_system,
                event.detail.get("light") or now.light,
            )
    return now


def inherited(
    parents: Mapping[str, str], care: Mapping[str, Sequence[CareEvent]]
) -> dict[str, list[CareEvent]]:
    """Return what was noted of each specimen, with what its pieces carry on from their parent.

    A quarantine or a treatment does not end by a cut: what was noted of one up to the split
    counts for the piece as well.

    Parameters
    ----------
    parents : mapping of str to str
        Parent of each piece.
    care : mapping of str to sequence of CareEvent
        Own events by specimen.
    """
    found = {name: list(events) for name, events in care.items()}
    for piece in parents:
        name, until, seen = piece, None, {piece}
        while (parent := parents.get(name, "")) and parent not in seen:
            seen.add(parent)
            splits = [event for event in care.get(parent, ()) if name in children_of(event)]
            at = min((event.at for event in splits if event.what == "split"), default=None)
            until = at if until is None or (at is not None and at < until) else until
            if until is not None:
                found.setdefault(piece, []).extend(
                    replace(event, specimen=piece)
                    for event in care.get(parent, ())
                    if event.what in _CARRIED and event.at <= until
                )
            name = parent
    return found


def share_out(amount: float | None, shares: Sequence[float]) -> tuple[float | None, ...]:
    """Divide an amount of money by shares, to the cent, so that the parts add up to it.

    Parameters
    ----------
    amount : float or None
        In the ward's currency; None = not known, and so are the parts.
    shares : sequence of float
        Positive, in any unit.

    Returns
    -------
    tuple of float or None
        A part for each share. Cents that rounding leaves over go to the largest share.

    Examples
    --------
    >>> share_out(100.0, [1, 1, 1])
    (33.34, 33.33, 33.33)
    """
    if not shares or not all(0 < share < float("inf") for share in shares):
        raise BadInputError(f"shares must be numbers above 0, got {', '.join(map(str, shares))}")
    if amount is None:
        return (None,) * len(shares)
    cent = Decimal("0.01")
    whole = Decimal(repr(amount))
    total = sum((Decimal(repr(share)) for share in shares), Decimal(0))
    parts = [
        (whole * Decimal(repr(share)) / total).quantize(cent, ROUND_HALF_UP) for share in shares
    ]
    parts[shares.index(max(shares))] += whole - sum(parts)
    return tuple(float(part) for part in parts)
