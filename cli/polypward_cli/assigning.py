"""A person's word on single photos of the ward: whose they are, or that they are to be left out."""

import difflib
from collections.abc import Sequence
from datetime import timedelta
from typing import Any

from polypward.errors import BadInputError
from polypward.reasons import REJECTIONS
from polypward_cli.manifest import photo_key
from polypward_cli.naming import clean_name
from polypward_cli.placing import clear_copies, names_of, place_of, save_place
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, now_text

__all__ = ["assign_photos"]

MIN_SHA256_SIGNS = 8


def assign_photos(
    ward: Ward,
    photos: Sequence[str],
    *,
    to: str | None = None,
    drop: bool = False,
    shift: timedelta | None = None,
) -> list[str]:
    """Assign photos to a specimen, drop them, or shift their time; all of them or none.

    Returns a line about each. The measures stay: a photo is not opened.

    Raises
    ------
    BadInputError
        If a photo is not in the ward, or several are called so.
    """
    rows = list(ward.db.query("select * from photos order by path"))
    copies = {
        photo_key(row["copy_path"]): row["key"]
        for row in ward.db.query("select key, copy_path from readings where copy_path != ''")
    }
    found = [_find(rows, copies, photo) for photo in photos]
    if to is not None and not clean_name(to):
        raise BadInputError("--to needs the name of a specimen")
    lines = []
    names = names_of(ward)
    before = {one.specimen for one in ward.specimens()}
    with ward.db.atomic():
        for photo in {row["key"]: row for row in found}.values():
            _say(ward, photo["key"], to=names.canonical(to) if to else None, drop=drop, shift=shift)
            place = place_of(ward, photo, path=photo["path"], names=names)
            save_place(ward, photo, place, what="assigned")
            if to:
                clear_copies(ward, photo["key"], but=())
            lines.append(_line(ward, photo))
    for name in sorted({one.specimen for one in ward.specimens()} - before):
        lines.append(f"{name} is a new specimen, not in the register.")
    return lines


def _find(rows: Sequence[dict[str, Any]], copies: dict[str, str], photo: str) -> dict[str, Any]:
    wanted = photo_key(photo)
    same = [row for row in rows if photo_key(row["path"]) == wanted]
    same = same or [row for row in rows if copies.get(wanted) == row["key"]]
    same = same or [row for row in rows if wanted.endswith(f"/{photo_key(row['path'])}")]
    same = same or [row for row in rows if photo_key(row["path"]).endswith(f"/{wanted}")]
    if not same and len(wanted) >= MIN_SHA256_SIGNS:
        same = [row for row in rows if row["sha256"].startswith(wanted)]
    if len(same) == 1:
        return same[0]
    if same:
        several = ", ".join(row["path"] for row in same[:5])
        raise BadInputError(f'"{photo}": several photos are called so ({several}); give the path')
    near = difflib.get_close_matches(photo, [row["path"] for row in rows], n=1)
    hint = f" Is it {near[0]}?" if near else " The first column of readings.csv names them."
    raise BadInputError(f'"{photo}": no such photo in this ward.{hint}')


def _say(ward: Ward, key: str, *, to: str | None, drop: bool, shift: timedelta | None) -> None:
    """Keep a person's word; what was said before goes into the audit."""
    old = list(ward.db.query("select * from assignments where key = ?", [key]))
    row: dict[str, Any] = {"key": key, "specimen": None, "dropped": 0, "shift_minutes": 0}
    row |= old[0] if old else {}
    if to is not None:
        row |= {"specimen": to, "dropped": 0}
    if drop:
        row["dropped"] = 1
    if shift is not None:
        row["shift_minutes"] += int(shift.total_seconds() // 60)
    row["at"] = now_text()
    ward.db.table("assignments").insert(row, pk="key", replace=True)
    audit(ward.db, "person said", key, old=old[0] if old else None, new=row)


def _line(ward: Ward, photo: dict[str, Any]) -> str:
    reading = next(
        one for one in ward.readings_by_key({photo["key"]}) if one.photo == photo["path"]
    )
    whose = reading.specimen or "no specimen"
    when = reading.taken_at.isoformat(timespec="minutes") if reading.taken_at else "no date"
    bad = [code for code in reading.reasons if code in REJECTIONS]
    state = f"rejected: {';'.join(bad)}" if bad else "accepted"
    return f"{reading.photo}: {whose}, {when}, {state}"
