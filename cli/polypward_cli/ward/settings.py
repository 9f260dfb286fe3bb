"""ward.toml: the settings of a ward, written with comments, read with the line of each fault."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from zoneinfo import ZoneInfo

from polypward.errors import BadInputError
from polypward_cli.files import read_small, write_text

if TYPE_CHECKING:
    from polypward.course import CourseSettings

__all__ = [
    "SETTINGS",
    "WardSettings",
    "line_of",
    "local_zone_name",
    "read_settings",
    "write_new_settings",
]

SETTINGS = "ward.toml"
MOST_BYTES = 1_000_000

_NEW = """\
# The settings of this ward. Change what you like; polypward reads this file at every start.
# A line that begins with # is a remark, or a setting that is switched off.

# Who the report is from.
owner = ""

# Where the ward stands. Photos whose data name no time zone are taken to be in this one, and a
# visit is a calendar day in it.
time_zone = "{time_zone}"

[photos]
# The lamp of photos that name none, in your own words ("white 6500 K"). Colour is only compared
# between photos under the same lamp.
lamp = ""
# Height of the specimen's outline above the card, mm, where neither the manifest, --height-mm nor
# the register gives one. Best is a card at mid-height; then this is 0.
# height_mm = 0
# Depth of water above the card, mm, when the camera is above the surface.
# water_mm = 0
# "linear", or "root-polynomial" for a card with many patches that stay clean.
colour_model = "linear"

[rounds]
# How many photos a day has room for: a round fills it by urgency, then by who has not been seen
# for longest, and says what was put off. Urgent ones are always on it.
# photos_per_day = 40
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class WardSettings:
    """What ward.toml says; `course` and `advice` are what it changes of the course's defaults."""

    time_zone: str = "UTC"
    owner: str = ""
    lamp: str = ""
    height_mm: float | None = None
    water_mm: float | None = None
    colour_model: Literal["linear", "root-polynomial"] = "linear"
    photos_per_day: int | None = None
    course: Mapping[str, Any] = field(default_factory=dict)
    money: Mapping[str, Any] = field(default_factory=dict)  # see `money_settings`
    suppliers: Sequence[Mapping[str, Any]] = ()
    advice: Sequence[Mapping[str, Any]] = ()
    path: Path | None = None

    @property
    def zone(self) -> ZoneInfo:
        """The ward's time zone."""
        return ZoneInfo(self.time_zone)

    def course_settings(self) -> "CourseSettings":
        """Return the settings of the courses: the defaults, changed by what ward.toml says.

        Raises
        ------
        BadInputError
            If [course] or [[advice]] in ward.toml cannot be used, with the lines.
        """
        from polypward_cli.ward.course_settings import build

        return build(self.course, self.advice, zone=self.zone, path=self.path)


def local_zone_name() -> str:
    """Name of this computer's time zone ("Europe/Berlin"), or "UTC" where it has none."""
    from tzlocal import get_localzone_name

    try:
        name = get_localzone_name()
        ZoneInfo(name)
    except Exception:  # many kinds, by system: no name, unknown name, broken configuration
        return "UTC"
    return name


def write_new_settings(path: Path, *, time_zone: str | None = None) -> None:
    """Write a ward.toml with every setting at its default and a remark on each."""
    from polypward_cli.ward.course_settings import as_toml
    from polypward_cli.ward.money_settings import AS_TOML

    new = _NEW.format(time_zone=time_zone or local_zone_name())
    write_text(path, new + AS_TOML + as_toml())


def read_settings(path: Path) -> WardSettings:
    """Read and check ward.toml; every fault is named with its line, all at once.

    Raises
    ------
    BadInputError
        If the file cannot be read, is no TOML, or holds an unknown or impossible setting.
    """
    from tomlkit import parse
    from tomlkit.exceptions import ParseError, TOMLKitError

    try:
        text = read_small(path, most=MOST_BYTES).decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        raise BadInputError(f"{path}: cannot be read ({error}); save it as UTF-8 text") from error
    try:
        table = parse(text).unwrap()
    except ParseError as error:
        raise BadInputError(f"{path}, line {error.line}: not valid TOML ({error})") from error
    except (TOMLKitError, ValueError, RecursionError) as error:  # a setting that is there twice
        raise BadInputError(f"{path}: not valid TOML ({error})") from error
    faults: list[str] = []
    values = dict(_checked(table, text, faults))
    if faults:
        raise BadInputError("\n".join(f"{path}, {fault}" for fault in faults))
    return WardSettings(**values, path=path)


def _checked(table: Mapping[str, Any], text: str, faults: list[str]) -> Iterator[tuple[str, Any]]:
    """Yield each good setting as field and value; append each fault with its line."""
    for key, value in table.items():
        where = f"line {line_of(text, '', key)}"
        if key == "owner" and isinstance(value, str):
            yield "owner", value
        elif key == "time_zone" and isinstance(value, str):
            try:
                ZoneInfo(value)
            except (KeyError, ValueError, OSError):
                faults.append(
                    f'{where}: time_zone "{value}" is not known; use a name like "Europe/Berlin"'
                )
            yield "time_zone", value
        elif key in ("owner", "time_zone"):
            faults.append(f"{where}: {key} must be text in quotes, got {value!r}")
        elif key == "photos" and isinstance(value, dict):
            yield from _checked_photos(value, text, faults)
        elif key == "rounds" and isinstance(value, dict):
            yield from _checked_rounds(value, text, faults)
        elif key in ("course", "money") and isinstance(value, dict):
            yield key, value
        elif (
            key == "supplier"
            and isinstance(value, list)
            and all(isinstance(terms, dict) for terms in value)
        ):
            yield "suppliers", tuple(value)
        elif (
            key == "advice"
            and isinstance(value, list)
            and all(isinstance(rule, dict) for rule in value)
        ):
            yield "advice", tuple(value)
        else:
            faults.append(f'{where}: "{key}" is no setting of a ward')


def _checked_photos(
    table: Mapping[str, Any], text: str, faults: list[str]
) -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        where = f"line {line_of(text, 'photos', key)}"
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if key == "lamp" and isinstance(value, str):
            yield key, value.strip()
        elif key in ("height_mm", "water_mm"):
            if number and 0 <= value <= 1000:
                yield key, float(value)
            else:
                faults.append(f"{where}: {key} must be a number from 0 to 1000, got {value!r}")
        elif key == "colour_model":
            if value in ("linear", "root-polynomial"):
                yield key, value
            else:
                faults.append(
                    f'{where}: colour_model is "linear" or "root-polynomial", got {value!r}'
                )
        elif key == "lamp":
            faults.append(f"{where}: lamp must be text in quotes, got {value!r}")
        else:
            faults.append(f'{where}: "{key}" is no setting of [photos]')


def _checked_rounds(
    table: Mapping[str, Any], text: str, faults: list[str]
) -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        where = f"line {line_of(text, 'rounds', key)}"
        if key != "photos_per_day":
            faults.append(f'{where}: "{key}" is no setting of [rounds]')
        elif type(value) is int and 1 <= value <= 100_000:
            yield key, value
        else:
            faults.append(
                f"{where}: {key} must be a whole number from 1 to 100000, got {value!r}; take the "
                "line out for no limit"
            )


def line_of(text: str, table: str, key: str, *, nth: int = 0) -> int:
    """Line, counted from 1, on which `key` of the `nth` `table` ("" = the top) is set.

    An empty `key` finds the heading of the table.
    """
    within, count = "", {}  # type: str, dict[str, int]
    pattern = re.compile(rf"""\s*["']?{re.escape(key)}["']?\s*[=.]""")
    for number, line in enumerate(text.splitlines(), start=1):
        if heading := re.match(r"\s*\[+\s*([^\]]+?)\s*\]", line):
            within = heading[1]
            count[within] = count.get(within, -1) + 1
            at_heading = within == table and not key and count[within] == nth
            if at_heading or (not table and within.split(".")[0] == key):
                return number
        elif key and within == table and count.get(within, 0) == nth and pattern.match(line):
            return number
    return 1
