"""Inspections: pests and signs found on places and specimens, and when to look again."""

import difflib
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Final

from polypward.care import SIGNS, Inspection
from polypward.errors import BadInputError
from polypward_cli.caring.entries import Row, add_entry
from polypward_cli.caring.limits import check
from polypward_cli.caring.scope import Scope, check_here
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import now_text

__all__ = ["add_sign", "inspect", "inspections_of", "listed_signs", "signs"]

LONGEST_SIGN: Final = 40
# The latest day on which to look again, from the inspection; own choice.
MOST_DAYS_AHEAD: Final = 365


def signs(ward: Ward) -> tuple[str, ...]:
    """Return the list of pests and signs: the first ones, then what the ward added."""
    added = [row["sign"] for row in ward.db.query("select sign from signs order by at, sign")]
    return tuple(dict.fromkeys((*SIGNS, *added)))


def add_sign(ward: Ward, text: str) -> str:
    """Put a pest or sign on the ward's list; returns it as it is listed.

    Raises
    ------
    BadInputError
        If it is empty, too long, or has a comma (lists are parted by it).
    """
    clean = " ".join(text.split()).casefold()
    if not clean or len(clean) > LONGEST_SIGN or "," in clean or ";" in clean:
        raise BadInputError(
            f'"{text}": a sign is 1 to {LONGEST_SIGN} letters without a comma or semicolon'
        )
    if clean not in signs(ward):
        with ward.db.atomic():
            ward.db.execute("insert into signs (sign, at) values (?, ?)", [clean, now_text()])
    return clean


def inspect(
    ward: Ward,
    scope: Scope,
    *,
    at: datetime,
    found: Sequence[str] = (),
    clean: bool = False,
    treated: str = "",
    again_on: date | None = None,
    by: str = "",
    work_minutes: float | None = None,
    note: str = "",
) -> Row:
    """Keep an inspection; returns the entry.

    Parameters
    ----------
    ward : Ward
    scope : Scope
        What was looked at closely.
    found : sequence of str
        Pests and signs of the ward's list; none with `clean`.
    clean : bool
        Said outright that nothing was found.
    treated : str
        What was done about it.
    again_on : date, optional
        The day to look again.
    at, by, work_minutes, note
        When, by whom, minutes of work in all, any remark.

    Raises
    ------
    BadInputError
        If neither or both of `found` and `clean` are given, a sign is not on the list, or
        `again_on` is not after the inspection.
    """
    if bool(found) == clean:
        raise BadInputError(
            "say what was found, --found flatworm (several times if need be), or --clean"
        )
    check(work_minutes=work_minutes)
    check_here(ward, scope, at)
    listed = listed_signs(ward, found)
    day = at.astimezone(ward.settings.zone).date()
    if again_on is not None and not 0 < (again_on - day).days <= MOST_DAYS_AHEAD:
        raise BadInputError(
            f"look again on {again_on}: it must be after {day}, and at most {MOST_DAYS_AHEAD} "
            "days later"
        )
    with ward.db.atomic():
        return add_entry(
            ward,
            "inspection",
            {
                "at": at,
                "by": by,
                "places": scope.places,
                "specimens": scope.specimens,
                "found": listed,
                "treated": treated.strip(),
                "again_on": again_on.isoformat() if again_on else None,
                "work_minutes": work_minutes,
                "note": note,
            },
        )


def inspections_of(
    rows: Iterable[Row], place: str, members: Iterable[str]
) -> tuple[Inspection, ...]:
    """Return the inspections that say something of a place, oldest first.

    A clean one counts if the whole place was looked at; a finding on any specimen of the place
    counts.
    """
    here = set(members)
    return tuple(
        Inspection(at=row["at"], found=tuple(row["found"]))
        for row in rows
        if place in row["places"] or (row["found"] and here & set(row["specimens"]))
    )


def listed_signs(ward: Ward, found: Sequence[str]) -> list[str]:
    """Return pests and signs as the ward's list spells them, each once.

    Raises
    ------
    BadInputError
        If one is not on the list.
    """
    known = signs(ward)
    listed = []
    for text in found:
        word = " ".join(text.split()).casefold()
        if word not in known:
            near = difflib.get_close_matches(word, known, n=1)
            hint = f' Is it "{near[0]}"?' if near else ""
            raise BadInputError(
                f'"{text}" is not on the list of signs ({", ".join(known)}).{hint} '
                f'Add it: polypward care place --sign "{word}"'
            )
        listed.append(word)
    return list(dict.fromkeys(listed))
