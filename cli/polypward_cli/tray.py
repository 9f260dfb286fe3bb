"""The further specimens of a photo that shows several, each beside its own tag."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from polypward_cli.kept import forget_files
from polypward_cli.measuring import Measured
from polypward_cli.naming import Names
from polypward_cli.placing import follow, primary_row, without_blobs
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, dumps, now_text

__all__ = ["keep_parts"]


def keep_parts(
    ward: Ward, photo: Mapping[str, Any], done: Measured, inputs: Mapping[str, Any], names: Names
) -> None:
    """Keep a row for every further specimen of a tray photo, and drop those no longer in it.

    Call it inside the transaction that keeps the photo's first row.
    """
    key = photo["key"]
    first = primary_row(ward, key)
    assert first is not None
    rows = list(
        ward.db.query(
            "select * from readings where key = ? and part != '' and id != ?", [key, first["id"]]
        )
    )
    if not done.parts and not rows:
        return
    at = datetime.fromisoformat(first["taken_at"]) if first["taken_at"] else None
    there = {row["part"]: row for row in rows}
    for tag, measures in done.parts:
        old = there.pop(tag, None)
        columns = dict(measures) | {
            "key": key,
            "part": tag,
            "specimen": names.canonical(names.of_tag(tag, at) or tag),
            "specimen_from": "tag",
            "inputs": dumps(dict(inputs)),
            "measured_at": now_text(),
        }
        if old is None:
            ward.db.execute(
                "delete from readings where key = ? and specimen = ? and copy_path != ''",
                [key, columns["specimen"]],
            )
            ward.db.table("readings").insert(columns)
            continue
        ward.db.table("readings").update(old["id"], columns)
        forget_files(ward.path, old, columns)
        audit(ward.db, "measured again", key, old=without_blobs(old), new=dict(inputs))
    for old in there.values():
        ward.db.execute("delete from readings where id = ?", [old["id"]])
        forget_files(ward.path, old, {})
        audit(ward.db, "no longer in the photo", key, old=without_blobs(old))
    follow(ward, key, names)
