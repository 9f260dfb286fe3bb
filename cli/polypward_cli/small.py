"""The small picture of a cut-out, with the outlines of its tissue: what the report shows.

It is drawn where a cut-out or a map is written, so that a report costs no time for it; where it is
missing, damaged or older than they are, it is made again from them. It is a JPEG file of the ward
that is whole in itself: a comment in it holds the outlines as SVG paths, and where the picture
lies about the specimen.
"""

import json
import math
import re
import zlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from polypward.labels import BARE, LIVE, OVERGROWN
from polypward_cli.files import write_bytes

__all__ = [
    "SMALL",
    "SmallPicture",
    "draw_small",
    "ensure_small",
    "remake_small",
    "shown_by",
    "small_of",
]

SMALL: Final = "small"  # folder of the ward
VERSION: Final = 2  # raise when the drawing changes, so that older pictures are made again

EDGE_PX: Final = 280  # longer edge: sharp at 140 px on a dense screen
JPEG_QUALITY: Final = 78
# The picture is this much wider than the specimen, and its edge a multiple of so many tile pixels:
# visits of one specimen then mostly have pictures of one size.
ROOM: Final = 1.3
STEP_PX: Final = 64
# Specks under this share of the largest body do not move the middle of the picture.
SPECK_SHARE: Final = 0.02
# Outline points may stray this far from the mask's true edge, in pixels of the small picture.
STRAY_PX: Final = 0.6
LABELS: Final = {"live": LIVE, "bare": BARE, "overgrown": OVERGROWN}

_COMMENT: Final = b"\xff\xfe"
_MOST_COMMENT: Final = 65_533  # bytes a JPEG segment can hold (ITU-T T.81, B.1.1.4)
_PATH: Final = re.compile(r"[MLZ0-9. -]*")


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallPicture:
    """What a small picture shows: its width and height in px, an SVG path for each tissue.

    `frame` is where it lies about the specimen's middle, in tile pixels: left, top, width, height;
    `body_px` is the longer edge of the specimen itself, 0 where no map says where it is.
    """

    width: int
    height: int
    outlines: Mapping[str, str]
    frame: tuple[float, float, float, float]
    body_px: int = 0

    @classmethod
    def from_json(cls, told: Mapping[str, Any]) -> "SmallPicture":
        """Return it from JSON values.

        Raises
        ------
        KeyError, OverflowError, TypeError, ValueError
            If they are no such picture's.
        """
        width, height = int(told["width"]), int(told["height"])
        left, top, wide, high = (float(edge) for edge in told["frame"])
        outlines = {str(name): str(path) for name, path in dict(told["outlines"]).items()}
        bad = [path for path in outlines.values() if not _PATH.fullmatch(path)]
        sizes = all(0 < edge < math.inf for edge in (width, height, wide, high))
        if bad or not outlines.keys() <= LABELS.keys() or not sizes or not abs(left + top) < 1e9:
            raise ValueError("not the size and outlines of a small picture")
        return cls(
            width=width,
            height=height,
            outlines=outlines,
            frame=(left, top, wide, high),
            body_px=int(told["body_px"]),
        )


def small_of(tile: str, mask: str) -> str:
    """Return the small picture's path below the ward; another map has another picture."""
    return f"{SMALL}/{Path(mask or tile).stem}.jpg"


def ensure_small(ward: Path, tile: str, mask: str) -> SmallPicture | None:
    """Return what the ward's small picture of a cut-out shows, made again if it has to be.

    Parameters
    ----------
    ward : Path
        The ward's folder.
    tile, mask : str
        Paths below it, as a reading has them; `mask` may be empty.

    Returns
    -------
    SmallPicture or None
        None if there is no readable cut-out, or its outlines are more than a picture can hold.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    path = ward / small_of(tile, mask)
    try:
        files = [ward / name for name in (tile, mask) if name]
        if path.stat().st_mtime_ns >= max(file.stat().st_mtime_ns for file in files):
            found = shown_by(path.read_bytes())
            if found is not None:
                return found
    except OSError:
        pass  # not there, or it will be seen on making it
    return remake_small(ward, tile, mask)


def remake_small(ward: Path, tile: str, mask: str) -> SmallPicture | None:
    """Make the small picture of a cut-out from its files; see `ensure_small`."""
    import cv2

    labels = _decode(ward / mask, cv2.IMREAD_GRAYSCALE) if mask else None
    picture = _decode(ward / tile, cv2.IMREAD_COLOR_RGB)
    if picture is None:
        return None
    data = draw_small(picture, labels)
    if data is None:
        return None
    write_bytes(ward / small_of(tile, mask), data, forced=False)
    return shown_by(data)


def draw_small(picture: Any, labels: Any) -> bytes | None:
    """Draw the small picture of a cut-out.

    Parameters
    ----------
    picture : ndarray of uint8, shape (rows, cols, 3)
        The cut-out, RGB.
    labels : ndarray of uint8, shape (rows, cols), or None
        Its tissue map; one of another shape says nothing of it and is passed over.

    Returns
    -------
    bytes or None
        Of the file; None where its outlines are more than it can hold.
    """
    import cv2

    rows, cols = picture.shape[:2]
    if labels is not None and labels.shape != (rows, cols):
        labels = None
    x, y, width, height, middle, body = _crop(labels, rows=rows, cols=cols)
    scale = min(1.0, EDGE_PX / max(width, height))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    small = cv2.resize(picture[y : y + height, x : x + width], size, interpolation=cv2.INTER_AREA)
    small = cv2.cvtColor(small, cv2.COLOR_RGB2BGR)
    _, jpeg = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    outlines: dict[str, str] = {}
    if labels is not None:
        seen = labels[y : y + height, x : x + width]
        outlines = {
            name: path
            for name, label in LABELS.items()
            if (path := _outline(seen == label, size=size))
        }
    frame = (x - middle[0], y - middle[1], width, height)
    shown = SmallPicture(
        width=size[0], height=size[1], outlines=outlines, frame=frame, body_px=body
    )
    return _packed(jpeg.tobytes(), shown)


def _packed(jpeg: bytes, shown: SmallPicture) -> bytes | None:
    """Lay what is shown into the picture as a comment behind its header, with a check sum."""
    told = asdict(shown) | {"version": VERSION, "crc": zlib.crc32(jpeg)}
    comment = zlib.compress(json.dumps(told, separators=(",", ":")).encode())
    if len(comment) > _MOST_COMMENT:
        return None
    at = _after_header(jpeg)
    length = (len(comment) + 2).to_bytes(2)
    return jpeg[:at] + _COMMENT + length + comment + jpeg[at:]


def shown_by(data: bytes) -> SmallPicture | None:
    """Return what the bytes of a small picture show, or None if damaged or of another version."""
    at = _after_header(data)
    end = at + 2 + int.from_bytes(data[at + 2 : at + 4])
    if data[at : at + 2] != _COMMENT:
        return None
    try:
        told = json.loads(zlib.decompress(data[at + 4 : end]))
        if told["version"] != VERSION or told["crc"] != zlib.crc32(data[:at] + data[end:]):
            return None
        return SmallPicture.from_json(told)
    except (zlib.error, KeyError, OverflowError, RecursionError, TypeError, ValueError):
        return None


def _after_header(jpeg: bytes) -> int:
    """Return where the first segment, which tells that it is JFIF, ends."""
    return 4 + int.from_bytes(jpeg[4:6])


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


def _outline(where: Any, *, size: tuple[int, int]) -> str:
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
