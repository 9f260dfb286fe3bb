"""Which specimen wore which reusable tag, from when to when."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from polypward.errors import BadInputError
from polypward.life import standing
from polypward.tags import number_of_tag
from polypward_cli.ward.ledger import audit, dumps

if TYPE_CHECKING:
    from polypward_cli.ward.ward import Ward

__all__ = [
    "Worn",
    "marks_in_use",
    "put_tag",
    "tags_worn",
    "take_tag",
    "undo_tag",
    "wearers",
]


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
        If a specimen has the tag's name (photos could mean either), or the one that is to wear it
        had not arrived or was gone.
    """
    _check_here(ward, specimen, at)
    for one in ward.specimens():
        if one.specimen.upper() == tag:
            raise BadInputError(
                f'a specimen is called "{one.specimen}", as this tag is to photos; take another tag'
            )
    lines = [f"{specimen} wears tag {tag[1:]} since {at:%Y-%m-%d %H:%M}."]
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
            _end(ward, row, at, by=by)
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


def take_tag(ward: "Ward", tag: str, *, at: datetime, by: str = "") -> list[str]:
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
        raise BadInputError(f"nobody wears tag {tag[1:]} at {at:%Y-%m-%d %H:%M}")
    with ward.db.atomic():
        _end(ward, rows[0], at, by=by)
        lines = [f"Tag {tag[1:]} was taken off {rows[0]['specimen']}."]
        return lines + _place_anew(ward, [tag])


def undo_tag(ward: "Ward", tag: str, *, by: str) -> list[str]:
    """Take back the last word on a tag: that it was taken off, or put on; return a line each.

    What putting it on ended (who wore it before, which tag that specimen wore) goes on, and photos
    that only this tag named follow.

    Raises
    ------
    BadInputError
        If nothing is noted of the tag, or it cannot go on: its wearer has another tag by now.
    """
    rows = _rows(ward, "tag = ? order by since, id", [tag])
    if not rows:
        raise BadInputError(f"nothing is noted of tag {tag[1:]}")
    last = rows[-1]
    said = f"{last['specimen']} and tag {tag[1:]}"
    with ward.db.atomic():
        touched = {tag}
        if last["until"] is not None:
            _go_on(ward, last, by=by)
            lines = [f"{said}: that it was taken off is taken back; it wears it still."]
        else:
            audit(ward.db, "tag taken back", tag, old=last, new={"by": by})
            ward.db.execute("delete from tags_worn where id = ?", [last["id"]])
            _forget_names(ward, last)
            lines = [f"{said}: that it was put on is taken back."]
            where = "until = ? and (tag = ? or specimen = ?)"
            for row in _rows(ward, where, [last["since"], tag, last["specimen"]]):
                _go_on(ward, row, by=by)
                touched.add(row["tag"])
                lines.append(f"{row['specimen']} wears tag {row['tag'][1:]} again.")
        return lines + _place_anew(ward, sorted(touched))


def _forget_names(ward: "Ward", row: dict[str, Any]) -> None:
    """Take the name of its wearer off the photos that only the tag named in a stretch.

    A tag that nobody ever wore is not looked for in photos: then it is taken off them as well.
    """
    worn = bool(_rows(ward, "tag = ?", [row["tag"]]))
    sql = (
        "select id, key, specimen, tags from readings join photos using (key) "
        "where specimen = ? and specimen_from = 'tag' and taken_at >= ?"
    )
    for photo in list(ward.db.query(sql, [row["specimen"], row["since"]])):
        tags = json.loads(photo["tags"])
        if row["tag"] in tags:
            if not worn:
                rest = dumps([tag for tag in tags if tag != row["tag"]])
                ward.db.table("photos").update(photo["key"], {"tags": rest})
            bare = {"specimen": "", "specimen_from": ""}
            old = {"specimen": photo["specimen"], "specimen_from": "tag"}
            audit(ward.db, "tag taken back", photo["key"], old=old, new=bare)
            ward.db.table("readings").update(photo["id"], bare)


def _go_on(ward: "Ward", row: dict[str, Any], *, by: str) -> None:
    """Let a stretch that was ended go on, if nothing came after it."""
    where = "(tag = ? or specimen = ?) and since >= ?"
    for later in _rows(ward, where, [row["tag"], row["specimen"], row["until"]]):
        raise BadInputError(
            f"tag {later['tag'][1:]} was put on {later['specimen']} since; take that back first: "
            f"polypward labels undo {later['tag'][1:]}"
        )
    audit(ward.db, "tag goes on", row["tag"], old=row, new={"until": None, "by": by})
    ward.db.table("tags_worn").update(row["id"], {"until": None})


def _check_here(ward: "Ward", specimen: str, at: datetime) -> None:
    """Check that a specimen had arrived and was still here at a time."""
    from polypward_cli.life.follow import check_arrived

    one = ward.specimen(specimen)
    assert one is not None
    check_arrived(ward, one, at)
    events = [event for event in ward.care(specimen) if event.at <= at]
    stands = standing(events, zone=ward.settings.zone)
    if stands.state != "held":
        raise BadInputError(
            f'"{specimen}" is {stands.state} since {stands.left_on}: a tag goes on one that is '
            f"here. If it came back: polypward specimen back {specimen}"
        )


def _end(ward: "Ward", row: dict[str, Any], at: datetime, *, by: str) -> None:
    new = {"until": _text(at)} | ({"by": by} if by else {})
    audit(ward.db, "tag taken off", row["tag"], old=row, new=new)
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
