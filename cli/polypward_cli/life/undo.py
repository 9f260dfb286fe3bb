"""Taking back the last entry of a specimen's life; what it said stays in the audit."""

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from polypward.errors import BadInputError
from polypward.life import LIFE, check_order, children_of, standing
from polypward.records import CareEvent
from polypward_cli.caring.kinds import KINDS
from polypward_cli.life.common import named
from polypward_cli.life.entries import pass_on
from polypward_cli.life.follow import stands_now
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit
from polypward_cli.ward.rows import care_of

__all__ = ["undo_last", "withdraw"]


def undo_last(
    ward: Ward, name: str, *, by: str, at: datetime | None = None, what: str = ""
) -> CareEvent:
    """Take back the last move, cut, split, join, sale, loss or return of a specimen.

    With `at`, the one of that minute; what follows it must then still be possible. With `what`, the
    last entry of this word, which may be any that was noted by hand ("look", "dip", "note").

    Raises
    ------
    BadInputError
        If there is none, it belongs to an entry of care, or its pieces have photos or entries of
        their own by now.
    """
    one = named(ward, name)
    row = _last(ward, one.specimen, frozenset({what.strip().lower()}) if what else LIFE, at)
    if row is None:
        when = f" of {at:%Y-%m-%d %H:%M}" if at else ""
        why = f" called {what}" if what else "" if at else "; it was only registered"
        raise BadInputError(f'"{one.specimen}": nothing to take back{when}{why}')
    event = care_of(row, zone=ward.settings.zone)
    _check_own(event)
    if event.what not in LIFE:
        with ward.db.atomic():
            _remove(ward, row, by=by)
        return event
    other = event.detail.get("with", "")
    if event.what == "join" and other:
        raise BadInputError(
            f'"{one.specimen}": "{other}" was joined to it; take that back there: '
            f"polypward specimen undo {other}"
        )
    with ward.db.atomic():
        _remove(ward, row, by=by)
        if event.what == "split":
            _take_pieces_back(ward, event, by=by)
        if event.what == "joined":
            _part_again(ward, event, at=row["at"], by=by)
        one = named(ward, name)
        events = ward.care(one.specimen)
        check_order(events, zone=ward.settings.zone)
        now = standing(events, zone=ward.settings.zone)
        one = replace(one, state=now.state, left_on=now.left_on)
        ward.save_specimen(stands_now(ward, one, events) if event.what == "move" else one)
    return event


def withdraw(ward: Ward, names: Sequence[str], *, by: str) -> list[str]:
    """Take specimens out that were registered by mistake: a count too high, a wrong table.

    All of them or none; what the register said of each stays in the audit. Returns their names.

    Raises
    ------
    BadInputError
        If one has photos, entries or pieces: then it was here, and something became of it.
    """
    found = list(dict.fromkeys(named(ward, name).specimen for name in names))
    with ward.db.atomic():
        for name in found:
            for table, column, what in (
                ("readings", "specimen", "photos"),
                ("care", "specimen", "entries"),
                ("specimens", "parent", "pieces"),
            ):
                sql = f"select count(*) from {table} where {column} = ?"
                if count := ward.db.execute(sql, [name]).fetchone()[0]:
                    raise BadInputError(
                        f'"{name}" has {what} ({count}), so it was here. Say what became of it '
                        "(sold, lost, discarded, move --out); nothing was taken out"
                    )
            [row] = ward.db.query("select * from specimens where specimen = ?", [name])
            _delete(ward, name)
            audit(ward.db, "specimen withdrawn", name, old=row, new={"by": by})
    return found


def _delete(ward: Ward, name: str) -> None:
    try:
        for table in ("summaries", "first_stands", "specimens"):
            ward.db.execute(f"delete from {table} where specimen = ?", [name])
    except sqlite3.IntegrityError:
        raise BadInputError(
            f'something is noted of "{name}"; take that back first: polypward labels undo TAG if '
            "it wore a tag, polypward claim BATCH --withdraw if it was claimed"
        ) from None


def _last(
    ward: Ward, specimen: str, words: frozenset[str], at: datetime | None
) -> dict[str, Any] | None:
    """Return the last entry by time, of one minute by the order of noting."""
    rows = ward.db.query("select * from care where specimen = ? order by id", [specimen])
    mine = [
        (datetime.fromisoformat(row["at"]), row["id"], row) for row in rows if row["what"] in words
    ]
    if at is not None:
        minute = at.replace(second=0, microsecond=0)
        mine = [one for one in mine if one[0].replace(second=0, microsecond=0) == minute]
    return max(mine, key=lambda one: one[:2])[2] if mine else None


def _check_own(event: CareEvent) -> None:
    """Check that an entry was noted by hand, not made from one of many specimens."""
    for kind in KINDS:
        if event.detail.get(kind, "").isdecimal():
            about = f"{kind}:{event.detail[kind]}"
            raise BadInputError(
                f'"{event.specimen}": {event.what} of {event.at:%Y-%m-%d %H:%M} belongs to '
                f"{about}; take that back: polypward care amend {about} --undo"
            )
    if "place_look" in event.detail:
        raise BadInputError(
            f'"{event.specimen}": it was odd at the look at its place; take that back: '
            "polypward look --undo"
        )


def _remove(ward: Ward, row: dict[str, Any], *, by: str) -> None:
    ward.db.execute("delete from care where id = ?", [row["id"]])
    audit(ward.db, "entry taken back", row["specimen"], old=row, new={"by": by})


def _take_pieces_back(ward: Ward, event: CareEvent, *, by: str) -> None:
    """Remove the pieces of a split that have no life of their own; their cost goes back."""
    for name in children_of(event):
        piece = ward.specimen(name)
        if piece is None or name == event.specimen or piece.parent != event.specimen:
            continue
        for table, what in (("readings", "photos"), ("care", "entries")):
            sql = f"select count(*) from {table} where specimen = ?"
            if count := ward.db.execute(sql, [name]).fetchone()[0]:
                raise BadInputError(
                    f'"{event.specimen}": its piece "{name}" has {what} of its own ({count}); '
                    "take them away first (polypward assign --to, polypward specimen undo)"
                )
        parent = ward.specimen(event.specimen)
        assert parent is not None
        amounts = {
            money: getattr(piece, money)
            for money in ("cost", "as_is_price")
            if None not in (getattr(piece, money), getattr(parent, money))
        }
        pass_on(ward, name, event.specimen, amounts)
        _delete(ward, name)
        audit(ward.db, "piece taken back", name, old={"parent": event.specimen}, new={"by": by})


def _part_again(ward: Ward, event: CareEvent, *, at: str, by: str) -> None:
    """Take back the other side of a joining, and the money that went with it."""
    other = event.detail.get("to", "")
    sql = "select * from care where specimen = ? and what = 'join' and at = ?"
    for row in list(ward.db.query(sql, [other, at])):
        if json.loads(row["detail"]).get("with") == event.specimen:
            _remove(ward, row, by=by)
    amounts = {
        name: float(event.detail[name]) for name in ("cost", "as_is_price") if name in event.detail
    }
    pass_on(ward, event.specimen, other, amounts, sign=-1)
