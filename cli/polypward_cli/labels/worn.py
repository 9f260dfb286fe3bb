"""Which specimen wore which reusable tag, from when to when."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from polypward.errors import BadInputError
from polypward.tags import number_of_tag
from polypward_cli.ward.ledger import audit

if TYPE_CHECKING:
    from polypward_cli.ward.ward import Ward

__all__ = ["Worn", "marks_in_use", "put_tag", "tags_worn", "take_tag", "wearers"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Worn:
    """A tag on a specimen from `since` until `until` (None = still), aware times."""

    tag: str
    specimen: str
    since: datetime
    until: datetime | None = None
    by: str = ""

    def at(self, when: datetime | None) -> bool:
        """Say whether it was worn at a time; without one, whether it is worn now."""
        if when is None:
            return self.until is None
        return self.since <= when and (self.until is None or when < self.until)


def tags_worn(ward: "Ward", *, tag: str | None = None, specimen: str | None = None) -> list[Worn]:
    """Return who wore what (one tag, or on one specimen), by tag and time."""
    found = []
    for row in ward.db.query("select * from tags_worn order by since, id"):
        if tag in (None, row["tag"]) and specimen in (None, row["specimen"]):
            zone = ward.settings.zone
            until = datetime.fromisoformat(row["until"]).astimezone(zone) if row["until"] else None
            found.append(
                Worn(
                    tag=row["tag"],
                    specimen=row["specimen"],
                    since=datetime.fromisoformat(row["since"]).astimezone(zone),
                    until=until,
                    by=row["by"],
                )
            )
    return sorted(found, key=lambda one: (number_of_tag(one.tag) or 0, one.since))


def wearers(ward: "Ward") -> dict[str, list[Worn]]:
    """Return who wore each tag that was ever worn."""
    found: dict[str, list[Worn]] = {}
    for one in tags_worn(ward):
        found.setdefault(one.tag, []).append(one)
    return found


def marks_in_use(ward: "Ward") -> tuple[int, ...]:
    """Return the marks of all tags ever worn: those that photos may show."""
    rows = ward.db.execute("select distinct tag from tags_worn").fetchall()
    numbers = (number_of_tag(row[0]) for row in rows)
    return tuple(sorted(number for number in numbers if number is not None))


def put_tag(ward: "Ward", tag: str, specimen: str, *, at: datetime, by: str) -> list[str]:
    """Note that a specimen wears a tag from a time on; return what follows, a line each.

    The tag leaves the specimen that wore it, and the specimen the tag it wore. What was noted for
    later stays: then this stretch ends there.

    Raises
    ------
    BadInputError
        If a specimen has the tag's name: photos could mean either.
    """
    for one in ward.specimens():
        if one.specimen.upper() == tag:
            raise BadInputError(
                f'a specimen is called "{one.specimen}", as this tag is to photos; take another tag'
            )
    lines = [f"{specimen} wears tag {tag[1:]} since {at.isoformat(timespec='minutes')}."]
    with ward.db.atomic():
        for row in _rows(ward, "tag = ? and since = ?", [tag, _text(at)]):
            if row["specimen"] == specimen:
                return [f"{specimen} wears tag {tag[1:]} since then; that was known already."]
            lines.append(f"It was noted on {row['specimen']} from that moment: taken back.")
            audit(ward.db, "tag corrected", tag, old=row, new={"specimen": specimen})
            ward.db.execute("delete from tags_worn where id = ?", [row["id"]])
        touched = {tag}
        for row in _rows(
            ward, "(tag = ? or specimen = ?) and since <= ? and (until is null or until > ?)",
            [tag, specimen, _text(at), _text(at)],
        ):  # fmt: skip
            if row["tag"] == tag:
                lines.append(f"Before, tag {tag[1:]} was on {row['specimen']}.")
            else:
                lines.append(f"Before, {specimen} wore tag {row['tag'][1:]}, which is free now.")
                touched.add(row["tag"])
            _end(ward, row, at)
        later = [
            row["since"]
            for row in _rows(ward, "(tag = ? or specimen = ?) and since > ?",
                             [tag, specimen, _text(at)])
        ]  # fmt: skip
        ward.db.table("tags_worn").insert(
            {
                "tag": tag,
                "specimen": specimen,
                "since": _text(at),
                "until": min(later, default=None),
                "by": by,
            }
        )
        audit(ward.db, "tag put on", tag, new={"specimen": specimen, "since": _text(at), "by": by})
        lines += _place_anew(ward, sorted(touched))
    return lines


def take_tag(ward: "Ward", tag: str, *, at: datetime) -> list[str]:
    """Note that a tag was taken off; return what follows, a line each.

    Raises
    ------
    BadInputError
        If nobody wore it then.
    """
    rows = _rows(
        ward, "tag = ? and since <= ? and (until is null or until > ?)", [tag, _text(at), _text(at)]
    )
    if not rows:
        raise BadInputError(f"nobody wears tag {tag[1:]} at {at.isoformat(timespec='minutes')}")
    with ward.db.atomic():
        _end(ward, rows[0], at)
        lines = [f"Tag {tag[1:]} was taken off {rows[0]['specimen']}."]
        return lines + _place_anew(ward, [tag])


def _end(ward: "Ward", row: dict[str, Any], at: datetime) -> None:
    audit(ward.db, "tag taken off", row["tag"], old=row, new={"until": _text(at)})
    ward.db.table("tags_worn").update(row["id"], {"until": _text(at)})


def _rows(ward: "Ward", where: str, values: Sequence[Any]) -> list[dict[str, Any]]:
    return list(ward.db.query(f"select * from tags_worn where {where}", list(values)))


def _place_anew(ward: "Ward", tags: Sequence[str]) -> list[str]:
    """Work out again whose the photos are in which these tags were read; say which moved."""
    from polypward_cli.placing import names_of, place_of, save_place

    names = names_of(ward)
    moved = 0
    for photo in list(ward.db.query("select * from photos where tags != '[]'")):
        if set(json.loads(photo["tags"])) & set(tags):
            place = place_of(ward, photo, path=photo["path"], names=names)
            moved += save_place(ward, photo, place, what="tag moved")
    if not moved:
        return []
    return [f"{moved} photo{'' if moved == 1 else 's'} with it went to whom it was on then."]


def _text(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="seconds")
