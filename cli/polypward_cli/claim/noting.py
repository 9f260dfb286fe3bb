"""Moments, verdicts, proof, states and credits of a claim are noted; the old stays in the audit."""

import json
from collections.abc import Collection, Mapping
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

from polypward.batch.claims import CLAIM_STATES, MOMENTS, State, Verdict
from polypward.errors import BadInputError
from polypward_cli.claim.ledger import AT, claim_of, row_of
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, dumps

__all__ = [
    "next_sheet",
    "no_proof",
    "note_moments",
    "note_proof",
    "note_verdict",
    "set_credit",
    "set_state",
    "withdraw",
    "write_claim",
]


def write_claim(ward: Ward, batch: str, **values: Any) -> None:
    """Change columns of a claim, which is begun if it was not; the old go into the audit."""
    with ward.db.atomic():
        old = row_of(ward, batch)
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
    row = row_of(ward, batch)
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
    values |= {AT[name]: None for name in later if name in AT}
    if state == "open" and claim.sent_at is not None:
        values["sheet"] = next_sheet(claim.sheet)  # the one that was sent stays as it is
    if state in AT:
        values[AT[state]] = at.astimezone(UTC).isoformat()
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
