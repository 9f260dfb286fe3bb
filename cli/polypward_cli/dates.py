"""Dates and times as people and cameras write them: in file names, tables and options."""

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from polypward.errors import BadInputError

__all__ = ["NOON", "DateInName", "date_in_name", "parse_day", "parse_shift", "parse_time"]

NOON: Final = time(12)

# 2026-01-12, 2026_01_12, 2026.01.12, 20260112, each possibly with a time after it, as cameras,
# phones and screenshots write it; and 12.01.2026, which points make unambiguous.
_YEAR_FIRST: Final = re.compile(
    r"(?<!\d)(?P<y>20\d\d)(?P<s>[-_.]?)(?P<m>\d\d)(?P=s)(?P<d>\d\d)"
    r"(?:(?:[ _T-]|\s+at\s+|\s*,\s*)?"
    r"(?P<H>[01]\d|2[0-3])(?P<t>[-_.:h]?)(?P<M>[0-5]\d)(?:(?P=t)(?P<S>[0-5]\d)(?:[.,]?\d{1,6})?)?)?"
    r"(?!\d)"
)
_DAY_FIRST: Final = re.compile(r"(?<!\d)(?P<d>\d\d?)\.(?P<m>\d\d?)\.(?P<y>20\d\d)(?!\d)")


@dataclass(frozen=True, slots=True)
class DateInName:
    """A date found in a name: when (noon if it has no time of day) and what stands before it."""

    at: datetime  # naive
    before: str
    has_time: bool


def date_in_name(name: str) -> DateInName | None:
    """Return the first real date in `name` (a file's name without suffix, or a folder's)."""
    for pattern in (_YEAR_FIRST, _DAY_FIRST):
        for found in pattern.finditer(name):
            parts = found.groupdict()
            try:
                day = date(int(parts["y"]), int(parts["m"]), int(parts["d"]))
            except ValueError:
                continue
            clock = NOON
            if parts.get("H"):
                clock = time(int(parts["H"]), int(parts["M"]), int(parts["S"] or 0))
            return DateInName(
                datetime.combine(day, clock), name[: found.start()], bool(parts.get("H"))
            )
    return None


def parse_time(text: str, *, zone: ZoneInfo) -> datetime:
    """Return an aware time from ISO 8601 text; a day alone is its noon, no offset means `zone`.

    Raises
    ------
    BadInputError
        If it is no date or time.
    """
    plain = text.strip()
    # The way EXIF writes it: colons in the date.
    plain = re.sub(r"^(\d{4}):(\d\d):(\d\d)", r"\1-\2-\3", plain)
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", plain):
            at = datetime.combine(date.fromisoformat(plain), NOON)
        elif re.match(r"\d{4}-\d\d-\d\d[T ]", plain):
            at = datetime.fromisoformat(plain)
        else:
            raise ValueError(plain)
        if at.tzinfo is None:
            at = at.replace(tzinfo=zone)
        at.astimezone(zone)  # years at the very ends of the calendar have no other zone
    except (ValueError, OverflowError):
        raise BadInputError(
            f'"{text}" is no time; write 2026-01-12, 2026-01-12T10:30 or 2026-01-12T10:30+01:00'
        ) from None
    return at


def parse_day(text: str) -> date:
    """Return a day from YYYY-MM-DD.

    Raises
    ------
    BadInputError
        If it is no day.
    """
    try:
        if not re.fullmatch(r"\d{4}-\d\d-\d\d", text.strip()):
            raise ValueError(text)
        return date.fromisoformat(text.strip())
    except ValueError:
        raise BadInputError(f'"{text}" is no day; write 2026-01-12') from None


def parse_shift(text: str) -> timedelta:
    """Return a span of time from HH:MM, -HH:MM or +HH:MM; hours may be over 24.

    Raises
    ------
    BadInputError
        If it is not written so.
    """
    found = re.fullmatch(r"([+-]?)(\d{1,6}):([0-5]\d)", text.strip())
    if not found:
        raise BadInputError(f'"{text}" is no span of time; write 01:00 (later) or -01:00 (earlier)')
    span = timedelta(hours=int(found[2]), minutes=int(found[3]))
    return -span if found[1] == "-" else span
