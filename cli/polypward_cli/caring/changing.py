"""Water changes: noted of a water system, kept in the history of everyone who stands in it."""

from datetime import datetime
from typing import Final

from polypward.errors import BadInputError
from polypward_cli.caring.entries import Row, add_entry
from polypward_cli.caring.limits import check
from polypward_cli.life.past import Past
from polypward_cli.ward import Ward
from polypward_cli.water.systems import system_named, volume_of_system

__all__ = ["change_water"]

# Litres and per cent given together may differ by so many points, for they are rounded. Own choice.
NEAR_PERCENT: Final = 3.0
# Water that runs through for a day is no more than this many volumes. Own choice.
MOST_VOLUMES: Final = 3.0


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
        A water system of the ward. Whoever stood in it at that time has it in its history.
    litres, percent : float, optional
        How much new water; one of them at least. 100 % is all of it.
    at, by, cost, work_minutes, note
        When, by whom, cost and minutes of the whole, any remark.

    Raises
    ------
    BadInputError
        If there is no such system, or a number is missing or impossible.
    """
    if litres is None and percent is None:
        raise BadInputError("say how much new water: --litres or --percent")
    check(litres=litres, percent=percent, cost=cost, work_minutes=work_minutes)
    name = system_named(ward, system)
    _check_volume(ward, name, litres, percent)
    members = [one for one in Past(ward).held(at) if one.water_system == name]
    kept = ward.db.execute("select 1 from water_systems where system = ?", [name]).fetchone()
    if not members and not kept:
        day = at.astimezone(ward.settings.zone).date()
        raise BadInputError(f"nobody stood in {name} on {day}")
    with ward.db.atomic():
        return add_entry(
            ward,
            "change",
            {
                "at": at,
                "by": by,
                "water_system": name,
                "places": sorted({one.place for one in members if one.place}),
                "specimens": [one.specimen for one in members],
                "litres": litres,
                "share": None if percent is None else percent / 100,
                "cost": cost,
                "work_minutes": work_minutes,
                "note": note,
            },
        )


def _check_volume(ward: Ward, system: str, litres: float | None, percent: float | None) -> None:
    """Hold an amount against the volume that is known: one of them is a slip of the pen."""
    volume = volume_of_system(ward, system)
    if volume is None or litres is None:
        return
    share = 100 * litres / volume.litres
    if percent is not None and abs(share - percent) > NEAR_PERCENT:
        raise BadInputError(
            f"{litres:g} L are {share:.3g} % of the {volume.litres:g} L of {system}, not "
            f"{percent:g} %: give one of them"
        )
    if litres > MOST_VOLUMES * volume.litres:
        raise BadInputError(
            f"{litres:g} L of new water: {system} holds {volume.litres:g} L, and a change is at "
            f"most {MOST_VOLUMES:g} times that; is the unit right?"
        )
