"""A person's outline of one photo, for the later photos of the same specimen and view."""

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from polypward.errors import BadInputError
from polypward_cli.kept import labels_of, light_of
from polypward_cli.ward import Ward
from polypward_cli.ward.inputs import digest

if TYPE_CHECKING:
    from polypward_vision.registration import Outlined

__all__ = ["outline_before", "outline_mark", "outlined_of"]


def outline_before(ward: Ward, row: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """Return the row of the photo whose outline a reading takes over: the last outlined before it.

    None where no earlier photo of its specimen and view is outlined.
    """
    if row is None or not row["specimen"] or row["taken_at"] is None or row["part"]:
        return None
    found = list(
        ward.db.query(
            "select readings.*, photos.flags from readings join photos using (key) "
            "where specimen = ? and view = ? and taken_at < ? and measure_code = '' and part = '' "
            "and tile != '' and copy_path = '' and placing not like '%dropped%' "
            "and flags like '%\"outline\"%' and key != ? order by taken_at desc limit 1",
            [row["specimen"], row["view"], row["taken_at"], row["key"]],
        )
    )
    return found[0] if found else None


def outline_mark(source: Mapping[str, Any]) -> str:
    """Return a digest of an outline and of the cut-out that it was drawn on."""
    return digest([source["key"], json.loads(source["flags"])["outline"], source["tile"]])


def outlined_of(ward: Ward, source: Mapping[str, Any]) -> "Outlined | None":
    """Return the outlined cut-out as `measure_photo` takes it, None where its files are gone."""
    from polypward_vision.registration import Outlined

    try:
        light, frame = light_of(ward, source)
        labels = labels_of(ward, source)
    except BadInputError:  # files gone, or a ledger mended by hand
        return None
    return Outlined(
        light=light,
        labels=labels,
        frame=frame,
        outline_mm=tuple((float(x), float(y)) for x, y in json.loads(source["flags"])["outline"]),
    )
