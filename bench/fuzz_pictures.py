"""Readers of pictures: photos, profiles, painted maps, small pictures, charts, tags in a photo."""

import io
import json
import random
import re
import zlib
from pathlib import Path
from typing import Any

from bench import fuzz_mutate as change
from polypward.errors import BadInputError

__all__ = [
    *("Seeds", "change_small", "change_tag", "chart_seeds", "file_of", "map_seeds", "read_charts"),
    *("read_icc", "read_map", "read_picture", "read_raw", "read_small", "read_tag", "small_seeds"),
]

Seeds = list[tuple[str, bytes]]


def file_of(folder: str, name: str, data: bytes) -> Path:
    """Write what is read into the folder that the reader may write to."""
    path = Path(folder) / name
    path.write_bytes(data)
    return path


def read_picture(name: str, data: bytes, _: str) -> None:
    """Decode; what comes is an upright picture of the size that is told."""
    from polypward_vision.load import decode

    photo = decode(data)
    assert photo.rgb.ndim == 3, photo.rgb.shape
    assert photo.rgb.shape[2] == 3, photo.rgb.shape
    assert tuple(full // photo.scale for full in photo.full_size) == photo.rgb.shape[:2]
    _check_about(photo)
    _check_encoding(photo.icc)


def read_raw(name: str, data: bytes, _: str) -> None:
    """Develop a raw file."""
    from polypward_vision.load import decode_raw

    _check_about(decode_raw(data))


def _check_about(photo: Any) -> None:
    for moment in (photo.taken_at, photo.gps_at):
        assert moment is None or 1990 <= moment.year <= 9999, moment
    assert photo.camera.isprintable(), photo.camera
    assert len(photo.camera) <= 161, photo.camera
    assert photo.focal_35mm is None or 5 <= photo.focal_35mm <= 1000, photo.focal_35mm


def _check_encoding(encoding: Any) -> None:
    import numpy as np

    xyz = encoding.to_xyz_d50(np.array([[0, 0, 0], [9, 99, 255]], np.uint8))
    assert np.isfinite(xyz).all(), xyz
    assert np.abs(xyz).max() < 10, xyz


def read_icc(name: str, data: bytes, _: str) -> None:
    """Read an ICC profile."""
    from polypward_vision.colour.icc import encoding_of_profile

    for top in (255.0, 65535.0):
        _check_encoding(encoding_of_profile(data, top=top))


def read_map(name: str, data: bytes, folder: str) -> None:
    """Read a painted map."""
    from polypward_cli.teaching.painting import read_painted

    labels = read_painted(file_of(folder, "map.png", data), shape=(48, 64))
    assert labels.shape == (48, 64), labels.shape
    assert labels.max() <= 3, labels.max()


def map_seeds() -> Seeds:
    """Return a painted map, a grey one, and one with a palette."""
    import numpy as np
    from PIL import Image

    from polypward_cli.teaching.painting import painted

    labels = np.zeros((48, 64), np.uint8)
    labels[5:30, 9:50], labels[30:40, 9:50] = 1, 2
    seeds = [("painted", painted(labels))]
    for kind in ("L", "P"):
        stream = io.BytesIO()
        Image.fromarray(labels).convert(kind).save(stream, "PNG")
        seeds.append((kind, stream.getvalue()))
    return seeds


def read_small(name: str, data: bytes, _: str) -> None:
    """Read what a small picture of the ward shows."""
    from polypward_cli.small import shown_by

    shown = shown_by(data)
    if shown is None:
        raise BadInputError("damaged, so that it is made again")
    assert min(shown.width, shown.height, *shown.frame[2:]) > 0, shown
    assert all(set(path) <= set("MLZ0123456789. -") for path in shown.outlines.values()), shown


def small_seeds() -> Seeds:
    """Return a small picture with and without outlines."""
    import numpy as np

    from polypward_cli.small import draw_small

    labels = np.zeros((48, 64), np.uint8)
    labels[5:30, 9:50], labels[30:40, 9:50] = 1, 2
    drawn = (draw_small(np.full((48, 64, 3), 90, np.uint8), map_) for map_ in (labels, None))
    return [(f"picture {i}", data) for i, data in enumerate(drawn) if data is not None]


def change_small(data: bytes, rng: random.Random) -> bytes:
    """Change the file, or what its comment tells, so that its sum is right."""
    if rng.random() < 0.4:
        return change.change_bytes(data, rng)
    at = 4 + int.from_bytes(data[4:6])  # behind the first segment
    end = at + 2 + int.from_bytes(data[at + 2 : at + 4])
    told = change.change_json(zlib.decompress(data[at + 4 : end]), rng)
    comment = zlib.compress(told)[:65_533]
    return data[:at] + b"\xff\xfe" + (len(comment) + 2).to_bytes(2) + comment + data[end:]


def read_tag(name: str, data: bytes, _: str) -> None:
    """Print a text as a square code, photograph it from above, and say whose photo that is."""
    import numpy as np
    import segno

    from polypward_cli.naming import MAX_NAME, Names, clean_name
    from polypward_cli.scan import whose_photo
    from polypward_vision.codes import find_tags, read_serial

    try:
        modules = np.array(segno.make_qr(data, error="l").matrix, np.uint8)
    except segno.DataOverflowError as error:
        raise BadInputError(f"too much for a square code: {error}") from error
    light = np.pad(255 * (1 - modules), 6, constant_values=255)
    grey = np.asarray(np.kron(light, np.ones((6, 6), np.uint8)), np.uint8)
    assert read_serial(grey, layout="frame", to_px=np.eye(3)) is None
    tags = tuple(one.name for one in find_tags(grey, np.eye(3)))
    if not tags:
        raise BadInputError("no tag in view")
    whose = whose_photo("IMG_0001.jpg", names=Names(["LAN-01"]), tags=tags)
    assert whose.specimen == clean_name(whose.specimen), whose
    assert len(whose.specimen) <= MAX_NAME, whose
    assert whose.specimen.isprintable(), whose
    assert bool(whose.specimen) != bool(whose.code), whose


def change_tag(data: bytes, rng: random.Random) -> bytes:
    """Put a hostile text behind the words that make a tag, or change the words too."""
    if rng.random() < 0.3:
        return change.change_text(data, rng)[:300]
    return b"PWTAG " + change.change_text(b"LAN-01", rng)[:150]


def read_charts(name: str, data: bytes, _: str) -> None:
    """Read charts that a ward keeps; what is shown of them runs and fetches nothing."""
    from polypward_cli.report.drawn import charts_in

    found = charts_in(zlib.compress(data, 1))
    if found is None or len(found) < len(json.loads(data)):
        raise BadInputError("damaged, so that it is drawn again")
    for chart in found.values():
        assert set(re.findall(r"<(\w*)", chart)) <= {"", "g", "path", "title"}, chart
        assert not re.search(r"<[^>]*\b(?:on\w+|style|href|src)=", chart), chart


def chart_seeds() -> Seeds:
    """Return charts as a ward keeps them, unpacked."""
    good = '<g class="dot"><path transform="translate(54,20)" d="M3,0Z"><title>a</title></path></g>'
    bad = '<g onclick="x"><script src="y"></script></g>'
    told = (("charts", {"a": good, "b": "<g>&lt;</g>"}), ("more", {"a": bad}))
    return [(name, json.dumps(charts).encode()) for name, charts in told]
