"""Which water of the ward is to be tested on a day; reads few rows, so a round takes no longer."""

from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from typing import Final

from polypward.water import WaterDue, water_due
from polypward_cli.caring.entries import stamp
from polypward_cli.ward import Ward
from polypward_cli.water.dosing import doses_of
from polypward_cli.water.systems import systems_of, targets_of

__all__ = ["ward_water_due"]

# A heavy feeding, or a dose, of longer ago asks for nothing today.
LOOK_BACK_DAYS: Final = 7
# A system without specimens and without a test for so long stands empty.
IN_USE_DAYS: Final = 30


def ward_water_due(ward: Ward, *, on: date) -> tuple[WaterDue, ...]:
    """Return what water is to be tested on a day: retests, and what has not been for too long."""
    zone = ward.settings.zone
    end = datetime.combine(on + timedelta(days=1), time(), tzinfo=zone)
    start = end - timedelta(days=LOOK_BACK_DAYS)
    latest = {
        (row["system"], row["parameter"]): datetime.fromisoformat(row["at"])
        for row in ward.db.query(
            "select system, parameter, max(at) as at from water_tests "
            "where undone_at is null and at < ? group by 1, 2",
            [stamp(end)],
        )
    }
    fed = {
        row["system"]: datetime.fromisoformat(row["at"])
        for row in ward.db.query(
            "select water_system as system, max(at) as at from care join specimens "
            "using (specimen) where what = 'feeding' and water_system != '' and at >= ? "
            "and at < ? and json_extract(detail, '$.amount') = 'heavy' group by 1",
            [stamp(start), stamp(end)],
        )
    }
    systems = _in_use(ward, latest, since=end - timedelta(days=IN_USE_DAYS))
    return water_due(
        systems,
        latest=latest,
        doses=[dose for dose in doses_of(ward) if start <= dose.at < end],
        heavy_feedings=fed,
        wanted={system: targets_of(ward, system) for system in systems},
        on=on,
        zone=zone,
    )


def _in_use(
    ward: Ward, latest: Mapping[tuple[str, str], datetime], *, since: datetime
) -> list[str]:
    """Return the systems that hold specimens, or were tested since a time."""
    tested = {system for (system, _), at in latest.items() if at >= since}
    rows = ward.db.query("select distinct water_system from specimens where state = 'held'")
    used = tested | {row["water_system"] for row in rows}
    return [system for system in systems_of(ward) if system in used]
