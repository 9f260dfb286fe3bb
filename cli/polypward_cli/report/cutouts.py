"""The small cut-outs of the ward's specimens in a report, linked and not copied where that goes.

They are made when a photo is scored (`polypward_cli.small`); those of older wards, and those that
are damaged, are made here. What the report before had is taken over from it unread.
"""

import json
import os
import shutil
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from hashlib import sha1
from pathlib import Path

from polypward.records import Reading
from polypward_cli.small import VERSION, SmallPicture, ensure_small, small_of

__all__ = ["CutOut", "Outlines", "make_cutouts", "take_over"]

WORKERS = 2
INDEX = "outlines.json"

Outlines = Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class CutOut(SmallPicture):
    """A small picture, and its file in the report."""

    file: str


def make_cutouts(
    readings: Iterable[Reading], *, ward: Path, folder: Path, earlier: Path | None
) -> dict[str, CutOut]:
    """Lay the small cut-outs of `readings` into `folder`; the ward's are made where they lack.

    Parameters
    ----------
    readings : iterable of Reading
        Those without a tile, or whose tile is gone or damaged, get no cut-out.
    ward : Path
        The folder that the readings' tile and mask paths are relative to.
    folder : Path
        Where the JPEG files and their index go; made if missing.
    earlier : Path or None
        The same folder of an earlier report; what is still right there is linked, not read.

    Returns
    -------
    dict of str to CutOut
        By the path of the tile, as the reading has it.
    """
    folder.mkdir(parents=True, exist_ok=True)
    index = _read_index(earlier)
    masks = {r.tile: r.mask for r in readings if r.tile}
    keys = {
        tile: key for tile, mask in masks.items() if (key := _key(ward, tile, mask)) is not None
    }
    made: dict[str, SmallPicture] = {}
    jobs: list[tuple[str, str, str]] = []
    for tile, key in keys.items():
        if (
            earlier is not None
            and key in index
            and take_over(earlier / f"{key}.jpg", folder / f"{key}.jpg")
        ):
            made[key] = index[key]
        else:
            jobs.append((tile, masks[tile], key))
    made |= _lay_all(jobs, ward=ward, folder=folder)
    told = json.dumps({key: asdict(one) for key, one in made.items()}, separators=(",", ":"))
    (folder / INDEX).write_text(told, encoding="utf-8")
    return {
        tile: CutOut(file=f"{key}.jpg", **asdict(one))
        for tile, key in keys.items()
        if (one := made.get(key)) is not None
    }


def _lay_all(
    jobs: Sequence[tuple[str, str, str]], *, ward: Path, folder: Path
) -> dict[str, SmallPicture]:
    if not jobs:
        return {}
    import cv2

    cv2.setNumThreads(1)

    def lay(job: tuple[str, str, str]) -> SmallPicture | None:
        tile, mask, key = job
        found = ensure_small(ward, tile, mask)
        there = found and take_over(ward / small_of(tile, mask), folder / f"{key}.jpg")
        return found if there else None

    # Reading files, decoding and encoding leave Python's lock: threads do as well as processes.
    with ThreadPoolExecutor(WORKERS) as pool:
        return {job[2]: one for job, one in zip(jobs, pool.map(lay, jobs), strict=True) if one}


def _key(ward: Path, tile: str, mask: str) -> str | None:
    """Name of a cut-out, another one as soon as the tile or the mask is another file."""
    try:
        stats = [(ward / tile).stat(), *([(ward / mask).stat()] if mask else [])]
    except OSError:
        return None
    marks = [f"{VERSION}", tile, mask, *(f"{s.st_size}:{s.st_mtime_ns}" for s in stats)]
    return sha1("\n".join(marks).encode(), usedforsecurity=False).hexdigest()[:20]


def _read_index(folder: Path | None) -> dict[str, SmallPicture]:
    if folder is None:
        return {}
    try:
        found = json.loads((folder / INDEX).read_text(encoding="utf-8"))
        return {key: SmallPicture.from_json(told) for key, told in found.items()}
    except (OSError, KeyError, OverflowError, TypeError, ValueError, AttributeError):
        return {}  # no earlier report, a damaged one, or one of another version


def take_over(source: Path, target: Path) -> bool:
    """Link or copy a file to `target` in a new report; whether it is there."""
    try:
        os.link(source, target)
    except OSError:  # gone, or a file system without links
        try:
            shutil.copyfile(source, target)
        except OSError:
            return False
    return True
