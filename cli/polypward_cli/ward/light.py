"""Whether a photo's light is the ward's usual one, by what its colour correction had to do."""

import json
import math
from bisect import insort
from collections.abc import Mapping, Sequence
from operator import itemgetter
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


def changed_light(
    balances: Sequence[Balance | None], *, before: Sequence[Balance] = ()
) -> list[bool]:
    """Say of each photo of one lamp, in order of time, whether its light differs from the usual.

    Usual is the median of the earlier photos that were not different themselves, so a lasting
    change stays marked: it starts a new colour baseline and never moves the old one. `before` are
    such photos from before the first of `balances`.
    """
    reds, blues = ([*map(itemgetter(i), before)] for i in (0, 1))
    reds.sort()
    blues.sort()
    marks = []
    for one in balances:
        changed = False
        if one is not None and len(reds) >= MIN_USUAL:
            off = abs(one[0] - _middle(reds)), abs(one[1] - _middle(blues))
            changed = max(off) > MAX_CHANGE
        if one is not None and not changed:
            insort(reds, one[0])
            insort(blues, one[1])
        marks.append(changed)
    return marks


def _middle(ordered: Sequence[float]) -> float:
    """Return the median of values in order; sorting them for every photo would take too long."""
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2


def mark_changed_light(ward: "Ward") -> None:
    """Mark every measured reading whose light is not the usual one of its lamp.

    A mark follows from earlier photos of the lamp only, so those before the first that was
    changed since the last time (`stale_lights`) stay as they are.
    """
    stale = list(ward.db.query("select lamp, since from stale_lights"))
    with ward.db.atomic():
        for row in stale:
            _mark_lamp(ward, row["lamp"], row["since"])
        ward.db.execute("delete from stale_lights")


def _mark_lamp(ward: "Ward", lamp: str, since: str) -> None:
    before: list[Balance] = []
    later: list[tuple[int, int, Balance | None]] = []
    for row in list(
        ward.db.query(
            "select readings.id, coalesce(taken_at, '') as at, light_changed, red, blue, "
            "balances.id as known from readings left join balances using (id) where lamp = ? "
            "and measure_code = '' and colour_grade in ('measured', 'relative') "
            "and copy_path = '' order by taken_at, key",
            [lamp],
        )
    ):
        one = (row["red"], row["blue"]) if row["red"] is not None else None
        if row["known"] is None:
            one = _keep_balance(ward, row["id"])
        if row["at"] >= since:
            later.append((row["id"], row["light_changed"], one))
        elif one is not None and not row["light_changed"]:
            before.append(one)
    marks = changed_light([one for _, _, one in later], before=before)
    for (number, was, _), changed in zip(later, marks, strict=True):
        if bool(was) != changed:
            ward.db.execute(
                "update readings set light_changed = ? where id = ?", [int(changed), number]
            )


def _keep_balance(ward: "Ward", number: int) -> Balance | None:
    """Work out the balance of a reading's light and keep it beside the reading."""
    sql = "select correction from readings where id = ?"
    one = balance(json.loads(ward.db.execute(sql, [number]).fetchone()[0]))
    ward.db.execute(
        "insert or replace into balances (id, red, blue) values (?, ?, ?)",
        [number, *(one or (None, None))],
    )
    return one
