"""What a ward keeps of claims: verdicts, moments, proof, states and credits."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final, cast

from polypward.batch.claims import (
    ClaimMoney,
    State,
    Terms,
    Verdict,
    money_of_claims,
)
from polypward.errors import BadInputError
from polypward.records import Specimen
from polypward_cli.ward import Ward
from polypward_cli.ward.money_settings import terms_of

__all__ = [
    "AT",
    "Claim",
    "Found",
    "batch_called",
    "claim_of",
    "claims",
    "credited_pieces",
    "dead_on_arrival",
    "money_claimed",
    "row_of",
    "supplier_of",
    "terms_for",
]

# The columns that say when a claim came into a state.
AT: Final[Mapping[State, str]] = {
    "sent": "sent_at",
    "answered": "answered_at",
    "closed": "closed_at",
}


@dataclass(frozen=True, slots=True)
class Found:
    """What a person found a piece to be, and when that was noted."""

    specimen: str
    verdict: Verdict
    note: str = ""
    at: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """A batch's claim as the ledger has it; times are aware, in the ward's zone.

    `claimed` and `sheet_sha256` are those of the sheet that was sent, or of the last one made.
    """

    batch: str
    state: State = "open"
    moments: Mapping[str, datetime] = field(default_factory=dict)
    pieces: tuple[Found, ...] = ()
    claimed: float | None = None
    unpriced: int = 0
    credited: float = 0.0
    sent_at: datetime | None = None
    answered_at: datetime | None = None
    closed_at: datetime | None = None
    sheet: str = ""
    sheet_sha256: str = ""
    photos: str = ""
    note: str = ""


def batch_called(ward: Ward, name: str) -> tuple[str, list[Specimen]]:
    """Return a batch's name as registered, and its specimens.

    Raises
    ------
    BadInputError
        If no specimen is of that batch.
    """
    wanted = " ".join(name.split()).casefold()
    found = [one for one in ward.specimens() if one.batch.casefold() == wanted and one.batch]
    if found:
        return found[0].batch, found
    known = sorted({one.batch for one in ward.specimens() if one.batch})
    there = f"; there are: {', '.join(known[:12])}" if known else "; none is registered yet"
    raise BadInputError(f'"{name}" is no batch of this ward{there}')


def supplier_of(batch: str, specimens: Sequence[Specimen]) -> str:
    """Return the batch's supplier, or "".

    Raises
    ------
    BadInputError
        If its specimens name several: a claim goes to one.
    """
    names = {one.supplier for one in specimens if one.supplier}
    if len(names) > 1:
        raise BadInputError(
            f'batch "{batch}" is of several suppliers ({", ".join(sorted(names))}); a claim goes '
            "to one: give them batches of their own in the register"
        )
    return next(iter(names), "")


def terms_for(ward: Ward, supplier: str) -> Terms | None:
    """Return what ward.toml says of a supplier's terms."""
    return terms_of(ward.settings.suppliers, path=ward.settings.path, supplier=supplier)


def claims(ward: Ward) -> list[Claim]:
    """Return every claim that was begun, by batch."""
    batches = [row["batch"] for row in ward.db.query("select batch from claims order by batch")]
    return [claim_of(ward, batch) for batch in batches]


def claim_of(ward: Ward, batch: str) -> Claim:
    """Return a batch's claim; an empty one where none was begun."""
    row = row_of(ward, batch)
    pieces = ward.db.query(
        "select specimen, verdict, note, at from claim_pieces where batch = ? order by specimen",
        [batch],
    )
    told = tuple(Found(**piece) for piece in pieces)
    if row is None:
        return Claim(batch=batch, moments=_opened(ward, batch), pieces=told)
    moments = _opened(ward, batch) | {
        name: _time(ward, text) for name, text in json.loads(row["moments"]).items()
    }
    times = {name: _time(ward, row[name]) if row[name] else None for name in AT.values()}
    return Claim(
        batch=batch,
        state=row["state"],
        moments=moments,
        pieces=told,
        claimed=row["claimed"],
        unpriced=row["unpriced"],
        credited=row["credited"],
        sent_at=times["sent_at"],
        answered_at=times["answered_at"],
        closed_at=times["closed_at"],
        sheet=row["sheet"],
        sheet_sha256=row["sheet_sha256"],
        photos=row["photos"],
        note=row["note"],
    )


def _opened(ward: Ward, batch: str) -> dict[str, datetime]:
    """Return when the first of a batch's boxes was opened, by its unpacking sheet."""
    row = ward.db.execute("select min(at) from unpackings where batch = ?", [batch]).fetchone()
    return {"opening": _time(ward, row[0])} if row and row[0] else {}


def _time(ward: Ward, text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(ward.settings.zone)


def row_of(ward: Ward, batch: str) -> dict[str, Any] | None:
    """Return a batch's row of `claims`; None if no claim was begun."""
    return next(iter(list(ward.db.query("select * from claims where batch = ?", [batch]))), None)


def dead_on_arrival(ward: Ward) -> set[str]:
    """Return the specimens that a person found dead at unpacking, by a claim or the register."""
    rows = ward.db.query(
        "select specimen from claim_pieces where verdict = 'dead' "
        "union select specimen from specimens where unpacked_as = 'dead'"
    )
    return {row["specimen"] for row in rows}


def credited_pieces(ward: Ward) -> set[str]:
    """Return the pieces of claims for which a supplier credited anything."""
    rows = ward.db.query(
        "select specimen from claim_pieces join claims using (batch) where credited > 0"
    )
    return {row["specimen"] for row in rows}


def money_claimed(ward: Ward) -> ClaimMoney:
    """Return what all claims come to: claimed, credited, still open."""
    return money_of_claims(
        (cast("State", row["state"]), row["claimed"] or 0.0, row["credited"], row["unpriced"])
        for row in ward.db.query("select * from claims order by batch")
    )
