"""Care events from the command line and from tables."""

import difflib
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from polypward.errors import BadInputError
from polypward.records import CareEvent
from polypward_cli.amounts import amount_of
from polypward_cli.life.common import moment, who
from polypward_cli.tablein import Faults, read_table
from polypward_cli.ward import Ward

__all__ = ["COLUMNS", "event_of", "parse_details", "read_care"]

COLUMNS: Final = ("specimen", "at", "what", "detail", "by")
# Details that are money.
_MONEY: Final = frozenset({"price", "refund", "cost"})


def event_of(
    ward: Ward,
    specimen: str,
    what: str,
    *,
    at: str | None,
    details: Iterable[str],
    by: str = "",
    also: Iterable[str] = (),
) -> CareEvent:
    """Return a care event of a specimen of the ward (or of `also`); without `at`, of now.

    Raises
    ------
    BadInputError
        If the specimen is not known, the time, the word or a detail is not understood, or the time
        is in the future.
    """
    known = {one.specimen.casefold(): one.specimen for one in ward.specimens()}
    known |= {name.casefold(): name for name in also}
    name = known.get(specimen.strip().casefold())
    if name is None:
        near = difflib.get_close_matches(specimen, known.values(), n=1)
        hint = f' Is it "{near[0]}"?' if near else ""
        raise BadInputError(f'"{specimen}" is no specimen of this ward.{hint}')
    word = "-".join(what.lower().split())
    if not re.fullmatch(r"[^\W_]+(-[^\W_]+)*", word):
        raise BadInputError(f'"{what}": what was done is one or a few words, like "dip"')
    detail = parse_details(details)
    for key in sorted(_MONEY & detail.keys()):
        amount_of(detail[key], key)
    when = moment(ward, at)
    return CareEvent(specimen=name, at=when, what=word, detail=detail, by=who(ward, by))


def parse_details(details: Iterable[str]) -> dict[str, str]:
    """Return name=value texts as a mapping.

    Raises
    ------
    BadInputError
        If one has no name or no equals sign, or a name comes twice.
    """
    found: dict[str, str] = {}
    for text in details:
        name, equals, value = text.partition("=")
        name = name.strip().lower()
        if not equals or not name:
            raise BadInputError(f'detail "{text}": write name=value')
        if name in found:
            raise BadInputError(f'detail "{name}" is given twice')
        found[name] = value.strip()
    return found


def read_care(ward: Ward, path: Path) -> list[CareEvent]:
    """Read a table of care, in the order of time.

    Raises
    ------
    BadInputError
        With the line of every fault.
    """
    table = read_table(path, known=COLUMNS, required=("specimen", "at", "what"))
    faults = Faults(path)
    events = []
    children: list[str] = []
    for row in sorted(table.rows, key=lambda row: row.text("at")):
        parts = [part for part in row.text("detail").split(";") if part.strip()]
        for name in ("specimen", "at", "what"):
            if not row.text(name):
                faults.add(row.line, f"{name} is empty")
        if not all(row.text(name) for name in ("specimen", "at", "what")):
            continue
        try:
            event = event_of(
                ward,
                row.text("specimen"),
                row.text("what"),
                at=row.text("at"),
                details=parts,
                by=row.text("by"),
                also=children,
            )
        except BadInputError as error:
            faults.add(row.line, str(error))
            continue
        if event.what == "split":
            children += event.detail.get("children", "").replace(",", " ").split()
        events.append(event)
    faults.raise_any()
    if not events:
        raise BadInputError(f"{path}: no rows under the header")
    return sorted(events, key=lambda event: event.at)
