"""ward.toml from the phone: single settings with their remarks kept, or the whole text.

Nothing is written that polypward could not read again.
"""

import math
from collections.abc import Mapping
from typing import Final

from polypward.errors import BadInputError
from polypward_cli.files import write_text
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit
from polypward_cli.ward.settings import SETTINGS, read_settings

__all__ = ["MAX_TEXT", "changed_text", "restore_settings", "settings_text", "write_settings"]

MAX_TEXT: Final = 100_000
_NUMBERS: Final = ("height_mm", "water_mm")
_IN_PHOTOS: Final = ("lamp", "height_mm", "water_mm", "colour_model")


def settings_text(ward: Ward) -> str:
    """Return ward.toml as it stands.

    Raises
    ------
    BadInputError
        If it cannot be read.
    """
    try:
        return (ward.path / SETTINGS).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise BadInputError(f"{SETTINGS} cannot be read ({error})") from error


def changed_text(text: str, values: Mapping[str, str]) -> str:
    """Return the text of a ward.toml with single settings changed, its remarks kept.

    Parameters
    ----------
    text : str
        A ward.toml.
    values : mapping
        owner, time_zone, lamp, height_mm, water_mm, colour_model as a person typed them; numbers
        in mm, an empty number takes the setting away.

    Raises
    ------
    BadInputError
        If a number is none.
    """
    import tomlkit

    document = tomlkit.parse(text)
    if "photos" not in document:
        document["photos"] = tomlkit.table()
    photos = document["photos"]
    for name, value in values.items():
        table = photos if name in _IN_PHOTOS else document
        plain = value.strip()
        if name in _NUMBERS and not plain:
            table.pop(name, None)
            continue
        fresh = _number(name, plain) if name in _NUMBERS else plain
        if name not in table or table[name] != fresh:
            table[name] = fresh
    return tomlkit.dumps(document)


def write_settings(ward: Ward, text: str) -> str:
    """Check a text and make it ward.toml; return the one before. The old goes into the audit.

    Raises
    ------
    BadInputError
        With the line of each fault; ward.toml is then as it was.
    """
    if len(text) > MAX_TEXT:
        raise BadInputError(f"The settings are longer than {MAX_TEXT} signs.")
    text = text.replace("\r\n", "\n")
    before = settings_text(ward)
    if text == before:
        return before
    trial = ward.path / f".{SETTINGS}.trial"
    try:
        write_text(trial, text)
        try:
            read_settings(trial).course_settings()
        except BadInputError as error:
            raise BadInputError(str(error).replace(str(trial), SETTINGS)) from None
        audit(ward.db, "settings changed", SETTINGS, old=before, new=text)
        write_text(ward.path / SETTINGS, text)
        ward.settings = read_settings(ward.path / SETTINGS)
    finally:
        trial.unlink(missing_ok=True)
    return before


def restore_settings(ward: Ward, what: Mapping[str, str]) -> None:
    """Put back an earlier ward.toml (`before`), if it is still as this tap left it (`after`).

    Raises
    ------
    BadInputError
        If it was changed again since then.
    """
    if settings_text(ward) != what["after"]:
        raise BadInputError(
            "The settings were changed again since then; take that back first, or change them."
        )
    write_settings(ward, what["before"])


def _number(name: str, text: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise BadInputError(f'{name}: "{text}" is no number; write millimetres, as 12.5') from None
    return int(value) if math.isfinite(value) and value == int(value) else value
