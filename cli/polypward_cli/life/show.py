"""One specimen, or many, for a person to read and for a program."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Any, Final

from polypward.care import history_words
from polypward.errors import BadInputError
from polypward.life import STATES
from polypward.records import CareEvent, Specimen
from polypward_cli.labels.worn import Worn, tags_worn
from polypward_cli.life.common import named
from polypward_cli.register import COLUMNS
from polypward_cli.ward import Ward
from polypward_cli.ward.tables import csv_text
from polypward_cli.water.history import with_doses

__all__ = [
    "LIST_COLUMNS",
    "Life",
    "Wanted",
    "life_of",
    "list_lines",
    "list_specimens",
    "register_csv",
]

LIST_COLUMNS: Final = (
    "specimen",
    "kind",
    "batch",
    "place",
    "state",
    "last_seen",
    "advice",
    "flags",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """A specimen with everything noted of it, in the order of time."""

    specimen: Specimen
    pieces: tuple[str, ...]
    events: tuple[CareEvent, ...]
    photos: tuple[tuple[datetime, str, str], ...]  # time, path, cut-out
    tags: tuple[Worn, ...]
    summary: Mapping[str, Any]

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return {
            **_plain(self.specimen),
            "pieces": list(self.pieces),
            "tags": [
                {
                    "tag": worn.tag,
                    "since": worn.since.isoformat(),
                    "until": worn.until.isoformat() if worn.until else None,
                }
                for worn in self.tags
            ],
            "advice": self.summary.get("advice", ""),
            "flags": [flag["name"] for flag in self.summary.get("flags", [])],
            "entries": [
                {
                    "at": event.at.isoformat(),
                    "what": event.what,
                    "detail": dict(event.detail),
                    "by": event.by,
                }
                for event in self.events
            ],
            "photos": [
                {"taken_at": at.isoformat(), "photo": photo, "cut_out": cut_out}
                for at, photo, cut_out in self.photos
            ],
        }

    def lines(self) -> Iterator[str]:
        """Yield it as lines of plain text."""
        one = self.specimen
        yield f"{one.specimen}: {one.kind or 'kind not given'}, {_state(one)}"
        where = [one.place, one.water_system and f"water {one.water_system}"]
        where += [one.light and f"light {one.light}"]
        where += [f"tag {worn.tag[1:]}" for worn in self.tags if worn.until is None]
        came = [one.batch and f"batch {one.batch}", one.box and f"box {one.box}"]
        came += [one.supplier and f"from {one.supplier}"]
        came += [f"arrived {one.arrived_on}" if one.arrived_on else ""]
        came += [one.unpacked_as and f"unpacked as {one.unpacked_as}"]
        came += [one.permit and f"permit {one.permit}"]
        kin = [one.parent and f"cut from {one.parent}"]
        kin += [f"pieces {' '.join(self.pieces)}" if self.pieces else ""]
        gone = one.state in ("split", "joined")
        money = [
            f"{label} {value:.2f}"
            for label, value in (
                ("cost", one.cost),
                ("as it was", one.as_is_price),
                ("expected", one.expected_price),
            )
            if value is not None and not gone
        ]
        money += ["carried by what it became"] if gone else []
        for label, parts in (
            ("stands", where),
            ("came", came),
            ("kin", kin),
            ("money", money),
            ("note", [one.note]),
        ):
            told = ", ".join(part for part in parts if part)
            if told:
                yield f"  {label:<7}{told}"
        if self.summary.get("advice"):
            yield f"  {'advice':<7}{self.summary['advice']}: {self.summary['reason']}"
        for flag in self.summary.get("flags", []):
            yield f"  {'flag':<7}{flag['name']}: {flag['evidence']}"
        yield from self._entries()

    def _entries(self) -> Iterator[str]:
        yield f"  {len(self.photos)} accepted photos, {len(self.events)} entries"
        rows = [(at, f"photo {photo}") for at, photo, _ in self.photos]
        for worn in self.tags:
            rows.append((worn.since, f"tag {worn.tag[1:]} put on"))
            rows += [(worn.until, f"tag {worn.tag[1:]} taken off")] if worn.until else []
        for event in self.events:
            told = history_words(event)
            rows.append((event.at, f"{told} ({event.by})" if event.by else told))
        for at, told in sorted(rows, key=lambda row: row[0]):
            yield f"  {at:%Y-%m-%d %H:%M}  {told}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which specimens are asked for; "" = all. `state` is one of `STATES`, or "all"."""

    place: str = ""
    kind: str = ""
    batch: str = ""
    supplier: str = ""
    state: str = "held"

    def __post_init__(self) -> None:
        if self.state not in (*STATES, "all"):
            raise BadInputError(f'--state is all, {", ".join(STATES)}; got "{self.state}"')

    def holds(self, one: Specimen) -> bool:
        """Say whether a specimen is asked for; upper and lower case are alike."""
        if self.state not in ("all", one.state):
            return False
        asked = {name: getattr(self, name) for name in ("place", "kind", "batch", "supplier")}
        return all(
            text.casefold() == getattr(one, name).casefold() for name, text in asked.items() if text
        )


def life_of(ward: Ward, name: str) -> Life:
    """Return all that is known of a specimen.

    Raises
    ------
    BadInputError
        If it is not in the ward.
    """
    one = named(ward, name)
    rows = ward.db.query(
        "select specimen from specimens where parent = ? order by 1", [one.specimen]
    )
    return Life(
        specimen=one,
        pieces=tuple(row["specimen"] for row in rows),
        events=tuple(with_doses(ward, ward.care(one.specimen), specimen=one.specimen)),
        photos=tuple(
            (reading.taken_at, reading.photo, reading.tile)
            for reading in ward.readings(one.specimen)
            if reading.status == "accepted" and reading.taken_at is not None
        ),
        tags=tuple(tags_worn(ward, specimen=one.specimen)),
        summary=_summary(ward, one.specimen),
    )


def list_specimens(ward: Ward, wanted: Wanted) -> list[dict[str, Any]]:
    """Return the specimens asked for as JSON values, by place, then name."""
    summaries = ward.summaries()
    rows = []
    for one in ward.specimens():
        if not wanted.holds(one):
            continue
        known = summaries.get(one.specimen, {})
        rows.append(
            {
                **_plain(one),
                "last_seen": known.get("last_seen"),
                "advice": known.get("advice", ""),
                "flags": [flag["name"] for flag in known.get("flags", [])],
            }
        )
    return sorted(rows, key=lambda row: (row["place"], row["specimen"]))


def list_lines(rows: list[dict[str, Any]]) -> Iterator[str]:
    """Yield the rows of `list_specimens` as a table."""
    cells = [[_cell(row[name]) for name in LIST_COLUMNS] for row in rows]
    if not cells:
        yield "No specimen."
        return
    head = [name.replace("_", " ") for name in LIST_COLUMNS]
    widths = [max(len(line[i]) for line in [head, *cells]) for i in range(len(head))]
    for line in [head, *cells]:
        padded = (f"{cell:<{width}}" for cell, width in zip(line, widths, strict=True))
        yield "  ".join(padded).rstrip()
    yield f"{len(cells)} specimen" + ("" if len(cells) == 1 else "s")


def register_csv(rows: list[dict[str, Any]]) -> str:
    """Return the rows as a register: filled in further, `polypward intake` takes it again."""
    columns = [name for name in COLUMNS if name != "count"]
    return csv_text(columns, ([row[name] for name in columns] for row in rows))


def _summary(ward: Ward, name: str) -> dict[str, Any]:
    rows = ward.db.query("select summary from summaries where specimen = ?", [name])
    return next((json.loads(row["summary"]) for row in rows), {})


def _state(one: Specimen) -> str:
    if one.state == "held":
        return "held"
    return f"{one.state} on {one.left_on}" if one.left_on else one.state


def _plain(one: Specimen) -> dict[str, Any]:
    values = asdict(one)
    return {
        name: value.isoformat() if isinstance(value, date) else value
        for name, value in values.items()
    }


def _cell(value: Any) -> str:
    if isinstance(value, list):
        return " ".join(value)
    return "" if value is None else str(value)
