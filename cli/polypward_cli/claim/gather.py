"""From the ward to a claim sheet: the pieces, their photos, the terms, the hours left."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

from polypward.batch.claims import (
    Piece,
    Terms,
    clock_of,
    missing_proof,
    piece_amount,
    short_of,
)
from polypward.batch.lives import families
from polypward.batch.shares import share
from polypward.batch.worth import carried
from polypward.errors import BadInputError
from polypward.reasons import REASONS
from polypward.records import Reading
from polypward_cli.claim.ledger import Claim, batch_called, claim_of, supplier_of, terms_for
from polypward_cli.claim.sheet import Sheet, SheetPhoto, SheetPiece
from polypward_cli.ward import Ward
from polypward_cli.ward.money_settings import money_of

__all__ = ["claim_sheet", "photo_keys"]

# Photos later than this after the arrival show the care, not the arrival; proposal, no source.
LATEST: Final = timedelta(days=7)
# Nor do much earlier ones; a day for clocks and zones that are off.
EARLIEST: Final = timedelta(days=1)
# A photo that was measured shows its specimen on the table beside a card.
OUT_OF_BAG: Final = "out of bag"
_MOMENTS: Final = {"landing": "landed", "delivery": "delivered", "opening": "opened"}


def claim_sheet(ward: Ward, batch: str, *, now: datetime) -> tuple[Sheet, tuple[str, ...]]:
    """Return the claim of a batch as a sheet, and remarks for the person at the desk.

    Parameters
    ----------
    ward : Ward
        The ward.
    batch : str
        The batch, in any case.
    now : datetime
        Aware; the hours left are counted from it.

    Raises
    ------
    BadInputError
        If there is no such batch, or the terms in ward.toml cannot be used.
    """
    name, specimens = batch_called(ward, batch)
    supplier = supplier_of(name, specimens)
    terms = terms_for(ward, supplier)
    claim = claim_of(ward, name)
    remarks: list[str] = []
    proofs = _proofs(ward, name)
    by_piece = {
        found.specimen: _photos_of(ward, found.specimen, claim, proofs, remarks)
        for found in claim.pieces
    }
    shared = _by_key(ward, [key for key, specimen in proofs if not specimen])
    every = {r.sha256: r for readings in (shared, *by_piece.values()) for r in readings}
    ordered = sorted(every.values(), key=_order)
    numbers = {reading.sha256: number for number, reading in enumerate(ordered, start=1)}
    by_name = {one.specimen: one for one in specimens}
    came = families(specimens)
    pieces, drafts = [], []
    for found in claim.pieces:
        one = by_name[found.specimen]
        photos = by_piece[found.specimen]
        shown = {kind for key, s in proofs if s in ("", one.specimen) for kind in proofs[key, s]}
        if any(reading.status == "accepted" for reading in photos):
            shown.add(OUT_OF_BAG)
        price = carried(piece.cost for piece in came.get(one.specimen, [one]))
        draft = Piece(
            specimen=one.specimen, verdict=found.verdict, price=price, proof=frozenset(shown)
        )
        drafts.append(draft)
        pieces.append(
            SheetPiece(
                specimen=one.specimen,
                kind=one.kind,
                verdict=found.verdict,
                note=found.note,
                price=price,
                asked=piece_amount(draft, terms),
                missing=missing_proof(draft, terms),
                photos=tuple(numbers[reading.sha256] for reading in sorted(photos, key=_order)),
            )
        )
    money = money_of(ward.settings.money, path=ward.settings.path)
    dead = sum(piece.verdict == "dead" for piece in pieces)
    sheet = Sheet(
        batch=name,
        supplier=supplier,
        owner=ward.settings.owner,
        currency=money.currency,
        made_at=now.astimezone(ward.settings.zone).replace(microsecond=0),
        moments=tuple(
            (word, claim.moments[moment].isoformat(timespec="minutes"))
            for moment, word in _MOMENTS.items()
            if moment in claim.moments
        ),
        clock=clock_of(terms, claim.moments, now=now, supplier=supplier),
        window=_window(terms),
        dead=share(dead, len(came)),
        poor=share(len(pieces) - dead, len(came)),
        together=share(len(pieces), len(came)),
        pieces=tuple(pieces),
        photos=tuple(_cited(r, numbers[r.sha256], proofs) for r in ordered),
        shared_photos=tuple(sorted({numbers[reading.sha256] for reading in shared})),
        short_of=short_of(drafts, terms, of=len(came)),
        note=claim.note,
    )
    return sheet, tuple(remarks)


def _window(terms: Terms | None) -> str:
    if terms is None or terms.window_hours is None:
        return "not known"
    return f"{terms.window_hours:g} h from {terms.since}"


def _order(reading: Reading) -> tuple[bool, float, str]:
    at = reading.taken_at
    return at is None, at.timestamp() if at else 0.0, reading.sha256


def _proofs(ward: Ward, batch: str) -> dict[tuple[str, str], tuple[str, ...]]:
    """Return the kinds of proof that photos show, by key of the photo and specimen ("" = all)."""
    found: dict[tuple[str, str], list[str]] = defaultdict(list)
    for row in ward.db.query(
        "select key, specimen, kind from claim_proofs where batch = ? order by kind", [batch]
    ):
        found[row["key"], row["specimen"]].append(row["kind"])
    return {pair: tuple(kinds) for pair, kinds in found.items()}


def _photos_of(
    ward: Ward,
    specimen: str,
    claim: Claim,
    proofs: Mapping[tuple[str, str], tuple[str, ...]],
    remarks: list[str],
) -> list[Reading]:
    """Return the photos of a piece's arrival: those of its first days, and those named as proof."""
    own = [r for r in ward.readings(specimen) if r.sha256 and "dropped" not in r.reasons]
    times = list(claim.moments.values())
    taken = [r.taken_at for r in own if r.taken_at is not None]
    start = min(times or taken, default=None)
    first = own
    if start is not None:
        span = (start - EARLIEST, start + LATEST)
        first = [r for r in own if r.taken_at is None or span[0] <= r.taken_at <= span[1]]
    named = _by_key(ward, [key for key, one in proofs if one == specimen])
    shown = {r.sha256: r for r in (*first, *named)}
    if others := sum(r.sha256 not in shown for r in own):
        remarks.append(
            f"{specimen}: {others} {'photo is' if others == 1 else 'photos are'} not in the sheet, "
            f"which shows the {LATEST.days} days from the arrival; --proof puts any other in"
        )
    return list(shown.values())


def _by_key(ward: Ward, keys: Sequence[str]) -> list[Reading]:
    found = ward.readings_by_key(set(keys)) if keys else []
    return list({reading.sha256: reading for reading in found if reading.sha256}.values())


def _cited(
    reading: Reading, number: int, proofs: Mapping[tuple[str, str], tuple[str, ...]]
) -> SheetPhoto:
    kinds = {kind for (key, _), shown in proofs.items() if key == reading.sha256 for kind in shown}
    if reading.status == "accepted":
        kinds.add(OUT_OF_BAG)
    at = reading.taken_at
    taken = at.isoformat(timespec="seconds") if at else "not known"
    if "zone-assumed" in reading.reasons:
        taken += " (time zone assumed)"
    return SheetPhoto(
        number=number,
        sha256=reading.sha256,
        taken=taken,
        shows=tuple(sorted(kinds)),
        reading=_reading(reading),
    )


def _reading(reading: Reading) -> str:
    """Return a photo reading in words: what was measured, or why nothing was."""
    if set(reading.reasons) == {"no-specimen"}:  # a box, a label: no fault of the photo
        return "no photo reading: it names no piece"
    if reading.status == "rejected":
        why = [REASONS[code].means if code in REASONS else code for code in reading.reasons]
        return f"not measured: {'; '.join(why)}".rstrip(".")
    parts = []
    for value, sd, name in (
        (reading.live_mm2, reading.live_mm2_sd, "live tissue"),
        (reading.bare_mm2, None, "bare skeleton"),
        (reading.overgrown_mm2, None, "overgrown skeleton"),
    ):
        if value is not None:
            spread = f" \N{PLUS-MINUS SIGN} {sd:.0f}" if sd is not None else ""
            parts.append(f"{name} {value:.0f}{spread} mm\N{SUPERSCRIPT TWO}")
    if reading.live_cover is not None:
        parts.append(f"live cover {100 * reading.live_cover:.0f} %")
    return f"photo reading: {', '.join(parts)}" if parts else "photo reading: no figures"


def photo_keys(ward: Ward, names: Sequence[str]) -> list[str]:
    """Return the photos that a person names by path, file name or the start of a SHA-256.

    Raises
    ------
    BadInputError
        If a name fits no photo of the ward, or several.
    """
    rows = list(ward.db.query("select key, path, sha256 from photos where sha256 != ''"))
    keys: list[str] = []
    for name in names:
        plain = name.replace("\\", "/").strip()
        found = {row["key"] for row in rows if row["path"] == plain}
        found = found or {row["key"] for row in rows if row["path"].endswith(f"/{plain}")}
        if not found and len(plain) >= 6:
            found = {row["key"] for row in rows if row["sha256"].startswith(plain.lower())}
        if not found:
            raise BadInputError(
                f'"{name}" is no photo of this ward; take it in first: polypward score FOLDER'
            )
        if len(found) > 1:
            raise BadInputError(f'"{name}" fits {len(found)} photos; give the path or its sha256')
        keys += found
    return keys
