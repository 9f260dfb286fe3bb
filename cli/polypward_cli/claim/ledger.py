"""What a ward keeps of claims: verdicts, moments, proof, states and credits."""

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any, Final, cast

from polypward.batch.claims import (
    CLAIM_STATES,
    MOMENTS,
    ClaimMoney,
    State,
    Terms,
    Verdict,
    money_of_claims,
)
from polypward.errors import BadInputError
from polypward.records import Specimen
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, dumps
from polypward_cli.ward.money_settings import terms_of

__all__ = [
    "Claim",
    "Found",
    "batch_called",
    "claim_of",
    "claims",
    "credited_pieces",
    "dead_on_arrival",
    "money_claimed",
    "next_sheet",
    "no_proof",
    "note_moments",
    "note_proof",
    "note_verdict",
    "set_credit",
    "set_state",
    "supplier_of",
    "terms_for",
    "withdraw",
    "write_claim",
]

_AT: Final[Mapping[State, str]] = {
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
    row = _row(ward, batch)
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
    times = {name: _time(ward, row[name]) if row[name] else None for name in _AT.values()}
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


def _row(ward: Ward, batch: str) -> dict[str, Any] | None:
    return next(iter(list(ward.db.query("select * from claims where batch = ?", [batch]))), None)


def write_claim(ward: Ward, batch: str, **values: Any) -> None:
    """Change columns of a claim, which is begun if it was not; the old go into the audit."""
    with ward.db.atomic():
        old = _row(ward, batch)
        if old is None:
            ward.db.table("claims").insert({"batch": batch, **values})
            audit(ward.db, "claim begun", batch, new=values)
            return
        before = {name: old[name] for name in values}
        if before != values:
            audit(ward.db, "claim changed", batch, old=before, new=values)
            ward.db.table("claims").update(batch, values)


def note_moments(ward: Ward, batch: str, noted: Mapping[str, datetime]) -> None:
    """Note when a batch landed, was delivered and was opened, as far as it is told.

    Raises
    ------
    BadInputError
        If one would come before another that it follows.
    """
    row = _row(ward, batch)
    moments = json.loads(row["moments"]) if row else {}
    moments |= {name: at.astimezone(UTC).isoformat() for name, at in noted.items()}
    write_claim(ward, batch, moments=dumps(moments))
    known = claim_of(ward, batch).moments
    for (first, early), (then, late) in pairwise((m, known[m]) for m in MOMENTS if m in known):
        if late < early:
            raise BadInputError(
                f"{then} {late:%Y-%m-%d %H:%M} would be before {first} {early:%Y-%m-%d %H:%M}; "
                "one of them is wrong. The opening also comes from the unpacking sheet: "
                f"polypward unpack {batch}"
            )


def note_verdict(
    ward: Ward,
    batch: str,
    specimens: Collection[str],
    verdict: Verdict,
    *,
    note: str = "",
    at: datetime,
    by: str,
) -> None:
    """Note what a person found pieces to be; an earlier verdict goes into the audit.

    Without a new note the earlier one stays.
    """
    with ward.db.atomic():
        for specimen in specimens:
            values = {
                "batch": batch,
                "verdict": verdict,
                "note": note,
                "at": at.astimezone(UTC).isoformat(),
                "by": by,
            }
            old = _piece_row(ward, specimen)
            if old is not None and not note:
                values["note"] = old["note"]
            if old is None:
                ward.db.table("claim_pieces").insert({"specimen": specimen, **values})
            elif (old["verdict"], old["note"]) != (verdict, values["note"]):
                audit(ward.db, "verdict changed", specimen, old=old, new=values)
                ward.db.table("claim_pieces").update(specimen, values)
        write_claim(ward, batch)


def withdraw(ward: Ward, specimens: Collection[str]) -> None:
    """Take verdicts back; they stay in the audit.

    Raises
    ------
    BadInputError
        If a specimen has none.
    """
    with ward.db.atomic():
        for specimen in specimens:
            old = _piece_row(ward, specimen)
            if old is None:
                raise BadInputError(f'"{specimen}" has no verdict that could be withdrawn')
            audit(ward.db, "verdict withdrawn", specimen, old=old)
            ward.db.execute("delete from claim_pieces where specimen = ?", [specimen])


def _piece_row(ward: Ward, specimen: str) -> dict[str, Any] | None:
    rows = list(ward.db.query("select * from claim_pieces where specimen = ?", [specimen]))
    return rows[0] if rows else None


def note_proof(
    ward: Ward,
    batch: str,
    kind: str,
    keys: Collection[str],
    *,
    specimens: Collection[str],
    at: datetime,
    by: str,
) -> None:
    """Note what photos show of an arrival: of these specimens, or of the whole batch if none."""
    with ward.db.atomic():
        for key in keys:
            for specimen in specimens or ("",):
                ward.db.table("claim_proofs").insert(
                    {
                        "key": key,
                        "batch": batch,
                        "specimen": specimen,
                        "kind": kind,
                        "at": at.astimezone(UTC).isoformat(),
                        "by": by,
                    },
                    ignore=True,
                )
        write_claim(ward, batch)


def no_proof(ward: Ward, batch: str, keys: Collection[str]) -> None:
    """Take back what photos were said to show of a batch; it stays in the audit.

    Raises
    ------
    BadInputError
        If nothing was said of one.
    """
    with ward.db.atomic():
        for key in keys:
            said = {"batch": batch, "key": key}
            where = "batch = :batch and key = :key"
            rows = list(ward.db.query(f"select * from claim_proofs where {where}", said))
            if not rows:
                raise BadInputError(
                    f'no photo with the SHA-256 {key[:12]}... was named as proof of batch "{batch}"'
                )
            audit(ward.db, "proof taken back", key, old=rows)
            ward.db.execute(f"delete from claim_proofs where {where}", said)


def set_state(ward: Ward, batch: str, state: State, *, at: datetime) -> None:
    """Set a claim's state and when that was.

    Raises
    ------
    BadInputError
        If the claim was never sent and is to be answered.
    """
    assert state in CLAIM_STATES
    claim = claim_of(ward, batch)
    if state == "answered" and claim.sent_at is None:
        raise BadInputError(
            f'the claim of batch "{batch}" was not sent yet; note that first: '
            f"polypward claim {batch} --sent --at TIME"
        )
    values: dict[str, Any] = {"state": state}
    later = CLAIM_STATES[CLAIM_STATES.index(state) + 1 :]
    values |= {_AT[name]: None for name in later if name in _AT}
    if state == "open" and claim.sent_at is not None:
        values["sheet"] = next_sheet(claim.sheet)  # the one that was sent stays as it is
    if state in _AT:
        values[_AT[state]] = at.astimezone(UTC).isoformat()
    write_claim(ward, batch, **values)


def next_sheet(sheet: str) -> str:
    """Return the path of the sheet after one ("claims/B7/sheet-1")."""
    home, _, number = sheet.rpartition("-")
    return f"{home}-{int(number) + 1}"


def set_credit(ward: Ward, batch: str, amount: float, *, at: datetime) -> None:
    """Note what the supplier credited for a batch in all; a claim that was sent is answered.

    Raises
    ------
    BadInputError
        If the amount is none, or the claim was not sent.
    """
    if not 0 <= amount < 1e9:
        raise BadInputError(f"--credited must be an amount of money, 0 or more, got {amount:g}")
    with ward.db.atomic():
        if claim_of(ward, batch).state in ("open", "sent"):
            set_state(ward, batch, "answered", at=at)
        write_claim(ward, batch, credited=float(amount))


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
