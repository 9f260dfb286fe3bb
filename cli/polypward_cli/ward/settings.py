"""ward.toml: the settings of a ward, written with comments, read with the line of each fault."""

import dataclasses
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from zoneinfo import ZoneInfo

from polypward.errors import BadInputError
from polypward_cli.files import write_text

if TYPE_CHECKING:
    from polypward.course import CourseSettings

__all__ = ["SETTINGS", "WardSettings", "local_zone_name", "read_settings", "write_new_settings"]

SETTINGS = "ward.toml"

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
    course: Mapping[str, Any] = field(default_factory=dict)

    @property
    def zone(self) -> ZoneInfo:
        """The ward's time zone."""
        return ZoneInfo(self.time_zone)

    def course_settings(self) -> "CourseSettings":
        """Return the course's settings: its defaults, changed by the table [course]."""
        from polypward.course import CourseSettings

        return CourseSettings(**self.course)


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
    write_text(path, _NEW.format(time_zone=time_zone or local_zone_name()) + _course_text())


def read_settings(path: Path) -> WardSettings:
    """Read and check ward.toml; every fault is named with its line, all at once.

    Raises
    ------
    BadInputError
        If the file cannot be read, is no TOML, or holds an unknown or impossible setting.
    """
    from tomlkit import parse
    from tomlkit.exceptions import ParseError

    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise BadInputError(f"{path}: cannot be read ({error}); save it as UTF-8 text") from error
    try:
        table = parse(text).unwrap()
    except ParseError as error:
        raise BadInputError(f"{path}, line {error.line}: not valid TOML ({error})") from error
    faults: list[str] = []
    values = dict(_checked(table, text, faults))
    if faults:
        raise BadInputError("\n".join(f"{path}, {fault}" for fault in faults))
    return WardSettings(**values)


def _checked(table: Mapping[str, Any], text: str, faults: list[str]) -> Iterator[tuple[str, Any]]:
    """Yield each good setting as field and value; append each fault with its line."""
    for key, value in table.items():
        where = f"line {_line_of(text, '', key)}"
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
        elif key == "course" and isinstance(value, dict):
            yield "course", _checked_course(value, text, faults)
        else:
            faults.append(f'{where}: "{key}" is no setting of a ward')


def _checked_photos(
    table: Mapping[str, Any], text: str, faults: list[str]
) -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        where = f"line {_line_of(text, 'photos', key)}"
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


def _checked_course(table: Mapping[str, Any], text: str, faults: list[str]) -> dict[str, Any]:
    """Check names and kinds against the fields of the course's settings."""
    defaults = _course_defaults()
    good: dict[str, Any] = {}
    for key, value in table.items():
        where = f"line {_line_of(text, 'course', key)}"
        if key not in defaults:
            faults.append(f'{where}: "{key}" is no setting of [course]')
            continue
        default = defaults[key]
        if isinstance(default, bool) or isinstance(value, bool):
            fits = isinstance(default, bool) and isinstance(value, bool)
        elif isinstance(default, float):
            fits = isinstance(value, int | float) and float("-inf") < value < float("inf")
            value = float(value) if fits else value
        else:
            fits = isinstance(value, type(default))
        if fits:
            good[key] = value
        else:
            kind = {bool: "true or false", int: "a whole number", float: "a number", str: "text"}
            faults.append(f"{where}: {key} must be {kind[type(default)]}, got {value!r}")
    if good and not faults:
        from polypward.course import CourseSettings

        try:
            CourseSettings(**good)
        except ValueError as error:
            faults.append(f"line {_line_of(text, '', 'course')}: [course] {error}")
    return good


def _course_defaults() -> dict[str, bool | int | float | str]:
    """Return the plain settings of a course by name, with their defaults."""
    try:
        from polypward.course import CourseSettings
    except ModuleNotFoundError:  # until the course stands
        return {}

    plain = CourseSettings()
    pairs = ((item.name, getattr(plain, item.name)) for item in dataclasses.fields(plain))
    return {name: value for name, value in pairs if isinstance(value, bool | int | float | str)}


def _course_text() -> str:
    """Return the table [course] with every plain setting at its default, switched off."""
    lines = [
        "",
        "[course]",
        "# How visits become flags, scores and advice. Take away a # to change one.",
    ]
    for name, value in _course_defaults().items():
        shown = str(value).lower() if isinstance(value, bool) else value
        lines.append(f"# {name} = " + (f'"{value}"' if isinstance(value, str) else f"{shown}"))
    return "\n".join(lines) + "\n"


def _line_of(text: str, table: str, key: str) -> int:
    """Line, counted from 1, on which `key` of `table` ("" = the top) is set."""
    within = ""
    pattern = re.compile(rf"""\s*["']?{re.escape(key)}["']?\s*[=.]""")
    for number, line in enumerate(text.splitlines(), start=1):
        heading = re.match(r"\s*\[+\s*([^\]]+?)\s*\]", line)
        if heading:
            within = heading[1]
            if not table and within.split(".")[0].strip("\"' ") == key:
                return number
        elif within == table and pattern.match(line):
            return number
    return 1
