"""A person's word on single photos of the ward: whose they are, or that they are to be left out."""

import difflib
import json
from collections.abc import Iterable, Sequence
from datetime import timedelta
from typing import Any

from polypward.errors import BadInputError
from polypward.reasons import REJECTIONS
from polypward_cli.life.common import named
from polypward_cli.manifest import photo_key
from polypward_cli.naming import Names, check_signs, clean_name
from polypward_cli.placing import clear_copies, names_of, place_of, primary_row, save_place
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, dumps, now_text

__all__ = ["assign_photos", "photos_of_camera", "undo_assignments"]

MIN_SHA256_SIGNS = 8


def assign_photos(
    ward: Ward,
    photos: Sequence[str],
    *,
    to: str | None = None,
    drop: bool = False,
    shift: timedelta | None = None,
    new: bool = False,
    by: str = "",
) -> list[str]:
    """Assign photos to a specimen, drop them, or shift their time; all of them or none.

    Returns a line about each. The measures stay: a photo is not opened. Where there is a register,
    a name that is not known is a slip unless `new` says that it is a new specimen.

    Raises
    ------
    BadInputError
        If a photo is not in the ward, or several are called so, the specimen is not known, or a
        photo would come to lie in the future.
    """
    found = _find_all(ward, photos)
    if to is not None and not clean_name(to):
        raise BadInputError("--to needs the name of a specimen")
    names = names_of(ward)
    if to:
        check_signs(clean_name(to))
    if to and not new:
        _check_known(ward, to)
    to = names.canonical(to) if to else None
    before = {one.specimen for one in ward.specimens()}
    for photo in found if to is not None else ():
        tray = json.loads(photo["tray"])
        if tray:
            raise BadInputError(
                f"{photo['path']}: it shows several specimens, each with its tag "
                f"({', '.join(tray)}), so it cannot be given to one. To take it out: --drop"
            )
    with ward.db.atomic():
        for photo in found:
            _say(ward, photo["key"], to=to, drop=drop, shift=shift, by=by)
            place = place_of(ward, photo, path=photo["path"], names=names)
            if shift is not None and "future-date" in json.loads(place.columns["placing"]):
                raise BadInputError(
                    f"{photo['path']}: its time would be {place.columns['taken_at'][:16]}, in the "
                    "future; is the span right? 01:00 is later, -01:00 earlier"
                )
            save_place(ward, photo, place, what="assigned")
            if to:
                clear_copies(ward, photo["key"], but=())
        _forget_empty(ward, before - {to})
        lines = [_line(ward, photo) for photo in found]
    for name in sorted({one.specimen for one in ward.specimens()} - before):
        lines.append(f"{name} is a new specimen, not in the register.")
    return lines


def _check_known(ward: Ward, name: str) -> None:
    """Check that a ward with a register knows a specimen.

    Raises
    ------
    BadInputError
        If it does not, with what is near.
    """
    if not ward.db.execute("select 1 from specimens where registered = 1").fetchone():
        return
    try:
        named(ward, name)
    except BadInputError as error:
        raise BadInputError(f"{error} If it is a new one: --new") from None


def undo_assignments(ward: Ward, photos: Sequence[str], *, by: str = "") -> list[str]:
    """Take back the last word on each photo, so that it is where it was; all of them or none.

    Taken back again, the word before that one goes, until nothing is left to take back.

    Raises
    ------
    BadInputError
        If a photo is not in the ward, or nobody has assigned, dropped or shifted it.
    """
    found = _find_all(ward, photos)
    names = names_of(ward)
    before = {one.specimen for one in ward.specimens()}
    with ward.db.atomic():
        for photo in found:
            _take_back(ward, photo, names, by=by)
        _forget_empty(ward, before)
        return [_line(ward, photo) for photo in found]


def photos_of_camera(ward: Ward, camera: str) -> list[str]:
    """Return the SHA-256 of every photo that names a camera, upper and lower case alike.

    Those whose time a manifest gives are left out: the camera's clock had no part in it.

    Raises
    ------
    BadInputError
        If there is none, with the cameras that there are.
    """
    rows = list(ward.db.query("select key, camera, manifest from photos order by path"))
    mine = [
        row["key"]
        for row in rows
        if row["camera"].casefold() == camera.strip().casefold()
        and "taken_at" not in json.loads(row["manifest"])
    ]
    if not mine:
        known = ", ".join(sorted({row["camera"] for row in rows} - {""})) or "none is named"
        raise BadInputError(f'"{camera}": no photo is from this camera; there are: {known}')
    return mine


def _find_all(ward: Ward, photos: Sequence[str]) -> list[dict[str, Any]]:
    rows = list(ward.db.query("select * from photos order by path"))
    copies = {
        photo_key(row["copy_path"]): row["key"]
        for row in ward.db.query("select key, copy_path from readings where copy_path != ''")
    }
    found = [_find(rows, copies, photo) for photo in photos]
    return list({row["key"]: row for row in found}.values())


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


def _say(
    ward: Ward, key: str, *, to: str | None, drop: bool, shift: timedelta | None, by: str
) -> None:
    """Keep a person's word, and what it takes to take it back; both go into the audit."""
    old = next(iter(list(ward.db.query("select * from assignments where key = ?", [key]))), None)
    row: dict[str, Any] = {"key": key, "specimen": None, "dropped": 0, "shift_minutes": 0}
    row |= old or {}
    if to is not None:
        row |= {"specimen": to, "dropped": 0}
    if drop:
        row["dropped"] = 1
    if shift is not None:
        row["shift_minutes"] += int(shift.total_seconds() // 60)
    row["at"] = now_text()
    there = primary_row(ward, key)
    ward.db.table("assignment_steps").insert(
        {
            "key": key,
            "at": row["at"],
            "by": by,
            "before": dumps(old) if old else None,
            "after": dumps(row),
            "specimen_before": there["specimen"] if there else "",
            "from_before": there["specimen_from"] if there else "",
        }
    )
    ward.db.table("assignments").insert(row, pk="key", replace=True)
    audit(ward.db, "person said", key, old=old, new=row | ({"by": by} if by else {}))


def _take_back(ward: Ward, photo: dict[str, Any], names: Names, *, by: str) -> None:
    key = photo["key"]
    sql = "select * from assignment_steps where key = ? order by id desc limit 1"
    step = next(iter(list(ward.db.query(sql, [key]))), None)
    if step is None:
        raise BadInputError(f"{photo['path']}: nobody has assigned it; nothing to take back")
    ward.db.execute("delete from assignment_steps where id = ?", [step["id"]])
    ward.db.execute("delete from assignments where key = ?", [key])
    if step["before"]:
        ward.db.table("assignments").insert(json.loads(step["before"]), pk="key")
    audit(ward.db, "person took back", key, old=step, new={"by": by} if by else None)
    row = primary_row(ward, key)
    if row is not None and json.loads(step["after"])["specimen"] == row["specimen"]:
        # Else the photo would stay where it was put: a folder's name never moves a known photo.
        sql = "delete from readings where key = ? and specimen = ? and id != ?"
        ward.db.execute(sql, [key, step["specimen_before"], row["id"]])
        back = {"specimen": step["specimen_before"], "specimen_from": step["from_before"]}
        ward.db.table("readings").update(row["id"], back)
    place = place_of(ward, photo, path=photo["path"], names=names)
    save_place(ward, photo, place, what="assignment taken back")


def _forget_empty(ward: Ward, names: Iterable[str]) -> None:
    """Forget specimens that only photos named, and that no photo and no entry names any more."""
    for name in sorted(names):
        one = ward.specimen(name)
        if one is None or one.registered or one.parent:
            continue
        used = (
            "select 1 from readings where specimen = :name union all "
            "select 1 from care where specimen = :name union all "
            "select 1 from specimens where parent = :name"
        )
        if ward.db.execute(used, {"name": name}).fetchone():
            continue
        for table in ("summaries", "specimens"):
            ward.db.execute(f"delete from {table} where specimen = ?", [name])
        audit(ward.db, "specimen without photos forgotten", name)


def _line(ward: Ward, photo: dict[str, Any]) -> str:
    reading = next(
        one for one in ward.readings_by_key({photo["key"]}) if one.photo == photo["path"]
    )
    whose = reading.specimen or "no specimen"
    when = reading.taken_at.isoformat(timespec="minutes") if reading.taken_at else "no date"
    bad = [code for code in reading.reasons if code in REJECTIONS]
    state = f"rejected: {';'.join(bad)}" if bad else "accepted"
    return f"{reading.photo}: {whose}, {when}, {state}"
