"""Whose photo and from when: worked out anew for each photo, kept with the old value in the audit.

Measures do not depend on it, so a photo whose specimen or time changes keeps its measures.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from polypward.records import Specimen
from polypward_cli.labels.worn import wearers
from polypward_cli.naming import Names
from polypward_cli.scan import Whose, time_of_photo, whose_photo
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, dumps, now_text

__all__ = [
    "Place",
    "clear_copies",
    "follow",
    "know_specimen",
    "names_of",
    "note_copy",
    "place_of",
    "primary_row",
    "save_place",
    "without_blobs",
]

_BLOBS: Final = frozenset({"palette", "patch_residuals", "correction"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a photo belongs: columns of `readings`, and whose it says it is.

    `contradicts` is a second specimen that its folder, name or tag says, "" if there is none.
    """

    whose: Whose
    columns: Mapping[str, Any]
    contradicts: str = ""

    @property
    def specimen(self) -> str:
        """The specimen's name, or ""."""
        return self.whose.specimen


def names_of(ward: Ward) -> Names:
    """Return the names that the ward knows, registered or seen, and its places."""
    specimens = ward.specimens()
    places = {name for one in specimens for name in (one.place, one.water_system, one.batch)}
    return Names(
        [one.specimen for one in specimens if one.registered],
        known=[one.specimen for one in specimens],
        places=places - {one.specimen for one in specimens},
        worn=wearers(ward),
    )


def place_of(ward: Ward, photo: Mapping[str, Any], *, path: str, names: Names) -> Place:
    """Work out where a photo (a row of `photos`), found at `path`, belongs.

    A photo that a ward holds under one specimen is not moved by a folder's or a file's name:
    then the stored specimen stays, and `contradicts` says what they name. One that its tag named
    follows the tag: only a person's word on who wore it can change what it means.
    """
    manifest: dict[str, Any] = json.loads(photo["manifest"])
    assigned = _assignment(ward, photo["key"])
    stored = primary_row(ward, photo["key"])
    taken = time_of_photo(
        path,
        zone=ward.settings.zone,
        manifest=manifest.get("taken_at", ""),
        exif=photo["exif_taken_at"] or "",
        shift=timedelta(minutes=assigned["shift_minutes"]),
        first_seen=datetime.fromisoformat(photo["first_seen"]),
    )
    tags = (names.of_tag(tag, taken.at) for tag in json.loads(photo["tags"]))
    whose = whose_photo(
        path,
        names=names,
        manifest=manifest.get("specimen", ""),
        tags=tuple(tag for tag in tags if tag),
        assigned=assigned["specimen"] or "",
        stored=stored["specimen"] if stored else "",
    )
    contradicts = ""
    tray: list[str] = json.loads(photo["tray"])
    if tray:  # its first tag names it; folder and file name say nothing of a tray
        whose = Whose(names.canonical(names.of_tag(tray[0], taken.at) or tray[0]), "tag")
    elif stored and whose.source == stored["specimen_from"] == "tag":
        pass
    elif stored and stored["specimen"] and whose.source in ("tag", "folder", "file name", "stored"):
        contradicts = whose.specimen if whose.specimen != stored["specimen"] else ""
        if contradicts or whose.source == "stored":
            whose = Whose(stored["specimen"], stored["specimen_from"])
    codes = [whose.code] if whose.code else []
    codes += taken.codes
    if not photo["decoded"]:  # its own code says it all
        codes = [code for code in codes if code not in ("no-specimen", "no-date", "zone-assumed")]
    if assigned["dropped"]:
        codes = ["dropped"]
    return Place(
        whose=whose,
        contradicts=contradicts,
        columns={
            "specimen": whose.specimen,
            "specimen_from": whose.source,
            "taken_at": taken.at.isoformat(timespec="microseconds") if taken.at else None,
            "placing": dumps(codes),
            "placing_detail": whose.detail,
            "view": manifest.get("view", ""),
            "open": manifest.get("open", ""),
            "photographer": manifest.get("photographer", ""),
        },
    )


def save_place(ward: Ward, photo: Mapping[str, Any], place: Place, *, what: str) -> bool:
    """Write where a measured photo belongs; True if that changed. The old goes into the audit."""
    row = primary_row(ward, photo["key"])
    if row is None:
        return False
    old = {name: row[name] for name in place.columns}
    with ward.db.atomic():
        if photo["decoded"]:
            know_specimen(ward, place.specimen)
        if old == dict(place.columns):
            return False
        # A copy that stood under this specimen as a contradiction is one no longer.
        ward.db.execute(
            "delete from readings where key = ? and specimen = ? and id != ?",
            [photo["key"], place.specimen, row["id"]],
        )
        ward.db.table("readings").update(row["id"], dict(place.columns))
        follow(ward, photo["key"], names_of(ward))
        audit(ward.db, what, photo["key"], old=old, new=dict(place.columns))
    return True


def follow(ward: Ward, key: str, names: Names) -> None:
    """Let the further specimens of a tray photo follow the first: its time, and if it counts."""
    first = primary_row(ward, key)
    if first is None or not first["part"]:
        return
    shared = ("taken_at", "placing", "placing_detail", "view", "open", "photographer", "lamp")
    rows = ward.db.query(
        "select id, part from readings where key = ? and part != '' and id != ?", [key, first["id"]]
    )
    for row in list(rows):
        at = datetime.fromisoformat(first["taken_at"]) if first["taken_at"] else None
        specimen = names.canonical(names.of_tag(row["part"], at) or row["part"])
        know_specimen(ward, specimen)
        columns = {name: first[name] for name in shared}
        ward.db.table("readings").update(row["id"], columns | {"specimen": specimen})


def know_specimen(ward: Ward, specimen: str) -> None:
    """Keep a specimen that only its photos name, unless it is known."""
    known = ward.db.execute("select 1 from specimens where specimen = ?", [specimen]).fetchone()
    if specimen and not known:
        ward.save_specimen(Specimen(specimen=specimen, registered=False))


def note_copy(ward: Ward, photo: Mapping[str, Any], *, path: str, specimen: str) -> None:
    """Keep that the same file was found under a second specimen: a row that is rejected."""
    row = primary_row(ward, photo["key"])
    assert row is not None
    where = f"the same file is kept as {photo['path']} of {row['specimen'] or 'no specimen'}"
    known = {"key": photo["key"], "specimen": specimen}
    values = {
        "copy_path": path,
        "taken_at": row["taken_at"],
        "placing": dumps(["specimen-conflict"]),
        "placing_detail": where,
        "lamp": row["lamp"],
    }
    with ward.db.atomic():
        for old in ward.db.query(
            "select id from readings where key = :key and specimen = :specimen", known
        ):
            ward.db.table("readings").update(old["id"], values)
            return
        ward.db.table("readings").insert(
            known | values | {"inputs": "{}", "measured_at": now_text()}
        )


def clear_copies(ward: Ward, key: str, *, but: Sequence[str]) -> None:
    """Forget contradictions of a photo whose second file is gone, except those named `but`."""
    for row in list(
        ward.db.query("select * from readings where key = ? and copy_path != ''", [key])
    ):
        if row["specimen"] not in but:
            with ward.db.atomic():
                ward.db.execute("delete from readings where id = ?", [row["id"]])
                audit(ward.db, "contradiction settled", key, old=without_blobs(row))


def primary_row(ward: Ward, key: str) -> dict[str, Any] | None:
    """Return the row of `readings` that holds a photo's measures, or None.

    Of a tray photo it is the row of its first tag; see `polypward_cli.tray` for the others.
    """
    rows = ward.db.query(
        "select * from readings where key = ? and copy_path = '' order by id limit 1", [key]
    )
    return next(iter(list(rows)), None)


def without_blobs(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a row as JSON values, without its palette, residuals and correction."""
    return {name: value for name, value in row.items() if name not in _BLOBS}


def _assignment(ward: Ward, key: str) -> dict[str, Any]:
    rows = list(ward.db.query("select * from assignments where key = ?", [key]))
    return rows[0] if rows else {"specimen": None, "dropped": 0, "shift_minutes": 0}
