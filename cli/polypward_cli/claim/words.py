"""What a claim looks like on a terminal, as JSON and in the list of all claims."""

from collections.abc import Iterator
from datetime import datetime
from typing import Any, Final

from polypward.batch.claims import VERDICTS, Clock, clock_of
from polypward_cli.claim.desk import Outcome
from polypward_cli.claim.ledger import (
    Claim,
    batch_called,
    claims,
    money_claimed,
    supplier_of,
    terms_for,
)
from polypward_cli.claim.sheet import WHAT_THE_HASH_SHOWS, Sheet, amount_words
from polypward_cli.terminal import json_text
from polypward_cli.ward import Ward
from polypward_cli.ward.money_settings import money_of

__all__ = ["ROWS", "claim_lines", "claim_rows", "list_claims"]

ROWS: Final = ("batch", "supplier", "state", "pieces", "hours_left", "claimed", "credited")
SECOND_LOOK: Final = (
    "A shrunken fleshy coral often looks dead: keep it and look again after 24 h. The claim's "
    "window does not wait for that; a verdict can be withdrawn."
)


def claim_lines(ward: Ward, outcome: Outcome, *, as_json: bool) -> list[str]:
    """Return a claim as the terminal shows it, or as JSON."""
    if as_json:
        return [json_text(_as_json(ward, outcome))]
    return list(_lines(ward, outcome))


def _lines(ward: Ward, outcome: Outcome) -> Iterator[str]:
    sheet, claim, written = outcome.sheet, outcome.claim, outcome.written
    yield _clock_line(claim, sheet)
    supplier = f" of {sheet.supplier}" if sheet.supplier else ""
    yield f"Batch {sheet.batch}{supplier}: claim {_state(claim)}."
    if sheet.pieces:
        yield f"{sheet.counts_words}."
        credited = amount_words(claim.credited, sheet.currency)
        yield f"Asked: {sheet.asked_words}; credited: {credited}."
        if words := _whole_price(ward, sheet):
            yield words
    else:
        yield f"{sheet.together.of} pieces, nothing claimed yet."
        yield f"Say what you found: polypward claim {sheet.batch} --dead SPECIMEN --poor SPECIMEN"
    if sheet.short_of:
        yield f"Below the smallest loss: {sheet.short_of}."
    for piece in sheet.pieces:
        kind = f" ({piece.kind})" if piece.kind else ""
        photos = len(piece.photos)
        shown = f"{photos} photo{'' if photos == 1 else 's'}" if photos else "no photo"
        missing = f"; missing proof: {', '.join(piece.missing)}" if piece.missing else ""
        price = (
            "; no cost in the register, so nothing is asked for it" if piece.asked is None else ""
        )
        yield f"  {piece.specimen}{kind}: {piece.verdict}, {shown}{missing}{price}"
    if words := _not_claimed(ward, sheet):
        yield words
    if sheet.clock.hours_left is None and claim.sent_at is None:
        yield _how_to_know(ward, claim, sheet)
    if outcome.said_dead:
        yield SECOND_LOOK
    if written is not None:
        for remark in written.remarks:
            yield f"Note: {remark}."
        yield f"Sheet: {written.folder / 'sheet.pdf'} and sheet.html; the message is message.txt."
        yield f"Hash over the whole: {sheet.sha256}"
        yield WHAT_THE_HASH_SHOWS
        if claim.sent_at is None:
            yield f"Once it is sent: polypward claim {sheet.batch} --sent"


def _not_claimed(ward: Ward, sheet: Sheet) -> str:
    """Return which pieces were noted as dead or poor at unpacking and are not claimed."""
    claimed = {piece.specimen for piece in sheet.pieces}
    noted = [
        (one.specimen, one.unpacked_as)
        for one in batch_called(ward, sheet.batch)[1]
        if one.unpacked_as in VERDICTS and one.specimen not in claimed
    ]
    if not noted:
        return ""
    told = ", ".join(f"{name} {state}" for name, state in noted)
    options = " ".join(f"--{state} {name}" for name, state in noted)
    return f"Noted at unpacking, but not claimed: {told}. polypward claim {sheet.batch} {options}"


def _whole_price(ward: Ward, sheet: Sheet) -> str:
    """Return for which verdicts the whole price is asked because no terms say otherwise."""
    terms = terms_for(ward, sheet.supplier)
    shares = {
        "dead": terms.credit_dead_percent if terms else None,
        "poor": terms.credit_poor_percent if terms else None,
    }
    found = [
        verdict
        for verdict in VERDICTS
        if shares[verdict] is None and any(piece.verdict == verdict for piece in sheet.pieces)
    ]
    if not found:
        return ""
    settings = " or ".join(f"credit_{verdict}_percent" for verdict in found)
    return (
        f"For {' and '.join(found)} pieces the whole price is asked: ward.toml has no {settings}."
    )


def _clock_line(claim: Claim, sheet: Sheet) -> str:
    """Return the first line: hours left, unless the sheet is sent."""
    if claim.sent_at is None:
        words = sheet.clock.words()
        if sheet.clock.deadline:
            words += f" (until {sheet.clock.deadline.isoformat(timespec='minutes')})"
        return f"{words[:1].upper()}{words[1:]}."
    sent = claim.sent_at.isoformat(timespec="minutes")
    if sheet.clock.deadline is None:
        return f"Sent {sent}; whether that was in time is not known."
    inside = "within" if claim.sent_at <= sheet.clock.deadline else "after"
    return f"Sent {sent}, {inside} the window."


def _state(claim: Claim) -> str:
    since = {"sent": claim.sent_at, "answered": claim.answered_at, "closed": claim.closed_at}
    at = since.get(claim.state)
    return f"{claim.state} since {at:%Y-%m-%d %H:%M}" if at else claim.state


def _how_to_know(ward: Ward, claim: Claim, sheet: Sheet) -> str:
    terms = terms_for(ward, sheet.supplier)
    if terms is None or terms.window_hours is None:
        name = sheet.supplier or "the supplier's name"
        return (
            f"Write the supplier's terms into {ward.path / 'ward.toml'}, for example:\n"
            f'  [[supplier]]\n  name = "{name}"\n  window_hours = 4\n  since = "delivery"\n'
            '  proof = ["sealed bag", "box label", "out of bag"]\n'
            "(the figures are an example: take yours from the agreement)"
        )
    option = {"landing": "landed", "delivery": "delivered", "opening": "opened"}[terms.since]
    return f"Note it: polypward claim {claim.batch} --{option} TIME"


def _as_json(ward: Ward, outcome: Outcome) -> dict[str, Any]:
    sheet, claim = outcome.sheet, outcome.claim
    return {
        "batch": sheet.batch,
        "supplier": sheet.supplier,
        "state": claim.state,
        "deadline": _iso(sheet.clock.deadline),
        "hours_left": None if claim.sent_at else sheet.clock.hours_left,
        "moments": {name: _iso(at) for name, at in claim.moments.items()},
        "pieces": [
            {
                "specimen": piece.specimen,
                "verdict": piece.verdict,
                "asked": piece.asked,
                "photos": len(piece.photos),
                "missing": list(piece.missing),
            }
            for piece in sheet.pieces
        ],
        "share": {
            "count": sheet.together.count,
            "of": sheet.together.of,
            "low": sheet.together.low,
            "high": sheet.together.high,
        },
        "asked": sheet.asked,
        "credited": claim.credited,
        "currency": sheet.currency,
        "sent_at": _iso(claim.sent_at),
        "sheet": None if outcome.written is None else str(outcome.written.folder),
        "sha256": sheet.sha256 if sheet.pieces else None,
    }


def _iso(at: datetime | None) -> str | None:
    return at.isoformat(timespec="minutes") if at else None


def _listed(ward: Ward, now: datetime | None) -> list[tuple[Claim, str, Clock]]:
    """Return every claim with its supplier and clock, those that can still be sent first."""
    now = now or datetime.now(ward.settings.zone)
    found = []
    for claim in claims(ward):
        _, specimens = batch_called(ward, claim.batch)
        supplier = supplier_of(claim.batch, specimens)
        clock = clock_of(terms_for(ward, supplier), claim.moments, now=now, supplier=supplier)
        found.append((claim, supplier, clock))
    return sorted(found, key=lambda item: (item[0].state != "open", item[2].hours_left or 1e9))


def claim_rows(ward: Ward, *, now: datetime | None = None) -> list[dict[str, Any]]:
    """Return every claim as values by the names of `ROWS`, for programs and tables."""
    return [
        {
            "batch": claim.batch,
            "supplier": supplier,
            "state": claim.state,
            "pieces": len(claim.pieces),
            "hours_left": clock.hours_left if claim.state == "open" else None,
            "claimed": claim.claimed,
            "credited": claim.credited,
        }
        for claim, supplier, clock in _listed(ward, now)
    ]


def list_claims(ward: Ward, *, now: datetime | None = None) -> list[str]:
    """Return every claim in a line, those that can still be sent first by the hours left."""
    currency = money_of(ward.settings.money, path=ward.settings.path).currency
    lines = []
    for claim, supplier, clock in _listed(ward, now):
        of = f" ({supplier})" if supplier else ""
        when = f", {clock.words()}" if claim.state == "open" else ""
        count = len(claim.pieces)
        lines.append(
            f"{claim.batch}{of}: {claim.state}{when}; {count} piece{'' if count == 1 else 's'}, "
            f"{amount_words(claim.claimed or 0.0, currency)} claimed, "
            f"{amount_words(claim.credited, currency)} credited"
        )
    if not lines:
        return ["No claim was begun. polypward claim BATCH --dead SPECIMEN begins one."]
    return [*lines, money_claimed(ward).words(currency)]
