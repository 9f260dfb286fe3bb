"""What every entry needs: which specimen is meant, when it was, and who says so."""

import difflib
from collections.abc import Iterable
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from polypward.errors import BadInputError
from polypward.records import Specimen
from polypward_cli.caring.cautions import show_cautions
from polypward_cli.dates import parse_time
from polypward_cli.ids import LENGTH, looks_misread
from polypward_cli.naming import clean_name
from polypward_cli.ward import Ward

__all__ = ["FIRST_YEAR", "moment", "moment_in", "named", "new_name", "show_cautions", "who"]

# Older than this is a slip of the year.
FIRST_YEAR: Final = 2000


def named(ward: Ward, name: str) -> Specimen:
    """Return the specimen that a person means by a name, whatever its case.

    Raises
    ------
    BadInputError
        If there is none; says which sign may be wrong, or which name is near.
    """
    wanted = clean_name(name)
    known = {one.specimen.casefold(): one for one in ward.specimens()}
    if wanted.casefold() in known:
        return known[wanted.casefold()]
    near = difflib.get_close_matches(wanted.casefold(), known, n=1)
    hint = f' Is it "{known[near[0]].specimen}"?' if near else ""
    if not hint and looks_misread(wanted):
        hint = f" It looks like an id of {LENGTH} signs with one misread: read the tag again."
    if not hint:
        hint = " polypward specimen list names them."
    raise BadInputError(f'"{name}" is no specimen of this ward.{hint}')


def new_name(name: str, taken: Iterable[str]) -> str:
    """Return the cleaned name of a new specimen.

    Raises
    ------
    BadInputError
        If it is empty, taken, or has signs that a file's name cannot have or a list is parted by.
    """
    wanted = clean_name(name)
    if not wanted:
        raise BadInputError("a specimen needs a name")
    if any(sign in wanted for sign in ' ,;/\\<>:"|?*'):
        raise BadInputError(
            f'"{wanted}": the name of a piece goes without spaces and , ; / \\ < > : " | ? *'
        )
    if wanted.casefold() in {one.casefold() for one in taken}:
        raise BadInputError(f'"{wanted}" is a specimen of this ward already; take another name')
    return wanted


def moment(ward: Ward, at: str | None) -> datetime:
    """Return the time that a person gives, in the ward's zone; without one, now.

    A day alone is its noon; today alone, before noon, is now.

    Raises
    ------
    BadInputError
        If it is no time, in the future, or before any ward.
    """
    return moment_in(ward.settings.zone, at)


def moment_in(zone: ZoneInfo, at: str | None) -> datetime:
    """Return what `moment` does, in a zone: before there is a ward."""
    now = datetime.now(zone).replace(microsecond=0)
    if not at:
        return now
    when = parse_time(at, zone=zone).astimezone(zone)
    if when.year < FIRST_YEAR:
        raise BadInputError(f'"{at}" is before {FIRST_YEAR}; is the year right?')
    if when <= now:
        return when
    if at.strip() == now.date().isoformat():
        return now
    raise BadInputError(
        f'"{at}" is in the future (it is {now:%Y-%m-%d %H:%M} here); give the time it was done'
    )


def who(ward: Ward, by: str) -> str:
    """Return who makes an entry: the name given, else the owner that ward.toml names."""
    return clean_name(by) or ward.settings.owner
