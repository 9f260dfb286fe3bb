"""A claim written out: sheet as PDF and HTML, message, contents, copies of the originals."""

import re
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from typing import Final

from polypward.errors import BadInputError
from polypward.records import Reading
from polypward_cli.claim.gather import claim_sheet
from polypward_cli.claim.ledger import claim_of
from polypward_cli.claim.noting import next_sheet, write_claim
from polypward_cli.claim.sheet import WHAT_THE_HASH_SHOWS, Sheet
from polypward_cli.files import write_bytes, write_text
from polypward_cli.phone.inbox import PHOTOS
from polypward_cli.ward import Ward

__all__ = ["MOST_BYTES", "Written", "message_text", "write_claim_sheet"]

# What common mail services take with room to spare: common practice, no source.
MOST_BYTES: Final = 5_000_000
CLAIMS: Final = "claims"
_SINCE_SENT: Final = "what is known has changed since the sheet was sent"


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What was written where, and remarks for the person at the desk."""

    folder: Path
    sheet: Sheet
    remarks: tuple[str, ...]


def write_claim_sheet(
    ward: Ward, batch: str, *, photos: Sequence[Path], now: datetime, again: bool = True
) -> Written:
    """Write a batch's claim into the ward, and keep its hash and what it asks.

    The folder of a sheet that was sent is never changed: another sheet gets the next number.

    Parameters
    ----------
    ward : Ward
        The ward, held for writing.
    batch : str
        The batch, in any case.
    photos : sequence of Path
        Folders with the original photos; the one given last time, and the one that phones fill,
        are looked in as well.
    now : datetime
        Aware.
    again : bool
        Whether a sheet that was sent is followed by another if the facts have changed since.

    Raises
    ------
    BadInputError
        If there is no such batch or nothing is claimed, or the sheet would be over 5 MB.
    """
    from polypward_cli.claim.page import sheet_html
    from polypward_cli.claim.pdf import sheet_pdf
    from polypward_cli.claim.pictures import find_originals, small_pictures

    sheet, told = claim_sheet(ward, batch, now=now)
    if not sheet.pieces:
        raise BadInputError(
            f'nothing is claimed of batch "{sheet.batch}" yet; say what a person found: '
            f"polypward claim {sheet.batch} --dead SPECIMEN --poor SPECIMEN"
        )
    claim = claim_of(ward, sheet.batch)
    folder, done = _folder(ward, sheet, sent=claim.sent_at is not None, before=claim.sheet)
    if done:
        return Written(folder=folder, sheet=sheet, remarks=told)
    if claim.sent_at is not None:
        if not again:
            gone = ward.path / claim.sheet
            return Written(folder=gone, sheet=sheet, remarks=(*told, _SINCE_SENT))
        told = (*told, f"{_SINCE_SENT}: send this one too, then note it with --sent")
    kept = [ward.path / PHOTOS, *([Path(claim.photos)] if claim.photos else [])]
    readings = _readings(ward, sheet)
    originals = find_originals(
        ward, readings, [folder for folder in (*photos, *kept) if folder.is_dir()]
    )
    pictures = small_pictures(ward, readings, originals)
    files = {
        "sheet.pdf": sheet_pdf(sheet, pictures),
        "sheet.html": sheet_html(sheet, pictures).encode(),
        "contents.txt": sheet.contents().encode(),
    }
    for name, data in files.items():
        if len(data) > MOST_BYTES:
            raise BadInputError(
                f"{name} would be {len(data) / 1e6:.1f} MB, over {MOST_BYTES / 1e6:.0f}; claim "
                "fewer pieces at a time"
            )
    files["message.txt"] = message_text(sheet, sha256(files["sheet.pdf"]).hexdigest()).encode()
    for name, data in files.items():
        write_bytes(folder / name, data)
    _copy_originals(folder / "originals", sheet, originals)
    values: dict[str, object] = {
        "sheet": folder.relative_to(ward.path).as_posix(),
        "sheet_sha256": sheet.sha256,
    }
    if photos:
        values["photos"] = str(photos[0].resolve())
    write_claim(ward, sheet.batch, **values, claimed=sheet.asked, unpriced=sheet.unpriced)
    lost = len(readings) - len(originals)
    remarks = list(told)
    if lost:
        remarks.append(
            f"{lost} of {len(readings)} originals were not found; give their folder: "
            f"polypward claim {sheet.batch} --photos FOLDER"
        )
    return Written(folder=folder, sheet=sheet, remarks=tuple(remarks))


def _readings(ward: Ward, sheet: Sheet) -> list[Reading]:
    """Return a reading for each photo of the sheet, in its order."""
    by_sha256 = {r.sha256: r for r in ward.readings_by_key({p.sha256 for p in sheet.photos})}
    return [by_sha256[photo.sha256] for photo in sheet.photos]


def _folder(ward: Ward, sheet: Sheet, *, sent: bool, before: str) -> tuple[Path, bool]:
    """Return where a sheet goes, and whether it stands there already, sent as it is.

    It goes over the last one, or beside it if that was sent.
    """
    last = ward.path / (before or f"{CLAIMS}/{_plain(sheet.batch)}/sheet-1")
    if not sent or not (last / "contents.txt").is_file():
        return last, False
    if (last / "contents.txt").read_bytes() == sheet.contents().encode():
        return last, True
    return ward.path / next_sheet(before), False


def _plain(batch: str) -> str:
    """Return a batch's name as a folder's; one that had to change gets a digest."""
    plain = re.sub(r"[^A-Za-z0-9]+", "-", batch).strip("-")[:40]
    if plain == batch:
        return plain
    return f"{plain or 'batch'}-{sha256(batch.encode()).hexdigest()[:6]}"


def _copy_originals(folder: Path, sheet: Sheet, originals: Mapping[str, Path]) -> None:
    wanted = {}
    for photo in sheet.photos:
        if photo.sha256 in originals:
            path = originals[photo.sha256]
            name = f"photo-{photo.number:03d}-{photo.sha256[:8]}{path.suffix.lower()}"
            wanted[name] = path
    folder.mkdir(parents=True, exist_ok=True)
    for there in folder.glob("photo-*"):
        if there.name not in wanted:
            there.unlink()
    for name, path in wanted.items():
        if not (folder / name).exists():
            shutil.copyfile(path, folder / name)
    if wanted:
        write_text(
            folder / "READ-ME.txt",
            "Copies of the photos that the sheet cites, byte for byte as the cameras wrote them.\n"
            "They may hold the place where they were taken and the owner of the phone. Keep them\n"
            "with you; hand one over only if the supplier asks for it.\n",
        )


def message_text(sheet: Sheet, pdf_sha256: str) -> str:
    """Return the message to the supplier, ready to be sent with the sheet attached."""
    lines = [
        f"Subject: Claim for batch {sheet.batch}: {_counts(sheet)}",
        "",
        f"To {sheet.supplier or 'the supplier'},",
        "",
        f"of batch {sheet.batch} we claim {sheet.together.words('pieces')}: {_counts(sheet)}.",
    ]
    lines += [f"{what.capitalize()}: {at}." for what, at in sheet.moments]
    if sheet.clock.deadline:
        until = sheet.clock.deadline.isoformat(timespec="minutes")
        lines.append(f"Your claim window of {sheet.window} ends {until}.")
    lines += ["", *(_piece_line(sheet, index) for index in range(len(sheet.pieces))), ""]
    lines.append(f"We ask for {sheet.asked_words}.")
    if sheet.note:
        lines.append(sheet.note)
    lines += [
        "",
        "Attached: sheet.pdf, with every photo, its time and its SHA-256. The original photos are "
        "kept; ask for any by its number.",
        f"SHA-256 of the contents: {sheet.sha256}",
        f"SHA-256 of sheet.pdf: {pdf_sha256}",
        WHAT_THE_HASH_SHOWS.split(" Send ")[0],
    ]
    if sheet.owner:
        lines += ["", sheet.owner]
    return "\n".join(lines) + "\n"


def _counts(sheet: Sheet) -> str:
    return f"{sheet.dead.count} dead, {sheet.poor.count} poor of {sheet.together.of}"


def _piece_line(sheet: Sheet, index: int) -> str:
    from polypward_cli.claim.sheet import amount_words

    piece = sheet.pieces[index]
    kind = f", {piece.kind}" if piece.kind else ""
    asked = "" if piece.asked is None else f", {amount_words(piece.asked, sheet.currency)}"
    photos = ", ".join(map(str, piece.photos)) or "none"
    note = f" ({piece.note})" if piece.note else ""
    return f"- {piece.specimen}{kind}: {piece.verdict}{note}{asked}; photos {photos}"
