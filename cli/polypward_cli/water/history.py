"""Doses in the history of those who stood in the water when it was given."""

from collections import defaultdict
from collections.abc import Iterable

from polypward.records import CareEvent
from polypward_cli.caring.stays import stays_of_ward
from polypward_cli.ward import Ward
from polypward_cli.water.dosing import doses_of

__all__ = ["doses_by_specimen", "with_doses"]


def doses_by_specimen(ward: Ward, specimen: str | None = None) -> dict[str, list[CareEvent]]:
    """Return the doses that each specimen's water was given while it stood in it, by time.

    With `specimen`, only of that one.

    They follow from the doses and from where the specimen stood, so a corrected dose or move
    corrects the history. A piece has those of the specimen it was cut from.
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
    zone = ward.settings.zone
    found: dict[str, dict[str, CareEvent]] = defaultdict(dict)
    for stay in stays_of_ward(ward):
        if specimen not in (None, stay.specimen):
            continue
        for dose, detail in given.get(stay.water.casefold(), ()):
            if stay.holds(dose.at, zone):
                found[stay.specimen][detail["dose"]] = CareEvent(
                    specimen=stay.specimen, at=dose.at, what="dose", detail=detail, by=dose.by
                )
    return {
        name: sorted(events.values(), key=lambda event: event.at) for name, events in found.items()
    }


def with_doses(ward: Ward, events: Iterable[CareEvent], *, specimen: str) -> list[CareEvent]:
    """Return the care of one specimen together with the doses of its water, by time."""
    doses = doses_by_specimen(ward, specimen).get(specimen, [])
    return sorted([*events, *doses], key=lambda event: event.at)
