"""Whether a photo's light is the ward's usual one, by what its colour correction had to do."""

import json
import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from statistics import median
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from polypward_cli.ward.ward import Ward

__all__ = ["balance", "changed_light", "mark_changed_light"]

# Photos of a lamp before there is a usual light to compare with.
MIN_USUAL: Final = 5
# Log ratio of the channels' gains (natural) from which on the light is another one: a camera's
# automatic white balance wanders by less under one lamp. No published figure; our own choice.
MAX_CHANGE: Final = 0.25

Balance = tuple[float, float]


def balance(correction: Mapping[str, Any]) -> Balance | None:
    """Return the balance of the light from a stored correction: log of R/G and of B/G of white.

    None where the correction holds no white of the photo.
    """
    white = correction.get("white")
    if not isinstance(white, list) or len(white) != 3:
        return None
    if not all(isinstance(value, int | float) and value > 0 for value in white):
        return None
    red, green, blue = (math.log(value) for value in white)
    return red - green, blue - green


def changed_light(balances: Sequence[Balance | None]) -> list[bool]:
    """Say of each photo of one lamp, in order of time, whether its light differs from the usual.

    Usual is the median of the earlier photos that were not different themselves, so a lasting
    change stays marked: it starts a new colour baseline and never moves the old one.
    """
    usual: list[Balance] = []
    marks = []
    for one in balances:
        changed = False
        if one is not None and len(usual) >= MIN_USUAL:
            middle = tuple(median(values) for values in zip(*usual, strict=True))
            changed = max(abs(one[0] - middle[0]), abs(one[1] - middle[1])) > MAX_CHANGE
        if one is not None and not changed:
            usual.append(one)
        marks.append(changed)
    return marks


def mark_changed_light(ward: "Ward") -> None:
    """Mark every measured reading whose light is not the usual one of its lamp."""
    lamps: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in ward.db.query(
        "select id, lamp, light_changed, correction from readings "
        "where measure_code = '' and colour_grade in ('measured', 'relative') and copy_path = '' "
        "order by taken_at, key"
    ):
        lamps[row["lamp"]].append(row)
    with ward.db.atomic():
        for rows in lamps.values():
            marks = changed_light([balance(json.loads(row["correction"])) for row in rows])
            for row, changed in zip(rows, marks, strict=True):
                if bool(row["light_changed"]) != changed:
                    ward.db.execute(
                        "update readings set light_changed = ? where id = ?",
                        [int(changed), row["id"]],
                    )
