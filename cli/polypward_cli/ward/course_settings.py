"""The tables [course] and [[advice]] of ward.toml: the settings of a course, to text and back."""

import dataclasses
import inspect
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from polypward.course.rules import FACTS, AdviceRule
from polypward.course.settings import CourseSettings
from polypward.errors import BadInputError
from polypward_cli.ward.settings import line_of

__all__ = ["as_toml", "build"]

# Fields that other parts of ward.toml fill.
_ELSEWHERE: Final = frozenset({"zone", "rules"})
_RULE_FIELDS: Final = {item.name for item in dataclasses.fields(AdviceRule)}
_KINDS: Final = {bool: "true or false", int: "a whole number", float: "a number", str: "text"}


def build(
    course: Mapping[str, Any],
    advice: Sequence[Mapping[str, Any]],
    *,
    zone: ZoneInfo,
    path: Path | None,
) -> CourseSettings:
    """Return the defaults changed by the two tables, `path` being the file they were read from.

    Raises
    ------
    BadInputError
        With the line of each fault.
    """
    text = path.read_text(encoding="utf-8-sig") if path and path.exists() else ""
    faults: list[str] = []
    plain = CourseSettings()
    good: dict[str, Any] = {"zone": zone}
    names = {item.name for item in dataclasses.fields(plain)} - _ELSEWHERE
    for key, value in course.items():
        where = f"line {line_of(text, 'course', key)}"
        if key not in names:
            faults.append(f'{where}: "{key}" is no setting of [course]')
            continue
        try:
            good[key] = _like(getattr(plain, key), value)
        except ValueError as error:
            faults.append(f"{where}: {key} must be {error}, got {value!r}")
    rules = []
    for number, entry in enumerate(advice):
        try:
            rules.append(_rule(entry))
        except ValueError as error:
            faults.append(f"line {_line_of_fault(text, number, entry, str(error))}: {error}")
    if rules:
        good["rules"] = tuple(rules)
    if not faults:
        try:
            return CourseSettings(**good)
        except ValueError as error:
            faults.append(f"line {line_of(text, 'course', '')}: {error}")
    name = path or "ward.toml"
    raise BadInputError("\n".join(f"{name}, {fault}" for fault in faults))


def _line_of_fault(text: str, number: int, entry: Mapping[str, Any], told: str) -> int:
    """Return the line of a rule that a fault speaks of: a test, a setting, else its heading."""
    heading = line_of(text, "advice", "", nth=number)
    when = entry.get("when")
    for test in when if isinstance(when, list) else ():
        if isinstance(test, str) and repr(test) in told:
            lines = text.splitlines()
            for line in range(heading, len(lines)):
                if test in lines[line]:
                    return line + 1
    for key in entry:
        if f'"{key}"' in told or f"{key} must be" in told:
            return line_of(text, "advice", key, nth=number)
    return heading


def as_toml() -> str:
    """Return both tables as text: every setting with its meaning, switched off, and the rules."""
    meanings = _meanings()
    plain = CourseSettings()
    lines = [
        "",
        "[course]",
        "# How visits become flags and scores. Take the # away from a line to change its value.",
    ]
    shown: set[str] = set()
    for item in dataclasses.fields(plain):
        value = getattr(plain, item.name)
        if item.name in _ELSEWHERE or isinstance(value, Mapping):
            continue
        meaning = meanings.get(item.name, "")
        if meaning and meaning not in shown:
            lines += ["#", *_remark(meaning)]
            shown.add(meaning)
        lines.append(f"# {item.name} = {_toml(value)}")
    lines += [
        "",
        "# Colour references by kind, CIELAB D50, from healthy specimens that you name.",
        "# [course.kind_references]",
        '# "kind" = [45.0, 10.0, 20.0]',
        "",
        "# The advice table: the first rule whose tests all hold is shown. A person decides.",
        "# A test is three words: fact, == != >= <= > or <, value. The facts:",
        *(f"#   {name}: {meaning}" for name, meaning in FACTS.items()),
    ]
    for rule in plain.rules:
        lines += ["", "[[advice]]"]
        for item in dataclasses.fields(rule):
            value = getattr(rule, item.name)
            if value is not None and value != "":
                lines.append(f"{item.name} = {_toml(value)}")
    return "\n".join(lines) + "\n"


def _like(default: Any, value: Any) -> Any:
    """Return `value` in the kind of `default`; a ValueError names the kind it should have."""
    if isinstance(default, Mapping):
        if not isinstance(value, Mapping):
            raise ValueError('a table like { "kind" = [L, a, b] }')
        return {str(name): _like((0.0, 0.0, 0.0), entry) for name, entry in value.items()}
    if isinstance(default, tuple):
        if not isinstance(value, list) or len(value) != len(default):
            raise ValueError(f"a list of {len(default)} numbers")
        return tuple(_like(0.0, entry) for entry in value)
    kind = type(default)
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    if type(value) is not kind or value != value or value in (float("inf"), float("-inf")):
        raise ValueError(_KINDS[kind])
    return value


def _rule(entry: Mapping[str, Any]) -> AdviceRule:
    unknown = sorted(set(entry) - _RULE_FIELDS)
    if unknown:
        raise BadInputError(f'"{unknown[0]}" is no part of an [[advice]] rule')
    for name in ("name", "when", "advice", "reason"):
        if name not in entry:
            raise BadInputError(f'an [[advice]] rule needs "{name}"')
    when = entry["when"]
    if not isinstance(when, list) or not all(isinstance(test, str) for test in when):
        raise BadInputError('"when" must be a list of tests in quotes')
    days = entry.get("next_photo_days")
    if days is not None and (type(days) is not int or days < 0):
        raise BadInputError(f"next_photo_days must be a whole number of days, got {days!r}")
    for name in ("name", "advice", "reason", "changes"):
        if not isinstance(entry.get(name, ""), str):
            raise BadInputError(f'"{name}" must be text in quotes')
    return AdviceRule(**{**entry, "when": tuple(when)})


def _meanings() -> dict[str, str]:
    """Return what the docstring of the settings says of each, by name."""
    found: dict[str, str] = {}
    names: list[str] = []
    for line in (inspect.getdoc(CourseSettings) or "").splitlines():
        heading = re.fullmatch(r"(\w+(?:, \w+)*) : .*", line)
        if heading:
            names = heading[1].split(", ")
        elif names and line.startswith("    "):
            for name in names:
                found[name] = f"{found.get(name, '')} {line.strip()}".strip()
    return {name: meaning.replace("``", "") for name, meaning in found.items()}


def _remark(text: str) -> list[str]:
    """Return a remark of several lines, none much longer than 96 signs."""
    lines, line = [], "#"
    for word in text.split():
        if len(line) + len(word) > 95:
            lines.append(line)
            line = "#"
        line += f" {word}"
    return [*lines, line]


def _toml(value: Any) -> str:
    import tomlkit

    if isinstance(value, tuple):
        value = list(value)
    return str(tomlkit.item(value).as_string())
