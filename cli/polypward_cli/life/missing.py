"""Specimens of a place that the last round there did not see: one of them lost its tag."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from polypward.errors import BadInputError
from polypward.records import Specimen
from polypward_cli.labels.worn import tags_worn
from polypward_cli.ward import Ward

__all__ = ["Missing", "find_missing", "last_cut_outs", "seen_on"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """The specimens of a place that nobody has seen since a day, with their last cut-outs.

    `since` is None where nobody has seen any of them.
    """

    place: str
    since: date | None
    seen: int
    rows: tuple[dict[str, Any], ...]

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return {
            "place": self.place,
            "since": self.since.isoformat() if self.since else None,
            "seen": self.seen,
            "missing": list(self.rows),
        }

    def lines(self) -> Iterator[str]:
        """Yield it as lines of plain text."""
        if self.since is None:
            yield f"{self.place}: no round yet; none of {len(self.rows)} was ever seen."
        else:
            yield f"{self.place}: {self.seen} seen since {self.since}, {len(self.rows)} not."
        for row in self.rows:
            last = f"last seen {row['last_seen']}" if row["last_seen"] else "never seen"
            cut_out = f", cut-out {row['cut_out']}" if row["cut_out"] else ""
            tag = f", tag {row['tag']}" if row["tag"] else ""
            yield f"  {row['specimen']}  {row['kind'] or 'kind not given'}, {last}{tag}{cut_out}"
        if self.rows:
            yield "Compare the cut-outs with what stands there. A person says which one it is."


def find_missing(ward: Ward, place: str, *, since: date | None = None) -> Missing:
    """List the held specimens of a place that were neither photographed nor looked at since a day.

    Without a day, it is the last one on which any of them was: the last round there.

    Raises
    ------
    BadInputError
        If nothing is held at a place or in a water system of this name, or the day is to come.
    """
    held = [one for one in ward.specimens() if one.state == "held"]
    wanted = place.strip().casefold()
    there = [one for one in held if wanted == one.place.casefold()]
    there = there or [one for one in held if wanted == one.water_system.casefold()]
    if since is not None and since > ward.zone_today:
        raise BadInputError(f"--since {since} is in the future (today is {ward.zone_today})")
    if not there:
        places = sorted({one.place or one.water_system for one in held} - {""})
        known = f"there are {', '.join(places)}" if places else "no specimen has a place"
        raise BadInputError(f'"{place}": no specimen is held there; {known}')
    seen = seen_on(ward)
    days = [seen[one.specimen] for one in there if one.specimen in seen]
    day = since or max(days, default=None)
    cut_outs = last_cut_outs(ward)
    tags = {worn.specimen: worn.tag[1:] for worn in tags_worn(ward) if worn.until is None}
    missing = [
        one for one in there if one.specimen not in seen or (day and seen[one.specimen] < day)
    ]
    return Missing(
        place=there[0].place if wanted == there[0].place.casefold() else there[0].water_system,
        since=day,
        seen=len(there) - len(missing),
        rows=tuple(_row(one, seen, cut_outs, tags) for one in missing),
    )


def seen_on(ward: Ward) -> dict[str, date]:
    """Return the day on which each specimen was last photographed or looked at."""
    zone = ward.settings.zone
    rows = ward.db.query(
        "select specimen, max(at) as at from ("
        "select specimen, taken_at as at from readings where specimen != '' "
        "and placing not like '%\"dropped\"%' and copy_path = '' "
        "union all select specimen, at from care where what = 'look') "
        "where at is not null group by specimen"
    )
    return {
        row["specimen"]: datetime.fromisoformat(row["at"]).astimezone(zone).date() for row in rows
    }


def last_cut_outs(ward: Ward) -> dict[str, str]:
    """Return the path below the ward of each specimen's last cut-out."""
    rows = ward.db.query(
        "select specimen, tile from readings where specimen != '' and tile != '' "
        "and measure_code = '' and placing not like '%\"dropped\"%' order by taken_at, key"
    )
    return {row["specimen"]: row["tile"] for row in rows}


def _row(
    one: Specimen, seen: dict[str, date], cut_outs: dict[str, str], tags: dict[str, str]
) -> dict[str, Any]:
    day = seen.get(one.specimen)
    return {
        "specimen": one.specimen,
        "kind": one.kind,
        "batch": one.batch,
        "last_seen": day.isoformat() if day else None,
        "cut_out": cut_outs.get(one.specimen, ""),
        "tag": tags.get(one.specimen, ""),
    }
