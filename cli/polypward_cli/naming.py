"""Whose photo is it, by its path: folder names and file names that name a specimen.

Cameras, phones and people's habits fill folders with names that are no specimens; a name made only
of such words, numbers and dates is passed over, unless a specimen is registered under it.
"""

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Final

from polypward.errors import BadInputError
from polypward_cli.dates import date_in_name

if TYPE_CHECKING:
    from polypward_cli.labels.worn import Worn

__all__ = ["NamedBy", "Names", "check_signs", "clean_name", "is_generic", "name_by_path"]

# Longer names are no labels that fit on a tag; cut so that a hostile name stays harmless.
MAX_NAME: Final = 80

_CAMERA: Final = """
    img imgp image images imag im mvimg pxl dsc dscn dscf dscp dcim dscim sdc cimg kdc
    pict pic pics picture pictures photo photos foto fotos bild bilder imagen imagenes immagine
    camera cameras kamera cam phone handy mobile tablet screenshot screenshots screen shot shots
    snapshot snap capture video videos vid mov mvi clip gopr gp pano panorama burst hdr portrait
    night macro raw jpg jpeg png heic heif tif tiff webp edited edit edits copy copies kopie copia
    duplicate final new neu old alt original originals export exports exported import imports
    download downloads received sent send shared share upload uploads attachment attachments
    message messages messenger chat signal mail inbox outbox media album albums gallery roll
    favorites favourites recent recents misc tmp temp test tests unsorted sorted todo other others
    various all data files file folder untitled unnamed unknown scan scans sd card usb backup
    thumbnail thumbnails cache trash deleted wa from of the and for my in on with by
"""
_TIMES: Final = """
    week weeks wk woche wochen kw semaine semana settimana visit visits visite besuch round rounds
    session sessions series set day days tage jour dia date dates month months monat year jahr
    time am pm at today yesterday before after morning noon evening intake arrival arrivals arrived
    start end begin first last next weekly daily monthly
    january february march april may june july august september october november december
    jan feb mar apr jun jul aug sep sept oct nov dec
    januar februar märz maerz mai juni juli oktober dezember mrz okt dez
    janvier fevrier février mars avril juin juillet aout août septembre octobre novembre decembre
    décembre enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre
    diciembre gennaio febbraio aprile maggio giugno luglio settembre ottobre novembre dicembre
    monday tuesday wednesday thursday friday saturday sunday mon tue wed thu fri sat sun
    montag dienstag mittwoch donnerstag freitag samstag sonntag
"""
_VIEWS: Final = """
    top side left right front back above below close closeup up detail overview view
"""
_GENERIC: Final = frozenset(f"{_CAMERA} {_TIMES} {_VIEWS}".split())
# A name whose last word is one of these says what the files are, or was written by a program.
_LAST_WORDS: Final = frozenset(
    (
        *("image", "images", "img", "photo", "photos", "picture", "pictures", "scan", "capture"),
        *("screenshot", "screenshots", "screen", "shot", "video", "videos"),
    )
)
# Letters of a generic word with a counter right behind: IMG1234, DSC00012, week3, P1000123, WA0003.
_COUNTED: Final = re.compile(r"([^\W\d_]+)\d+")
_CAMERA_NUMBER: Final = re.compile(r"(?:p|dsc|dscn|img|imgp|gopr|g|gp|gh|gx)\d{4,}", re.I)
# Folders of the camera file system (DCF): three digits from 100, then five signs; and the shorter
# ones that phones make.
_CAMERA_FOLDER: Final = re.compile(r"[1-9]\d\d[ _-]?(?:[A-Z][A-Z0-9_]{2,4})")


@dataclass(frozen=True, slots=True)
class NamedBy:
    """A specimen's name with what named it: "manifest", "tag", "folder" or "file name"."""

    specimen: str
    source: str


class Names:
    """The names that a ward knows, found whatever their case and spaces are."""

    def __init__(
        self,
        registered: Iterable[str],
        known: Iterable[str] = (),
        places: Iterable[str] = (),
        worn: "Mapping[str, Sequence[Worn]] | None" = None,
    ) -> None:
        self._registered = {_key(name): name for name in registered}
        self._known: dict[str, str] = {_key(name): name for name in known} | self._registered
        self._places = {_key(name) for name in places if name}
        self._worn = worn or {}

    def registered(self, name: str) -> str | None:
        """Return the registered id that `name` means, as it was registered."""
        return self._registered.get(_key(name))

    def is_registered(self, specimen: str) -> bool:
        """Say whether the specimen is in the register."""
        return _key(specimen) in self._registered

    def canonical(self, name: str) -> str:
        """Return the known spelling of a name; a new one becomes known as it is written."""
        return self._known.setdefault(_key(name), clean_name(name))

    def of_tag(self, tag: str, at: datetime | None) -> str:
        """Return whom a tag in a photo taken at a time means, "" if nobody wore it then.

        A reusable tag means who wore it (without a time: who wears it now); any other is a name.
        """
        if tag not in self._worn:
            return tag
        return next((one.specimen for one in self._worn[tag] if one.at(at)), "")

    def is_place(self, name: str) -> bool:
        """Say whether a place, a water system or a batch is called so."""
        return _key(name) in self._places


def check_signs(name: str) -> None:
    """Check that a file may be named after a specimen.

    Raises
    ------
    BadInputError
        If the name has a sign that no file's name can have.
    """
    if any(sign in name for sign in '/\\<>:"|?*'):
        raise BadInputError(f'"{name}": a specimen\'s name goes without / \\ < > : " | ? *')


def clean_name(name: str) -> str:
    """Return a name in one Unicode form, without control signs and doubled spaces."""
    text = unicodedata.normalize("NFC", name)
    text = "".join(" " if unicodedata.category(sign)[0] == "C" else sign for sign in text)
    return " ".join(text.split())[:MAX_NAME].strip()


def is_generic(name: str) -> bool:
    """Say whether a name is made of camera words, dates and numbers only.

    A number of up to three digits alone is a name ("7"); a longer one is a counter or a year.
    """
    text = clean_name(name)
    if _CAMERA_FOLDER.fullmatch(text) or not _words(text):
        return True
    if re.fullmatch(r"\d{1,3}", text):
        return False
    words = _words(text)
    if words[-1] in _LAST_WORDS or re.fullmatch(r"20\d\d[ _-]?w\d\d", text.casefold()):
        return True
    return all(_is_generic_word(word) for word in words) or bool(
        (found := date_in_name(text)) and not found.before.strip(" _-.,(") and _rest_generic(text)
    )


def name_by_path(path: str, *, names: Names) -> tuple[NamedBy, ...]:
    """Return what the folders and the file name of `path` (below the folder scored) name.

    The first is the one that counts; a second one is there only if it is a registered id too.
    """
    pure = PurePosixPath(path)
    folder = _folder_name([part for part in pure.parts[:-1] if part != "."], names)
    from_file = _file_name(pure.stem, names)
    found = []
    if folder:
        found.append(NamedBy(names.canonical(folder), "folder"))
    if from_file and (not found or names.registered(from_file)):
        found.append(NamedBy(names.canonical(from_file), "file name"))
    return tuple(found)


def _folder_name(parts: list[str], names: Names) -> str | None:
    """Return the nearest registered folder name, else the nearest that may be a specimen."""
    for part in reversed(parts):
        if registered := names.registered(part):
            return registered
    dated = any(date_in_name(part) or re.fullmatch(r"(?:19|20)\d\d", part) for part in parts)
    for part in reversed(parts):
        if is_generic(part) or names.is_place(part) or (dated and part.isdigit()):
            continue
        return part
    return None


def _file_name(stem: str, names: Names) -> str | None:
    """Return the part before the date, or a whole name that is registered."""
    found = date_in_name(stem)
    part = (found.before if found else stem).strip(" _-.,(#")
    if registered := names.registered(part):
        return registered
    if not found:
        # "LAM-03 (2)", "LAM-03_2": a counter behind a registered id.
        return names.registered(re.sub(r"[ _.-]*(?:\(\d+\)|\d{1,3})$", "", part))
    if is_generic(part) or names.is_place(part):
        return None
    return part


def _is_generic_word(word: str) -> bool:
    if word.isdigit() or word in _GENERIC or _CAMERA_NUMBER.fullmatch(word):
        return True
    counted = _COUNTED.fullmatch(word)
    return bool(counted and counted[1] in _GENERIC)


def _rest_generic(text: str) -> bool:
    """Say whether the words behind a leading date ("2026-01-12 visit") say nothing."""
    return all(_is_generic_word(word) or re.fullmatch(r"\d+t\d+", word) for word in _words(text))


def _words(text: str) -> list[str]:
    return [word for word in re.split(r"[\W_]+", text.casefold()) if word]


def _key(name: str) -> str:
    return clean_name(name).casefold()
