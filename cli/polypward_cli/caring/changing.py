"""Water changes: noted of a water system, kept in the history of everyone who stands in it."""

import difflib
from datetime import datetime

from polypward.errors import BadInputError
from polypward_cli.caring.entries import Row, add_entry
from polypward_cli.caring.limits import check
from polypward_cli.ward import Ward

__all__ = ["change_water"]


def change_water(
    ward: Ward,
    system: str,
    *,
    at: datetime,
    litres: float | None = None,
    percent: float | None = None,
    by: str = "",
    cost: float | None = None,
    work_minutes: float | None = None,
    note: str = "",
) -> Row:
    """Keep a water change of a system; returns the entry.

    Parameters
    ----------
    ward : Ward
    system : str
        A water system that any held specimen stands in.
    litres, percent : float, optional
        How much new water; one of them at least. 100 % is all of it.
    at, by, cost, work_minutes, note
        When, by whom, cost and minutes of the whole, any remark.

    Raises
    ------
    BadInputError
        If nobody stands in such a system, or a number is missing or impossible.
    """
    if litres is None and percent is None:
        raise BadInputError("say how much new water: --litres or --percent")
    check(litres=litres, percent=percent, cost=cost, work_minutes=work_minutes)
    held = [one for one in ward.specimens() if one.state == "held" and one.water_system]
    systems = {one.water_system.casefold(): one.water_system for one in held}
    key = " ".join(system.split()).casefold()
    if key not in systems:
        near = difflib.get_close_matches(key, systems, n=1)
        hint = f' Is it "{systems[near[0]]}"?' if near else ""
        raise BadInputError(f'no specimen here stands in a water system "{system}".{hint}')
    day = at.astimezone(ward.settings.zone).date()
    members = [
        one
        for one in held
        if one.water_system == systems[key] and (one.arrived_on is None or one.arrived_on <= day)
    ]
    if not members:
        raise BadInputError(f"nobody stood in {systems[key]} on {day}")
    with ward.db.atomic():
        return add_entry(
            ward,
            "change",
            {
                "at": at,
                "by": by,
                "water_system": systems[key],
                "places": sorted({one.place for one in members if one.place}),
                "specimens": [one.specimen for one in members],
                "litres": litres,
                "share": None if percent is None else percent / 100,
                "cost": cost,
                "work_minutes": work_minutes,
                "note": note,
            },
        )
