"""Doses in the history of those who stood in the water when it was given."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime

from polypward.records import CareEvent
from polypward_cli.caring.stays import stays_of_ward
from polypward_cli.ward import Ward
from polypward_cli.water.dosing import doses_of

__all__ = ["doses_by_specimen", "with_doses"]


def doses_by_specimen(ward: Ward, specimen: str | None = None) -> dict[str, list[CareEvent]]:
    """Return the doses that each specimen's water was given while it stood in it, by time.

    With `specimen`, only of that one.

    They follow from the doses and from where the specimen stood, so a corrected dose or move
    corrects the history. A piece has those of the specimen it was cut from. Who has no day of
    arrival counts from the first photo or entry.
    """
    given = defaultdict(list)
    for dose in doses_of(ward):
        detail = {
            "name": dose.what,
            "amount": f"{dose.amount:g} {dose.unit}",
            "raises": dose.raises,
            "system": dose.system,
            "dose": str(dose.id),
        }
        kept = {name: value for name, value in detail.items() if value}
        given[dose.system.casefold()].append((dose, kept))
    if not given:
        return {}
    zone, first = ward.settings.zone, _first_seen(ward)
    found: dict[str, dict[str, CareEvent]] = defaultdict(dict)
    for stay in stays_of_ward(ward):
        if specimen not in (None, stay.specimen):
            continue
        for dose, detail in given.get(stay.water.casefold(), ()):
            here = stay.holds(dose.at, zone)
            known = first.get(stay.specimen)
            if here and (stay.since is not None or (known is not None and dose.at >= known)):
                found[stay.specimen][detail["dose"]] = CareEvent(
                    specimen=stay.specimen, at=dose.at, what="dose", detail=detail, by=dose.by
                )
    return {
        name: sorted(events.values(), key=lambda event: event.at) for name, events in found.items()
    }


def _first_seen(ward: Ward) -> dict[str, datetime]:
    """Return the time of each specimen's first photo or entry."""
    rows = ward.db.query(
        "select specimen, min(at) as at from (select specimen, taken_at as at from readings "
        "where taken_at is not null union all select specimen, at from care) group by 1"
    )
    return {row["specimen"]: datetime.fromisoformat(row["at"]) for row in rows}


def with_doses(ward: Ward, events: Iterable[CareEvent], *, specimen: str) -> list[CareEvent]:
    """Return the care of one specimen together with the doses of its water, by time."""
    doses = doses_by_specimen(ward, specimen).get(specimen, [])
    return sorted([*events, *doses], key=lambda event: event.at)
