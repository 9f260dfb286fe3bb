"""Which files of a folder are photos, and what is known of each before it is opened."""

import os
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path, PurePosixPath
from typing import Final
from zoneinfo import ZoneInfo

from polypward.errors import BadInputError
from polypward_cli.dates import date_in_name
from polypward_cli.naming import NamedBy, Names, clean_name, name_by_path
from polypward_cli.ward.ledger import DATABASE

__all__ = [
    "PICTURE_SUFFIXES",
    "Found",
    "Scan",
    "TakenAt",
    "Whose",
    "find_photos",
    "time_of_photo",
    "whose_photo",
]

PICTURE_SUFFIXES: Final = frozenset(
    (
        *(".jpg", ".jpeg", ".jpe", ".jfif", ".png", ".tif", ".tiff", ".heic", ".heif", ".hif"),
        *(".webp", ".bmp", ".avif"),
    )
)
# A camera's raw files (the same as `polypward_vision.raw.RAW_SUFFIXES`, which scanning must not
# import); one with an ordinary picture of the same name beside it is passed over.
RAW_SUFFIXES: Final = frozenset(
    (".dng", ".cr2", ".cr3", ".nef", ".nrw", ".arw", ".raf", ".orf", ".rw2", ".pef", ".srw")
)
# A clock may be off by a time zone; a photo later than this is dated wrongly.
FUTURE: Final = timedelta(days=1)
# A tag that names no registered specimen is a name only if it looks like one.
MAX_TAG: Final = 24


@dataclass(frozen=True, slots=True)
class Found:
    """A file with a picture's suffix: where it is, and its path below the folder scored."""

    path: Path
    photo: str


@dataclass(frozen=True, slots=True)
class Scan:
    """What a folder holds: photos by path, the number of other files, wards passed over."""

    photos: tuple[Found, ...]
    skipped: int
    wards: tuple[str, ...]
    unreadable: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Whose:
    """Whose photo it is: a specimen and what named it, or the code that says why not."""

    specimen: str = ""
    source: str = ""
    code: str = ""
    detail: str = ""


@dataclass(frozen=True, slots=True)
class TakenAt:
    """When a photo was taken (aware), with its codes; `at` is None if it is not known."""

    at: datetime | None
    codes: tuple[str, ...] = ()


def find_photos(folder: Path) -> Scan:
    """Walk `folder` for files with a picture's suffix, in the order of their paths.

    Folders that hold a ward are not entered, nor are hidden ones; links are not followed.

    Raises
    ------
    BadInputError
        If the folder is not there, is a file, or is a ward itself.
    """
    if not folder.is_dir():
        there = folder.exists()
        what = "is a file; name its folder" if there else "is not there; is its name right?"
        raise BadInputError(f"{folder}: the folder of photos {what}")
    if (folder / DATABASE).exists():
        raise BadInputError(
            f"{folder}: this is a ward, no folder of photos. Name the folder with the photos, "
            "and the ward by --ward."
        )
    photos: list[Found] = []
    wards: list[str] = []
    unreadable: list[str] = []
    skipped = 0
    for parent, folders, files in os.walk(
        folder, onerror=lambda error: unreadable.append(str(error.filename))
    ):
        here = Path(parent)
        for name in sorted(folders):
            if (here / name / DATABASE).exists():
                wards.append(_shown((here / name).relative_to(folder)))
                folders.remove(name)
            elif name.startswith((".", "@")) or (here / name).is_symlink():
                folders.remove(name)
        stems = {Path(name).stem for name in files if Path(name).suffix.lower() in PICTURE_SUFFIXES}
        for name in files:
            path = here / name
            if path.suffix.lower() in RAW_SUFFIXES and path.stem in stems:
                skipped += 1
            elif _is_photo(path):
                photos.append(Found(path, _shown(path.relative_to(folder))))
            else:
                skipped += 1
    photos.sort(key=lambda one: one.photo)
    return Scan(tuple(photos), skipped, tuple(sorted(wards)), tuple(sorted(unreadable)))


def whose_photo(
    photo: str,
    *,
    names: Names,
    manifest: str = "",
    tags: tuple[str, ...] = (),
    assigned: str = "",
    stored: str = "",
) -> Whose:
    """Say whose photo it is.

    A person's assignment counts first, then the manifest, a tag in the photo, the folder, the
    file name; where none names anybody, `stored` (what an earlier run knew) stays.
    """
    if assigned:
        return Whose(names.canonical(assigned), "assigned")
    named = [NamedBy(names.canonical(manifest), "manifest")] if manifest else []
    for tag in tags:
        if names.registered(tag) or _looks_like_a_name(tag):
            named.append(NamedBy(names.canonical(tag), "tag"))
    named += name_by_path(photo, names=names)
    registered = {one.specimen: one for one in reversed(named) if names.is_registered(one.specimen)}
    if len(registered) > 1:
        said = ", ".join(f"{one.source} says {one.specimen}" for one in named)
        return Whose(code="specimen-conflict", detail=said)
    several = {one.specimen for one in named if one.source == "tag"}
    if len(several) > 1 and not manifest and not registered:
        said = " and ".join(sorted(several))
        return Whose(code="specimen-conflict", detail=f"tags of {said} in the photo")
    if named:
        # A registered id in the file name is better than a folder nobody registered ("box 4").
        first = named[0]
        if first.source == "folder" and registered:
            first = next(iter(registered.values()))
        return Whose(first.specimen, first.source)
    if stored:
        return Whose(stored, "stored")
    return Whose(code="no-specimen")


def time_of_photo(
    photo: str,
    *,
    zone: ZoneInfo,
    manifest: str = "",
    exif: str = "",
    shift: timedelta = timedelta(0),
    first_seen: datetime,
) -> TakenAt:
    """Say when a photo was taken: by the manifest, else its EXIF time, else its name.

    `manifest` and `exif` are ISO 8601 texts or "". `first_seen` is the ward's clock when the
    photo came in: later than a day after it is a wrong date.
    """
    codes: tuple[str, ...] = ()
    at: datetime | None = None
    if manifest:
        at = datetime.fromisoformat(manifest)
    elif exif:
        at = datetime.fromisoformat(exif)
        if at.tzinfo is None:
            codes = ("zone-assumed",)
    elif in_name := date_in_name(PurePosixPath(photo).stem):
        at = in_name.at
    if at is None:
        return TakenAt(None, ("no-date",))
    try:
        at = (at if at.tzinfo else at.replace(tzinfo=zone)).astimezone(UTC) + shift
    except (OverflowError, ValueError):  # the year 1 or 9999 of a camera without a clock
        return TakenAt(None, ("no-date",))
    if at > first_seen + FUTURE:
        return TakenAt(at, ("future-date",))
    return TakenAt(at, codes)


def _is_photo(path: Path) -> bool:
    """Say whether to open it: no hidden file, link, pipe or device (opening one may never end)."""
    named = path.suffix.lower() in PICTURE_SUFFIXES | RAW_SUFFIXES and not path.name.startswith(".")
    return named and not path.is_symlink() and path.is_file()


def _looks_like_a_name(tag: str) -> bool:
    """Say whether a tag's text may be a specimen's name: short, and no address or data."""
    name = clean_name(tag)
    return 0 < len(name) <= MAX_TAG and not any(sign in name for sign in ":/?{}=@\\")


def _shown(path: Path) -> str:
    """Return a relative path with slashes, in signs that every file and table takes."""
    return path.as_posix().encode("utf-8", "surrogateescape").decode("utf-8", "replace")
