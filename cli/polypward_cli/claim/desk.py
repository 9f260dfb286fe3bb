"""What a person says of a claim, carried out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import cast

from polypward.batch.claims import State, Verdict
from polypward.errors import BadInputError
from polypward.records import Specimen
from polypward_cli.claim.gather import claim_sheet, photo_keys
from polypward_cli.claim.ledger import Claim, batch_called, claim_of
from polypward_cli.claim.noting import (
    no_proof,
    note_moments,
    note_proof,
    note_verdict,
    set_credit,
    set_state,
    withdraw,
    write_claim,
)
from polypward_cli.claim.sheet import Sheet
from polypward_cli.claim.write import Written, write_claim_sheet
from polypward_cli.life.common import moment, named, who
from polypward_cli.ward import Ward

__all__ = ["Outcome", "Said", "do_claim"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What a person says of a batch's claim on one command line."""

    dead: Sequence[str] = ()
    poor: Sequence[str] = ()
    note: str = ""
    withdraw: Sequence[str] = ()
    moments: Mapping[str, str | None] = field(default_factory=dict)
    proof: str = ""
    proof_photos: Sequence[str] = ()
    proof_of: Sequence[str] = ()
    no_proof: Sequence[str] = ()
    photos: Sequence[Path] = ()
    state: str = ""
    credited: float | None = None
    at: str | None = None
    by: str = ""

    @property
    def changes_the_sheet(self) -> bool:
        """Whether a sheet that was sent must be followed by another."""
        told = (self.dead, self.poor, self.withdraw, self.proof, self.no_proof, self.photos)
        told_more = any(map(bool, told)) or any(self.moments.values()) or bool(self.note)
        return told_more or self.state in ("open", "sent")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """A claim after what was said; `written` is None while nothing is claimed."""

    claim: Claim
    sheet: Sheet
    written: Written | None
    said_dead: bool


def do_claim(ward: Ward, batch: str, said: Said, *, now: datetime | None = None) -> Outcome:
    """Carry out what a person says of a claim, all of it or nothing, and write its sheet.

    Raises
    ------
    BadInputError
        If a batch, specimen, photo or time is not understood, or a time is still to come.
    """
    now = now or datetime.now(ward.settings.zone)
    name, specimens = batch_called(ward, batch)
    at, by = moment(ward, said.at), who(ward, said.by)
    for folder in said.photos:
        if not folder.is_dir():
            raise BadInputError(f"{folder}: no such folder; --photos is where the originals lie")
    with ward.db.atomic():
        moments = {what: moment(ward, text) for what, text in said.moments.items() if text}
        if moments:
            note_moments(ward, name, moments)
        _verdicts(ward, name, specimens, said, at=at, by=by)
        if said.proof:
            note_proof(
                ward,
                name,
                " ".join(said.proof.split()),
                photo_keys(ward, said.proof_photos),
                specimens=_of_batch(ward, specimens, said.proof_of),
                at=at,
                by=by,
            )
        no_proof(ward, name, photo_keys(ward, said.no_proof))
        pieces = claim_of(ward, name).pieces
        if (said.state or said.credited is not None) and not pieces:
            raise BadInputError(
                f'nothing is claimed of batch "{name}" yet; say first what a person found: '
                f"polypward claim {name} --dead SPECIMEN --poor SPECIMEN"
            )
        if said.state in ("answered", "closed"):
            set_state(ward, name, cast("State", said.state), at=at)
        if said.credited is not None:
            set_credit(ward, name, said.credited, at=at)
        # The sheet that is marked as sent is the one that stands then; no bad word comes after it.
        written = None
        if pieces:
            written = write_claim_sheet(
                ward, name, photos=said.photos, now=now, again=said.changes_the_sheet
            )
        if said.state in ("sent", "open"):
            set_state(ward, name, cast("State", said.state), at=at)
        if not pieces and claim_of(ward, name).claimed:
            write_claim(ward, name, claimed=0.0, unpriced=0)
    sheet = written.sheet if written else claim_sheet(ward, name, now=now)[0]
    return Outcome(
        claim=claim_of(ward, name), sheet=sheet, written=written, said_dead=bool(said.dead)
    )


def _verdicts(
    ward: Ward, batch: str, specimens: Sequence[Specimen], said: Said, *, at: datetime, by: str
) -> None:
    dead = _of_batch(ward, specimens, said.dead)
    poor = _of_batch(ward, specimens, said.poor)
    if both := sorted({*dead} & {*poor}):
        raise BadInputError(f'"{both[0]}" cannot be both dead and poor')
    if said.note and not (dead or poor):
        write_claim(ward, batch, note=" ".join(said.note.split()))
    for names, verdict in ((dead, "dead"), (poor, "poor")):
        if names:
            note_verdict(
                ward,
                batch,
                names,
                cast("Verdict", verdict),
                note=" ".join(said.note.split()),
                at=at,
                by=by,
            )
    withdraw(ward, _of_batch(ward, specimens, said.withdraw))


def _of_batch(ward: Ward, specimens: Sequence[Specimen], names: Sequence[str]) -> list[str]:
    """Return the names of specimens of the batch, as registered."""
    here = {one.specimen for one in specimens}
    found = [named(ward, name).specimen for name in names]
    for name in found:
        if name not in here:
            batch = specimens[0].batch
            raise BadInputError(
                f'"{name}" did not come with batch "{batch}"; polypward specimen list --state all '
                f'--batch "{batch}" shows who did'
            )
    return found
