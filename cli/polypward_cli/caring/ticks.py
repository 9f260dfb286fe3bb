"""What must still be done to end a feeding or a bath, and ticking it off."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from polypward.errors import BadInputError
from polypward_cli.caring.entries import Row, change_entry, entry, parse_about, stamp
from polypward_cli.caring.treating import BATH_AWAY
from polypward_cli.ward import Ward

__all__ = ["Tick", "open_ticks", "retime", "tick_off"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """One thing to do: about which entry, what, where, and when it is due."""

    number: int
    about: str
    what: str
    where: str
    places: tuple[str, ...]
    specimens: tuple[str, ...]
    due: datetime  # in the ward's zone

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return {
            "number": self.number,
            "about": self.about,
            "what": self.what,
            "where": self.where,
            "due": self.due.isoformat(),
        }


def open_ticks(ward: Ward, *, since: datetime | None = None) -> list[Tick]:
    """Return what is still to be ticked, due from a time on, the earliest first."""
    rows = ward.db.query(
        "select * from care_ticks where done_at is null and due_at >= ? order by due_at, id",
        ["" if since is None else stamp(since)],
    )
    return [_tick(ward, row) for row in rows]


def tick_off(
    ward: Ward, about: str, *, at: datetime, by: str = "", disposal: str = ""
) -> list[Tick]:
    """Tick off one thing by its number, those of an entry ("feeding:12"), or "all".

    Raises
    ------
    BadInputError
        If nothing of that name is open.
    """
    wanted = about.strip().casefold()
    every = open_ticks(ward)
    if wanted == "all":
        done = every
    elif wanted.isdecimal():
        done = [tick for tick in every if tick.number == int(wanted)]
    else:
        kind, number = parse_about(wanted)
        done = [tick for tick in every if tick.about == f"{kind}:{number}"]
    if not done:
        shown = "; ".join(f"{tick.number} {tick.what}, {tick.where}" for tick in every[:10])
        raise BadInputError(f'nothing to tick at "{about}". Open: {shown or "nothing"}')
    with ward.db.atomic():
        for tick in done:
            ward.db.execute(
                "update care_ticks set done_at = ?, done_by = ? where id = ?",
                [stamp(at), by, tick.number],
            )
            kind, number = parse_about(tick.about)
            if tick.what == BATH_AWAY and disposal:
                change_entry(ward, kind, number, {"disposal": disposal})
    return done


def retime(ward: Ward, kind: str, before: Row, after: Row) -> None:
    """Move the open ticks of an entry whose beginning or minutes were corrected."""
    name = {"feeding": "cover_minutes", "treatment": "bath_minutes"}.get(kind)
    if name is None:
        return
    later = after["at"] - before["at"]
    if before[name] is not None and after[name] is not None:
        later += timedelta(minutes=after[name] - before[name])
    for tick in open_ticks(ward):
        if later and tick.about == f"{kind}:{after['id']}":
            ward.db.execute(
                "update care_ticks set due_at = ? where id = ?",
                [stamp(tick.due + later), tick.number],
            )


def _tick(ward: Ward, row: Row) -> Tick:
    kind, number = parse_about(row["about"])
    about = entry(ward, kind, number)
    names = about["places"] or about["specimens"]
    where = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
    return Tick(
        number=row["id"],
        about=row["about"],
        what=row["what"],
        where=where,
        places=tuple(about["places"]),
        specimens=tuple(about["specimens"]),
        due=datetime.fromisoformat(row["due_at"]).astimezone(ward.settings.zone),
    )
