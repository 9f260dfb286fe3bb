"""What happens to a specimen: moved, cut, split, joined, sold, back, lost, discarded."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from polypward.errors import BadInputError
from polypward.records import CareEvent, Specimen
from polypward_cli.ids import new_ids
from polypward_cli.life.common import named, new_name
from polypward_cli.ward import Ward

__all__ = ["MAX_PIECES", "discard", "enter", "join", "move", "pass_on", "sell", "split"]

# Between the two looks of a person who says that a specimen is dead; common practice, no source.
SECOND_LOOK: Final = timedelta(hours=24)
MAX_PIECES: Final = 100


def enter(
    ward: Ward,
    name: str,
    what: str,
    *,
    at: datetime,
    by: str,
    detail: Mapping[str, object] | None = None,
) -> CareEvent:
    """Keep an entry of a specimen's life; details that are None or "" are left out.

    Raises
    ------
    BadInputError
        If the specimen is not known, arrived later, or was not here at that time.
    """
    one = named(ward, name)
    known = {key: str(value) for key, value in (detail or {}).items() if value not in (None, "")}
    event = CareEvent(specimen=one.specimen, at=at, what=what, detail=known, by=by)
    if not ward.add_care(event):
        raise BadInputError(f'"{one.specimen}": the very same entry is there already')
    return event


def move(
    ward: Ward,
    name: str,
    *,
    place: str,
    water_system: str,
    light: str,
    at: datetime,
    by: str,
) -> CareEvent:
    """Note that a specimen stands elsewhere, in other water or under other light."""
    if not place and not water_system and not light:
        raise BadInputError("say where it went: --to PLACE, --water-system NAME or --light TEXT")
    detail = {"to": place, "water_system": water_system, "light": light}
    return enter(ward, name, "move", at=at, by=by, detail=detail)


def sell(
    ward: Ward,
    name: str,
    *,
    price: float | None,
    as_is: float | None,
    at: datetime,
    by: str,
    note: str = "",
) -> CareEvent:
    """Note a sale; `as_is` is what it would have fetched at unpacking as it was."""
    detail = {"price": _money(price), "note": note}
    event = enter(ward, name, "sold", at=at, by=by, detail=detail)
    if as_is is not None:
        ward.save_specimen(replace(_there(ward, event.specimen), as_is_price=as_is))
    return event


def discard(ward: Ward, name: str, *, cause: str, sure: bool, at: datetime, by: str) -> CareEvent:
    """Note that a specimen was thrown away, if a person saw it dead twice, a day apart.

    Raises
    ------
    BadInputError
        If there are no two such looks and the person does not say to be sure.
    """
    one = named(ward, name)
    looks: list[datetime] = []
    for event in ward.looks(one.specimen):
        if (state := event.detail.get("state")) and event.at <= at:
            looks = [*looks, event.at] if state == "dead" else []  # seen otherwise: begin anew
    twice = bool(looks) and max(looks) - min(looks) >= SECOND_LOOK
    if not twice and not sure:
        said = f"one look that says dead ({min(looks):%Y-%m-%d %H:%M})" if looks else "no such look"
        raise BadInputError(
            f'"{one.specimen}": a shrunken coral often looks dead and opens days later. Look twice '
            f"24 h apart and note each look: polypward care log {one.specimen} look "
            f"--detail state=dead. There is {said}. If you are sure, say so: --sure"
        )
    detail = {"cause": cause, "seen": "" if twice else "sure without a second look"}
    return enter(ward, one.specimen, "discarded", at=at, by=by, detail=detail)


def split(
    ward: Ward,
    name: str,
    *,
    into: Sequence[str],
    pieces: int | None,
    keep: bool,
    shares: Sequence[float],
    at: datetime,
    by: str,
) -> CareEvent:
    """Note that a specimen was split; with `keep` the parent goes on as the first piece.

    Parameters
    ----------
    into : sequence of str
        Names of the new pieces; or empty, and `pieces` new ids are made.
    pieces : int or None
        Number of new pieces.
    shares : sequence of float
        What each piece takes over of the cost, the parent's first if it goes on; empty = equal.

    Raises
    ------
    BadInputError
        If fewer than two pieces come of it, or names, number and shares do not fit.
    """
    one = named(ward, name)
    taken = {known.specimen for known in ward.specimens() if _is_own(known)}
    if bool(into) == (pieces is not None):
        raise BadInputError(
            "name the pieces (--into NAME, once each) or give their number, --pieces"
        )
    if pieces is not None and not 1 <= pieces <= MAX_PIECES:
        raise BadInputError(f"--pieces must be from 1 to {MAX_PIECES}, got {pieces}")
    new = [new_name(piece, taken) for piece in into]
    if len({piece.casefold() for piece in new}) < len(new):
        raise BadInputError(f"a piece is named twice: {' '.join(new)}")
    new = new or list(_fresh(ward, pieces or 0))
    every = [one.specimen, *new] if keep else new
    if len(every) < 2:
        raise BadInputError(
            "a split gives at least two pieces; if the rest lives on under its name: --keep"
        )
    if keep and any(sign in one.specimen for sign in " ,;"):
        raise BadInputError(f'"{one.specimen}": a name with spaces cannot go on as a piece')
    if shares and (len(shares) != len(every) or not all(0 < share < 1e9 for share in shares)):
        raise BadInputError(
            f"--share: give one above 0 for each of {len(every)} pieces, in this order: "
            f"{' '.join(every)}"
        )
    detail = {
        "children": " ".join(every),
        "shares": " ".join(f"{share:g}" for share in shares),
    }
    return enter(ward, one.specimen, "split", at=at, by=by, detail=detail)


def join(ward: Ward, name: str, *, to: str, at: datetime, by: str) -> tuple[CareEvent, CareEvent]:
    """Note that a specimen became part of another, which takes over its cost.

    Raises
    ------
    BadInputError
        If both are the same, or of two batches (their sums would mix).
    """
    one, other = named(ward, name), named(ward, to)
    if one.specimen == other.specimen:
        raise BadInputError(f'"{one.specimen}" cannot be joined to itself')
    if one.batch != other.batch:
        raise BadInputError(
            f'"{one.specimen}" is of batch "{one.batch}", "{other.specimen}" of "{other.batch}": '
            "joined, neither batch's result would be right; keep them apart"
        )
    # Both costs must be known to be added; else each stays where it is.
    moved = {
        "cost": one.cost if other.cost is not None else None,
        "as_is_price": one.as_is_price if other.as_is_price is not None else None,
    }
    told = {key: None if value is None else f"{value:.10g}" for key, value in moved.items()}
    detail = {"to": other.specimen, **told}
    gone = enter(ward, one.specimen, "joined", at=at, by=by, detail=detail)
    grown = enter(ward, other.specimen, "join", at=at, by=by, detail={"with": one.specimen})
    pass_on(ward, one.specimen, other.specimen, moved)
    return gone, grown


def pass_on(
    ward: Ward, giver: str, taker: str, amounts: Mapping[str, float | None], *, sign: int = 1
) -> None:
    """Move amounts of money (fields of a specimen) from one to another; with `sign` -1, back."""
    for name, amount in amounts.items():
        if amount is None:
            continue
        for whose, change in ((giver, -sign * amount), (taker, sign * amount)):
            one = _there(ward, whose)
            fresh = round(getattr(one, name) + change, 6)
            ward.save_specimen(replace(one, **{name: fresh}))


def _there(ward: Ward, name: str) -> Specimen:
    one = ward.specimen(name)
    assert one is not None
    return one


def _is_own(one: Specimen) -> bool:
    """Say whether a specimen is more than a name that photos brought."""
    return one.registered or bool(one.parent) or one.cost is not None


def _fresh(ward: Ward, number: int) -> Iterator[str]:
    taken = {one.specimen.casefold() for one in ward.specimens()}
    ids = (one for one in new_ids(len(taken)) if one.casefold() not in taken)
    return (next(ids) for _ in range(number))


def _money(value: float | None) -> str | None:
    return None if value is None else f"{value:.2f}"
