"""What an entry changes of its specimen: state, place and pieces follow from all its entries."""

from dataclasses import replace
from datetime import datetime
from typing import Final

from polypward.errors import BadInputError
from polypward.life import Stand, children_of, share_out, stand_after, standing
from polypward.records import CareEvent, Specimen
from polypward_cli.ward import Ward

__all__ = [
    "check_arrived",
    "first_stand",
    "follow",
    "keep_first_stand",
    "pass_down",
    "shares_of",
    "stands_now",
]

# What a piece has in common with the specimen it was split from.
_KEPT: Final = ("batch", "supplier", "kind", "box", "permit", "arrived_on")


def check_arrived(ward: Ward, one: Specimen, at: datetime) -> None:
    """Check that a specimen had arrived at a time, as far as its day of arrival is known.

    Raises
    ------
    BadInputError
        If it had not.
    """
    day = at.astimezone(ward.settings.zone).date()
    if one.arrived_on is not None and day < one.arrived_on:
        raise BadInputError(
            f'"{one.specimen}" arrived on {one.arrived_on}; {day} is before that. '
            "If the day of arrival is wrong: polypward specimen change"
        )


def follow(ward: Ward, event: CareEvent) -> None:
    """Bring a specimen up to date with an entry that has just been kept, or taken back.

    A split makes its pieces: they keep batch, supplier, kind, place, permit and day of arrival,
    and take over what the parent cost and was worth as it was, by shares.
    """
    one = ward.specimen(event.specimen)
    assert one is not None
    if event.what == "split":
        one = _split(ward, one, event)
    events = ward.care(one.specimen)
    now = standing(events, zone=ward.settings.zone)
    one = replace(one, state=now.state, left_on=now.left_on)
    if event.what == "move":
        one = stands_now(ward, one, events)
    ward.save_specimen(one)


def stands_now(ward: Ward, one: Specimen, events: list[CareEvent]) -> Specimen:
    """Return the specimen where its moves have brought it."""
    stand = stand_after(first_stand(ward, one), events)
    return replace(one, place=stand.place, water_system=stand.water_system, light=stand.light)


def first_stand(ward: Ward, one: Specimen) -> Stand:
    """Return where a specimen stood before its first move."""
    sql = "select place, water_system, light from first_stands where specimen = ?"
    for row in ward.db.query(sql, [one.specimen]):
        return Stand(**row)
    return Stand(one.place, one.water_system, one.light)


def keep_first_stand(ward: Ward, one: Specimen) -> None:
    """Keep where a specimen stands, unless it was moved before."""
    ward.db.execute(
        "insert or ignore into first_stands values (?, ?, ?, ?)",
        [one.specimen, one.place, one.water_system, one.light],
    )


def pass_down(ward: Ward, before: Specimen, after: Specimen, *, by: str = "") -> list[str]:
    """Let pieces keep up with what is put right of the specimen they were split from.

    Papers, batch, supplier, kind, box and day of arrival are those of the parent, unless a piece
    was given its own. Returns the names of the pieces that changed.
    """
    changed = [name for name in _KEPT if getattr(before, name) != getattr(after, name)]
    followed = []
    if changed:
        rows = ward.db.query(
            "select specimen from specimens where parent = ? order by 1", [after.specimen]
        )
        for name in [row["specimen"] for row in rows]:
            piece = ward.specimen(name)
            assert piece is not None
            told = {
                field: getattr(after, field)
                for field in changed
                if getattr(piece, field) == getattr(before, field)
            }
            if told:
                fresh = replace(piece, **told)
                ward.save_specimen(fresh, by=by)
                followed += [name, *pass_down(ward, piece, fresh, by=by)]
    return followed


def shares_of(event: CareEvent) -> list[float]:
    """Return the share of each piece of a split; equal ones where it names none.

    Raises
    ------
    BadInputError
        If there are not as many as pieces, or one is no number above 0.
    """
    pieces = children_of(event)
    text = event.detail.get("shares", "").replace(";", " ").split()
    if not text:
        return [1.0] * len(pieces)
    try:
        shares = [float(share) for share in text]
    except ValueError:
        shares = []
    if len(shares) != len(pieces) or not all(0 < share < float("inf") for share in shares):
        raise BadInputError(
            f'shares "{event.detail["shares"]}": give a number above 0 for each of '
            f"{len(pieces)} pieces ({' '.join(pieces)})"
        )
    return shares


def _split(ward: Ward, one: Specimen, event: CareEvent) -> Specimen:
    """Make the pieces that are not there yet; return the parent with what it still carries."""
    pieces = children_of(event)
    if not pieces:
        return one
    shares = shares_of(event)
    parts = zip(
        pieces,
        share_out(one.cost, shares),
        share_out(one.as_is_price, shares),
        strict=True,
    )
    cost, as_is = one.cost, one.as_is_price
    for name, part, worth in parts:
        if name == one.specimen:
            continue
        piece = _piece(ward.specimen(name), one, name, cost=part, as_is_price=worth)
        if piece is None:  # told before, or registered on its own
            continue
        ward.save_specimen(piece)
        # What it cost is carried by its pieces, so that a batch's sum counts it once.
        cost, as_is = _less(cost, part), _less(as_is, worth)
    return replace(one, cost=cost, as_is_price=as_is)


def _piece(
    there: Specimen | None,
    parent: Specimen,
    name: str,
    *,
    cost: float | None,
    as_is_price: float | None,
) -> Specimen | None:
    """Return a piece as it is to be kept; None if it has a cost or a parent of its own."""
    if there is None:
        there = Specimen(specimen=name)
    elif there.registered or there.parent or there.cost is not None:
        return None
    return replace(
        parent,
        specimen=there.specimen,
        parent=parent.specimen,
        cost=cost,
        as_is_price=as_is_price,
        expected_price=None,
        height_mm=there.height_mm if there.height_mm is not None else parent.height_mm,
        state=there.state,
        left_on=there.left_on,
        note="",
    )


def _less(whole: float | None, part: float | None) -> float | None:
    return whole if whole is None or part is None else round(whole - part, 6)
