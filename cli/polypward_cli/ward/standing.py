"""How every specimen stands on a day, from the grounds that are kept of its course."""

from collections.abc import Mapping
from datetime import date
from json import loads
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from polypward.course import CourseSettings, Grounds, Stand
    from polypward_cli.ward.ward import Ward

__all__ = ["plain", "stands_on"]

_SCORE_DAYS: Final = ("first_seen", "last_seen")
_FLAG_DAYS: Final = ("raised_on", "could_raise_on", "cleared_on")
_GROUND_DAYS: Final = ("here_since", "arrived_on", "last_on", "gone_on")


def stands_on(
    ward: "Ward", day: date, settings: "CourseSettings"
) -> dict[str, tuple["Stand", bool]]:
    """Return how every specimen stands on a day, and whether it looks dead."""
    from polypward.course import stand_on

    found = {}
    for row in ward.db.query("select specimen, stands from kept_courses where stands != ''"):
        grounds, dead = _grounds_of(row["stands"])
        found[row["specimen"]] = stand_on(day, grounds, settings=settings), dead
    return found


def _grounds_of(text: str) -> tuple["Grounds", bool]:
    """Return the grounds in a row, and whether the specimen looks dead."""
    from polypward.course import Flag, Grounds, Score

    told = loads(text)
    dead = told.pop("looks_dead")
    score = Score(**_with_days(told.pop("score"), _SCORE_DAYS) | {"flags": ()})
    flags = tuple(Flag(**_with_days(one, _FLAG_DAYS)) for one in told.pop("flags"))
    return Grounds(score=score, flags=flags, **_with_days(told, _GROUND_DAYS)), dead


def plain(value: Any) -> Any:
    """Return values that JSON knows: days and keys as text."""
    if isinstance(value, Mapping):
        return {str(name): plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    return value.isoformat() if isinstance(value, date) else value


def _with_days(told: dict[str, Any], names: tuple[str, ...]) -> dict[str, Any]:
    return told | {name: date.fromisoformat(told[name]) for name in names if told[name]}
