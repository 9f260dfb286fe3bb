"""Broken and hostile files, drawn by code: what a folder of photos may hold besides photos."""

import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pillow_heif
from exif import Image as ExifImage
from PIL import Image

__all__ = ["GOOD_ODD_NAMES", "PICTURES", "REJECTED", "write_folder"]


def _image(rows: int = 60, columns: int = 80) -> Image.Image:
    rng = np.random.default_rng(7)
    return Image.fromarray(rng.integers(0, 255, (rows, columns, 3), np.uint8))


def _as(kind: str, image: Image.Image | None = None, **options: object) -> bytes:
    out = io.BytesIO()
    (image or _image()).save(out, kind, **options)
    return out.getvalue()


def _heic() -> bytes:
    out = io.BytesIO()
    pillow_heif.from_pillow(_image()).save(out, quality=90)
    return out.getvalue()


def _png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _png_bomb() -> bytes:
    """A few hundred bytes that promise 60 000 x 60 000 pixels, 10.8 GB when decoded."""
    head = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    body = zlib.compress(bytes(200_000), 9)
    return (
        b"\x89PNG\r\n\x1a\n"
        + _png_chunk(b"IHDR", head)
        + _png_chunk(b"IDAT", body)
        + _png_chunk(b"IEND", b"")
    )


def _jpeg_bomb() -> bytes:
    """A small JPEG whose frame header was changed to 65 500 x 65 500 pixels."""
    data = bytearray(_as("JPEG"))
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = struct.pack(">HH", 65_500, 65_500)
    return bytes(data)


def _gif() -> bytes:
    frames = [_image().quantize(16) for _ in range(3)]
    return _as("GIF", frames[0], save_all=True, append_images=frames[1:], loop=0)


def _sixteen_bits() -> bytes:
    """An uncompressed baseline TIFF of 60 x 80 pixels, three channels of 16 bits."""
    rows, columns = 60, 80
    pixels = np.random.default_rng(7).integers(0, 65_535, (rows, columns, 3), np.uint16)
    data = pixels.astype("<u2").tobytes()
    bits_at = 8 + len(data)
    entries = [
        (256, 4, 1, columns),
        (257, 4, 1, rows),
        (258, 3, 3, bits_at),
        (259, 3, 1, 1),
        (262, 3, 1, 2),
        (273, 4, 1, 8),
        (277, 3, 1, 3),
        (278, 4, 1, rows),
        (279, 4, 1, len(data)),
        (284, 3, 1, 1),
    ]
    directory = struct.pack("<H", len(entries))
    directory += b"".join(struct.pack("<HHII", *entry) for entry in entries) + bytes(4)
    return b"II*\x00" + struct.pack("<I", bits_at + 6) + data + b"\x10\0\x10\0\x10\0" + directory


def _jpeg_dated(text: str) -> bytes:
    image = ExifImage(_as("JPEG"))
    image.datetime_original = "2026:01:01 00:00:00"
    return image.get_file().replace(b"2026:01:01 00:00:00", text.encode().ljust(19)[:19])


def _jpeg_with_broken_exif() -> bytes:
    """The directory of the EXIF block points far behind its end and counts 65 535 entries."""
    block = b"Exif\0\0MM\0*" + struct.pack(">I", 0x7FFFFFF0) + b"\xff\xff" * 40
    data = _as("JPEG")
    return data[:2] + b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block + data[2:]


_SCRIPT = b"""<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>"""
_HTML = b"<!doctype html><title>Not found</title>"

# Files that give no pixels: their name and the code each must get.
REJECTED: dict[str, tuple[bytes, str]] = {
    "zero.jpg": (b"", "empty"),
    "zero.heic": (b"", "empty"),
    "text.jpg": (b"Dear diary, no picture today.\n" * 9, "not-a-picture"),
    "script.png": (_SCRIPT, "not-a-picture"),
    "page.jpeg": (_HTML, "not-a-picture"),
    "archive.jpg": (b"PK\x03\x04" + bytes(300), "not-a-picture"),
    "nulls.jpg": (bytes(4096), "not-a-picture"),
    "half.jpg": (_as("JPEG", quality=90)[: len(_as("JPEG", quality=90)) // 2], "unreadable"),
    "half.png": (_as("PNG")[: len(_as("PNG")) // 2], "unreadable"),
    "half.heic": (_heic()[: len(_heic()) // 2], "unreadable"),
    "header-only.jpg": (_as("JPEG")[:24], "unreadable"),
    "bomb.png": (_png_bomb(), "too-large"),
    "bomb.jpg": (_jpeg_bomb(), "too-large"),
}

# Odd files that are pictures all the same: they decode, and fail later (no card in them).
PICTURES: dict[str, bytes] = {
    "cmyk.jpg": _as("JPEG", _image().convert("CMYK")),
    "grey.jpg": _as("JPEG", _image().convert("L")),
    "palette.png": _as("PNG", _image().quantize(16)),
    "transparent.png": _as("PNG", _image().convert("RGBA")),
    "sixteen-bits.tif": _sixteen_bits(),
    "one-pixel.png": _as("PNG", _image(1, 1)),
    "one-row.png": _as("PNG", _image(1, 500)),
    "broken-exif.jpg": _jpeg_with_broken_exif(),
    "year-zero.jpg": _jpeg_dated("0000:00:00 00:00:00"),
    "year-9999.jpg": _jpeg_dated("9999:99:99 99:99:99"),
    "blank-date.jpg": _jpeg_dated(""),
    "words-for-date.jpg": _jpeg_dated("yesterday afternoon"),
    "heic-named.jpg": _heic(),
    "jpeg-named.png": _as("JPEG", _image(62, 80)),
    "UPPER.JPG": _as("JPEG", _image(63, 80)),
}

# A picture file that is not a still photograph: either answer is right, a crash is not.
MOVING: dict[str, bytes] = {"moving.jpg": _gif(), "moving.gif": _gif()}

GOOD_ODD_NAMES = (
    "two words.jpg",
    "quote'and\"double.jpg",
    "=HYPERLINK(evil).jpg",
    "+plus@at.jpg",
    "珊瑚 ünïcode.jpg",
    "semi;colon,comma.jpg",
    "line\nbreak.jpg",
    "[bold red]markup[-].jpg",
    "<b>html & co.jpg",
    "-dash.jpg",
    "%s{0}.jpg",
    "bell\x07 and clear\x1b[2J.jpg",
)


def write_folder(folder: Path) -> list[str]:
    """Write all of them below `folder`; return the names of those that carry a picture suffix."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, (data, _) in REJECTED.items():
        (folder / name).write_bytes(data)
    for name, data in {**PICTURES, **MOVING}.items():
        (folder / name).write_bytes(data)
    for number, name in enumerate(GOOD_ODD_NAMES):
        # Each its own bytes, so that none is taken for a copy of another.
        (folder / name).write_bytes(_as("JPEG", _image(60, 90 + number)))
    deep = folder.joinpath(*(f"level {n}" for n in range(30)))
    deep.mkdir(parents=True)
    (deep / "deep.jpg").write_bytes(_as("JPEG", _image(61, 80)))
    (folder / "directory.jpg").mkdir()
    (folder / "loop").symlink_to(folder, target_is_directory=True)
    (folder / "dangling.jpg").symlink_to(folder / "nowhere.jpg")
    (folder / "notes.txt").write_text("not a picture and not named like one")
    return [*REJECTED, *PICTURES, *MOVING, *GOOD_ODD_NAMES, "deep.jpg"]
