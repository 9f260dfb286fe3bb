"""Small cut-outs of the specimens with the outlines of their tissue, made once per photo.

The picture is a JPEG file in the report, the outlines are SVG paths that the page draws over it.
Both are kept with the report and taken over by the next one, so that a report costs time only
for the photos that came since.
"""

import json
import math
import os
import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from hashlib import sha1
from pathlib import Path
from typing import Any

from polypward.labels import BARE, LIVE, OVERGROWN
from polypward.records import Reading

__all__ = ["CutOut", "Outlines", "make_cutouts", "take_over"]

EDGE_PX = 280  # longer edge of a small cut-out: sharp at 140 px on a dense screen
JPEG_QUALITY = 78
VERSION = 2  # raise when the drawing changes, so that older cut-outs are made again
# The picture is this much wider than the specimen, and its edge a multiple of so many tile pixels:
# visits of one specimen then mostly have pictures of one size.
ROOM = 1.3
STEP_PX = 64
# Specks under this share of the largest body do not move the middle of the picture.
SPECK_SHARE = 0.02
WORKERS = 2
INDEX = "outlines.json"
# Outline points may stray this far from the mask's true edge, in pixels of the small cut-out.
STRAY_PX = 0.6
LABELS = {"live": LIVE, "bare": BARE, "overgrown": OVERGROWN}

Outlines = Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class CutOut:
    """A small cut-out: its file in the report, its size in px, an SVG path for each tissue.

    `frame` is where it lies about the specimen's middle, in tile pixels: left, top, width, height;
    `body_px` is the longer edge of the specimen itself, 0 where no map says where it is.
    """

    file: str
    width: int
    height: int
    outlines: Outlines
    frame: tuple[float, float, float, float]
    body_px: int = 0


def make_cutouts(
    readings: Iterable[Reading], *, ward: Path, folder: Path, earlier: Path | None
) -> dict[str, CutOut]:
    """Make the small cut-outs of `readings` in `folder`.

    Parameters
    ----------
    readings : iterable of Reading
        Those without a tile, or whose tile is gone or damaged, get no cut-out.
    ward : Path
        The folder that the readings' tile and mask paths are relative to.
    folder : Path
        Where the JPEG files and their index go; made if missing.
    earlier : Path or None
        The same folder of an earlier report; what is still right there is linked, not made.

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
    made: dict[str, dict[str, Any]] = {}
    jobs: list[tuple[str, str, str]] = []
    for tile, key in keys.items():
        if earlier is not None and key in index and take_over(earlier, folder, f"{key}.jpg"):
            made[key] = index[key]
        else:
            jobs.append((tile, masks[tile], key))
    made |= _make_all(jobs, lambda job: _make(ward, folder, *job))
    (folder / INDEX).write_text(json.dumps(made, separators=(",", ":")), encoding="utf-8")
    return {
        tile: CutOut(
            file=f"{key}.jpg",
            width=made[key]["size"][0],
            height=made[key]["size"][1],
            outlines=made[key]["outlines"],
            frame=tuple(made[key]["frame"]),
            body_px=made[key]["body"],
        )
        for tile, key in keys.items()
        if key in made
    }


def _make_all(
    jobs: Sequence[tuple[str, str, str]],
    make: Callable[[tuple[str, str, str]], dict[str, Any] | None],
) -> dict[str, dict[str, Any]]:
    if not jobs:
        return {}
    import cv2

    cv2.setNumThreads(1)
    # Decoding and encoding leave Python's lock, so threads do as well as processes.
    with ThreadPoolExecutor(WORKERS) as pool:
        return {job[2]: done for job, done in zip(jobs, pool.map(make, jobs), strict=True) if done}


def _key(ward: Path, tile: str, mask: str) -> str | None:
    """Name of a cut-out, another one as soon as the tile or the mask is another file."""
    try:
        stats = [(ward / tile).stat(), *([(ward / mask).stat()] if mask else [])]
    except OSError:
        return None
    marks = [f"{VERSION}", tile, mask, *(f"{s.st_size}:{s.st_mtime_ns}" for s in stats)]
    return sha1("\n".join(marks).encode(), usedforsecurity=False).hexdigest()[:20]


def _read_index(folder: Path | None) -> dict[str, dict[str, Any]]:
    if folder is None:
        return {}
    try:
        found = json.loads((folder / INDEX).read_text(encoding="utf-8"))
        return {k: v for k, v in found.items() if {"size", "outlines", "frame", "body"} <= v.keys()}
    except (OSError, ValueError, AttributeError):
        return {}  # no earlier report, or a damaged one: everything is made again


def take_over(earlier: Path, folder: Path, file: str) -> bool:
    """Link or copy a file of an earlier report into a new one; whether it is there."""
    source, target = earlier / file, folder / file
    try:
        os.link(source, target)
    except OSError:  # gone, or a file system without links
        try:
            shutil.copyfile(source, target)
        except OSError:
            return False
    return True


def _make(ward: Path, folder: Path, tile: str, mask: str, key: str) -> dict[str, Any] | None:
    """One cut-out and its outlines, or None if the tile cannot be read."""
    import cv2

    labels = _decode(ward / mask, cv2.IMREAD_GRAYSCALE) if mask else None
    picture = _decode(ward / tile, cv2.IMREAD_COLOR)
    if picture is None:
        return None
    rows, cols = picture.shape[:2]
    if labels is not None and labels.shape != (rows, cols):
        labels = None  # a map of another cut-out says nothing of this one
    x, y, width, height, middle, body = _crop(labels, rows=rows, cols=cols)
    picture = picture[y : y + height, x : x + width]
    scale = min(1.0, EDGE_PX / max(width, height))
    size = [max(1, round(edge * scale)) for edge in (width, height)]
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    done, jpeg = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    if not done:
        return None
    (folder / f"{key}.jpg").write_bytes(jpeg.tobytes())
    outlines: dict[str, str] = {}
    if labels is not None:
        seen = labels[y : y + height, x : x + width]
        outlines = {
            name: path
            for name, label in LABELS.items()
            if (path := _outline(seen == label, size=size))
        }
    frame = [x - middle[0], y - middle[1], width, height]
    return {"size": size, "outlines": outlines, "frame": frame, "body": body}


def _crop(
    labels: Any, *, rows: int, cols: int
) -> tuple[int, int, int, int, tuple[float, float], int]:
    """Return left, top, width, height of a square about the specimen, its middle and size, px.

    The whole tile where no map says where the specimen is; cut off at the tile's edges.
    """
    import cv2
    import numpy as np

    whole = (0, 0, cols, rows, (cols / 2, rows / 2), 0)
    if labels is None:
        return whole
    body = (labels > 0).astype(np.uint8)
    contours, _ = cv2.findContours(body, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    areas = [cv2.contourArea(contour) for contour in contours]
    if not areas or max(areas) <= 0:
        return whole
    least = SPECK_SHARE * max(areas)
    large = [contour for contour, area in zip(contours, areas, strict=True) if area >= least]
    left, top, width, height = cv2.boundingRect(np.concatenate(large))
    middle = (left + width / 2, top + height / 2)
    edge = STEP_PX * math.ceil(ROOM * max(width, height) / STEP_PX)
    x, y = round(middle[0] - edge / 2), round(middle[1] - edge / 2)
    right, bottom = min(cols, x + edge), min(rows, y + edge)
    x, y = max(0, x), max(0, y)
    return x, y, right - x, bottom - y, middle, max(width, height)


def _decode(path: Path, how: int) -> Any:
    """Pixels of an image file of the ward, or None if it is gone, empty or damaged."""
    import cv2
    import numpy as np

    try:
        data = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError:
        return None
    return cv2.imdecode(data, how) if data.size else None


def _outline(where: Any, *, size: list[int]) -> str:
    """Outline of a boolean mask of shape (rows, cols) as SVG path data on a picture of `size`."""
    import cv2
    import numpy as np

    rows, cols = where.shape
    step = np.array([size[0] / cols, size[1] / rows])
    contours, _ = cv2.findContours(where.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    smallest = 6 / step.prod()  # specks under six small pixels would only be noise to the eye
    paths = []
    for contour in contours:
        if cv2.contourArea(contour) < smallest:
            continue
        points = cv2.approxPolyDP(contour, STRAY_PX / step.min(), True)[:, 0, :]
        places = np.round((points + 0.5) * step, 1)
        paths.append("M" + "L".join(f"{x:g} {y:g}" for x, y in places) + "Z")
    return "".join(paths)
