"""The daily look without a camera: a place at a time, all as yesterday or who was odd."""

import difflib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from polypward.course.looks import ODD, odd_of
from polypward.errors import BadInputError
from polypward.records import CareEvent
from polypward_cli.rounds import place_of
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, dumps

__all__ = ["WELL", "Looked", "note_looks", "take_back_look"]

WELL = "well"


@dataclass(frozen=True, slots=True)
class Looked:
    """What was noted: the places, how many specimens they hold, who was odd (or well again)."""

    places: tuple[str, ...]
    held: int
    odd: dict[str, str]

    @property
    def words(self) -> str:
        """Say it in one line."""
        where = ", ".join(place or "no place" for place in self.places)
        if not self.odd:
            return f"{where}: all {self.held} as yesterday"
        told = ", ".join(
            f"{name} {ODD.get(state, 'well again')}" for name, state in self.odd.items()
        )
        rest = self.held - len(self.odd)
        return f"{where}: {told}; the other {rest} as yesterday" if rest else f"{where}: {told}"


def note_looks(
    ward: Ward,
    places: Sequence[str],
    *,
    odd: Sequence[str],
    well: Sequence[str] = (),
    at: datetime,
    by: str,
) -> Looked:
    """Keep a look at places: all as yesterday but for the odd ones.

    Parameters
    ----------
    ward : Ward
        Being worked on.
    places : sequence of str
        Names of places, whatever their case; none = every place.
    odd : sequence of str
        SPECIMEN=STATE, the states being those of `ODD`.
    well : sequence of str
        Specimens that are well again.
    at : datetime
        Aware.
    by : str
        Who looked.

    Raises
    ------
    BadInputError
        If a place, a specimen or a state is not known, or a specimen stands elsewhere.
    """
    held: dict[str, list[str]] = {}
    for one in ward.specimens():
        if one.state == "held":
            held.setdefault(place_of(one), []).append(one.specimen)
    chosen = _chosen(places, held)
    home = {name.casefold(): (name, place) for place in chosen for name in held[place]}
    found: dict[str, str] = {}
    said = [text.partition("=") for text in odd] + [(name, "=", WELL) for name in well]
    for name, equals, state in said:
        if not equals or not name.strip():
            raise BadInputError(f'--odd "{name}": write SPECIMEN=STATE, like LAM-03=gaping')
        key = name.strip().casefold()
        if key not in home:
            near = difflib.get_close_matches(key, home, n=1)
            hint = f" Is it {home[near[0]][0]}?" if near else ""
            where = ", ".join(place or "no place" for place in chosen)
            raise BadInputError(f'"{name.strip()}" is no specimen at {where}.{hint}')
        found[home[key][0]] = state if state == WELL else odd_of(state)
    with ward.db.atomic():
        for place in chosen:
            mine = {
                name: state for name, state in found.items() if home[name.casefold()][1] == place
            }
            row = {"place": place, "at": at.astimezone(UTC).isoformat(), "by": by}
            strange = {name: state for name, state in mine.items() if state != WELL}
            look = ward.db.table("place_looks").insert(row | {"odd": dumps(strange)}).last_pk
            for name, state in mine.items():
                detail = {"state": state, "place_look": str(look)}
                ward.add_care(CareEvent(specimen=name, at=at, what="look", detail=detail, by=by))
    return Looked(tuple(chosen), sum(len(held[place]) for place in chosen), found)


def _chosen(places: Sequence[str], held: dict[str, list[str]]) -> list[str]:
    known = {place.casefold(): place for place in held}
    if not places:
        if not held:
            raise BadInputError("no specimen stands anywhere in this ward yet")
        return sorted(held)
    chosen: dict[str, None] = {}
    for text in places:
        key = " ".join(text.split()).casefold()
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            hint = f' Is it "{known[near[0]]}"?' if near else ""
            raise BadInputError(f'"{text}" is no place with specimens in this ward.{hint}')
        chosen[known[key]] = None
    return list(chosen)


def take_back_look(ward: Ward, *, by: str) -> str:
    """Take the last look back, with what it said of odd specimens; its place in words.

    The look stays in the ledger as undone; the care events that it made go into the audit.

    Raises
    ------
    BadInputError
        If there is none.
    """
    rows = list(
        ward.db.query("select * from place_looks where undone_at is null order by id desc limit 1")
    )
    if not rows:
        raise BadInputError("no look is there to take back")
    row = rows[0]
    now = datetime.now(UTC).isoformat(timespec="seconds")
    with ward.db.atomic():
        ward.db.table("place_looks").update(row["id"], {"undone_at": now})
        for event in list(ward.db.query("select * from care where what = 'look'")):
            if json.loads(event["detail"]).get("place_look") == str(row["id"]):
                ward.db.execute("delete from care where id = ?", [event["id"]])
                audit(ward.db, "look taken back", event["specimen"], old=event, new={"by": by})
    return row["place"] or "no place"
