"""From the bytes of a picture file to a `DecodedPhoto`: the only module that opens photos."""

import io
import struct
import threading
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pillow_heif
from PIL import ExifTags, Image, UnidentifiedImageError

from polypward.errors import PhotoRejectedError
from polypward_vision.colour.icc import DISPLAY_P3_TO_XYZ_D50, Encoding, encoding_of_profile
from polypward_vision.photo import DecodedPhoto, Pixels
from polypward_vision.raw import RAW_SUFFIXES, develop_raw

__all__ = ["MAX_MEGAPIXELS", "DecodedPhoto", "decode", "decode_raw", "load_photo"]

# A picture is refused above this, before any of it is decoded.
MAX_MEGAPIXELS = 200
# The same for a picture that cannot be decoded at a smaller scale: all but a JPEG in one pass.
MAX_WHOLE_MEGAPIXELS = 125
# A picture is decoded at 1/2 or 1/4 as long as this many pixels remain: enough for a 0.2 mm
# cut-out of a card that fills the picture, and where it does not, `DecodedPhoto.finer` helps.
ENOUGH_PX = 1_900_000

# Kinds of file that are opened; nothing else that Pillow knows is ever tried on them.
_FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "HEIF", "AVIF", "BMP", "GIF")
_MAGIC = (b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\0", b"MM\0*", b"GIF8", b"BM")
# Kinds whose decoders turn the picture themselves.
_TURNED = ("HEIF", "AVIF")
# Kinds in which several frames are a film and not a photo with its extras.
_FILMS = ("GIF", "WEBP", "PNG", "AVIF")
_STRIP = 512  # rows
_EARLIEST_YEAR = 1990  # before digital cameras: an unset clock
# CICP colour primaries of Display P3 (ITU-T H.273, table 2).
_P3_PRIMARIES = 12

pillow_heif.register_heif_opener()
_lock = threading.Lock()


def load_photo(path: Path | str) -> DecodedPhoto:
    """Read and decode a picture file; see `decode`.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    path = Path(path)
    if path.suffix.lower() in RAW_SUFFIXES:
        return decode_raw(path.read_bytes())
    return decode(path.read_bytes())


def decode(data: bytes) -> DecodedPhoto:
    """Decode a picture file once, upright, at the scale that the card needs.

    JPEG, HEIC, PNG, TIFF, WebP, AVIF and BMP; 16 bits stay 16 bits; greyscale, CMYK, palette and
    transparency become RGB.

    Parameters
    ----------
    data : bytes
        The whole file.

    Raises
    ------
    PhotoRejectedError
        ``empty``, ``not-a-picture``, ``unreadable`` or ``too-large``.
    """
    return _decode(data, full=False)


def _decode(data: bytes, *, full: bool) -> DecodedPhoto:
    if not data:
        raise PhotoRejectedError("empty", "the file holds no bytes")
    with _careful(data), Image.open(io.BytesIO(data), formats=_FORMATS) as image:
        width, height = image.size
        jpeg = image.format in ("JPEG", "MPO")
        whole = not jpeg or "progressive" in image.info
        most = MAX_WHOLE_MEGAPIXELS if whole else MAX_MEGAPIXELS
        if width * height > most * 1_000_000:
            raise PhotoRejectedError(
                "too-large", f"{width * height / 1e6:.0f} megapixels, of at most {most}"
            )
        frames = getattr(image, "n_frames", 1)
        if image.format in _FILMS and frames > 1:
            raise PhotoRejectedError("not-a-picture", f"a film of {frames} frames")
        about = _about(image)
        scale = 1 if full else _scale(width * height)
        if jpeg and scale > 1:
            # Of a size rounded up, a picture whose sides are no multiples would come at half.
            image.draft(None, (width // scale, height // scale))
        pixels = _sixteen_bits(image, data, scale)
        if pixels is None:
            pixels = _as_array(_to_rgb(image))
        profile, primaries = image.info.get("icc_profile"), image.info.get("nclx_profile")
        orientation = 1 if image.format in _TURNED else about.pop("orientation")
        about.pop("orientation", None)
    # What is left over at the right and at the bottom is less than a pixel.
    pixels = _shrink(pixels, scale, width=width)[: height // scale, : width // scale]
    top = float(np.iinfo(pixels.dtype).max)
    icc = encoding_of_profile(profile, top=top)
    if not profile and _is_p3(primaries):
        icc = replace(icc, matrix=DISPLAY_P3_TO_XYZ_D50, name="Display P3")
    turned = orientation >= 5
    return DecodedPhoto(
        rgb=_upright(pixels, orientation),
        scale=scale,
        full_size=(width, height) if turned else (height, width),
        icc=icc,
        finer=partial(_decode, data, full=True) if scale > 1 else None,
        **about,
    )


def decode_raw(data: bytes, *, full: bool = False) -> DecodedPhoto:
    """Decode a camera's raw file to linear light in 16 bits, upright (the extra `raw`).

    Raises
    ------
    PhotoRejectedError
        ``needs-raw`` without the extra, else as `decode`.
    """
    if not data:
        raise PhotoRejectedError("empty", "the file holds no bytes")
    with _careful(data):
        made = develop_raw(io.BytesIO(data), most_px=MAX_MEGAPIXELS * 1e6, half=not full)
        about = _about_raw(data, made.preview)
    rows, cols = made.rgb.shape[:2]
    if made.scale > 1 and rows * cols < ENOUGH_PX:
        return decode_raw(data, full=True)
    line = np.tile(np.linspace(0.0, 1.0, 2), (3, 1))
    return DecodedPhoto(
        rgb=made.rgb,
        scale=made.scale,
        full_size=(rows * made.scale, cols * made.scale),
        icc=Encoding(top=65535.0, curves=line, name="linear"),
        finer=partial(decode_raw, data, full=True) if made.scale > 1 else None,
        **about,
    )


def _about_raw(data: bytes, preview: bytes | None) -> dict[str, Any]:
    """Read the EXIF data of a raw file: its own where it is a TIFF, else its preview's."""
    found: dict[str, Any] = {}
    for exif_of in (partial(_exif_of_tiff, data), partial(_exif_of_jpeg, preview or b"")):
        about = _about_exif(exif_of)
        found |= {name: value for name, value in about.items() if not found.get(name)}
    found.pop("orientation", None)
    return found


def _exif_of_tiff(data: bytes) -> Image.Exif:
    exif = Image.Exif()
    exif.load(data)
    return exif


def _exif_of_jpeg(data: bytes) -> Image.Exif:
    with Image.open(io.BytesIO(data), formats=("JPEG", "MPO")) as image:
        return image.getexif()


@contextmanager
def _careful(data: bytes) -> Iterator[None]:
    """Turn whatever a decoder says about a broken file into its reason code."""
    known = data.startswith(_MAGIC) or data[4:8] == b"ftyp" or data[8:12] == b"WEBP"
    with _lock, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        limit, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, MAX_MEGAPIXELS * 500_000
        try:
            yield
        except PhotoRejectedError:
            raise
        except Image.DecompressionBombError as error:  # twice Pillow's limit, that is ours
            raise PhotoRejectedError(
                "too-large", f"more than {MAX_MEGAPIXELS} megapixels"
            ) from error
        except MemoryError as error:
            raise PhotoRejectedError("too-large", "not enough memory to decode it") from error
        except UnidentifiedImageError as error:
            code, detail = (
                ("unreadable", "it begins like a picture but goes no further")
                if known
                else ("not-a-picture", "it does not begin like any picture file")
            )
            raise PhotoRejectedError(code, detail) from error
        except Exception as error:  # decoders raise almost anything on hostile bytes
            raise PhotoRejectedError("unreadable", str(error)[:200]) from error
        finally:
            Image.MAX_IMAGE_PIXELS = limit


def _scale(pixels: int) -> int:
    return next((scale for scale in (4, 2) if pixels / scale**2 >= ENOUGH_PX), 1)


def _to_rgb(image: Image.Image) -> Image.Image:
    if image.mode == "RGB":
        image.load()
        return image
    if image.mode in ("P", "PA"):
        return image.convert("RGBA").convert("RGB")
    return image.convert("RGB")


def _as_array(image: Image.Image) -> Pixels:
    """Pixels (rows, cols, 3) of an RGB picture, copied strip by strip: once, not three times."""
    pixels = np.empty((image.height, image.width, 3), np.uint8)
    for top in range(0, image.height, _STRIP):
        end = min(top + _STRIP, image.height)
        pixels[top:end] = np.asarray(image.crop((0, top, image.width, end)))
    return pixels


def _sixteen_bits(image: Image.Image, data: bytes, scale: int) -> Pixels | None:
    """Pixels (rows, cols, 3) of a PNG or TIFF of 16 bits, which Pillow would cut to 8."""
    deep = image.mode.startswith("I;16") or image.mode == "I"
    if image.format == "PNG":
        deep = deep or data[24:25] == b"\x10"
    elif image.format == "TIFF":
        tags: Any = getattr(image, "tag_v2", {})
        bits = tags.get(258, 8)
        deep = deep or max(bits if isinstance(bits, tuple) else (bits,)) == 16
    if not deep:
        return None
    flags = cv2.IMREAD_COLOR | cv2.IMREAD_ANYDEPTH | cv2.IMREAD_IGNORE_ORIENTATION
    pixels: Any = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if pixels is None or pixels.dtype not in (np.uint8, np.uint16):
        raise PhotoRejectedError("unreadable", "a picture of 16 bits that cannot be decoded")
    small: Any = _shrink(pixels, scale, width=0)
    upright: Pixels = np.ascontiguousarray(small[..., ::-1])
    return upright


def _shrink(pixels: Pixels, scale: int, *, width: int) -> Pixels:
    """Average blocks of `scale` x `scale` pixels where the decoder has not done so."""
    if scale == 1 or pixels.shape[1] < width:
        return pixels
    rows, cols = pixels.shape[0] // scale, pixels.shape[1] // scale
    whole = pixels[: rows * scale, : cols * scale]
    small: Any = cv2.resize(whole, (cols, rows), interpolation=cv2.INTER_AREA)
    return small  # type: ignore[no-any-return]


def _upright(pixels: Pixels, orientation: int) -> Pixels:
    """Turn stored rows and columns upright (EXIF 2.3, tag 0x0112)."""
    turned: Any = pixels.transpose(1, 0, 2) if orientation >= 5 else pixels
    if orientation in (3, 4, 7, 8):
        turned = turned[::-1]
    if orientation in (2, 3, 6, 7):
        turned = turned[:, ::-1]
    upright: Pixels = np.ascontiguousarray(turned)
    return upright


def _is_p3(nclx: Any) -> bool:
    return isinstance(nclx, dict) and nclx.get("color_primaries") == _P3_PRIMARIES


def _about(image: Image.Image) -> dict[str, Any]:
    """Read the EXIF data; nothing where they are missing, absurd or damaged."""
    return _about_exif(image.getexif)


def _about_exif(exif_of: Callable[[], Image.Exif]) -> dict[str, Any]:
    """Read EXIF data that a call gives; as `_about`."""
    tags: dict[int, Any] = {}
    place: dict[int, Any] = {}
    try:
        exif = exif_of()
        tags.update(exif)
        tags.update(exif.get_ifd(ExifTags.IFD.Exif))
        place = exif.get_ifd(ExifTags.IFD.GPSInfo)
    except Exception:  # damaged EXIF data raise almost anything
        pass
    orientation = tags.get(ExifTags.Base.Orientation, 1)
    return {
        "orientation": orientation if orientation in range(1, 9) else 1,
        "taken_at": _time(
            tags.get(ExifTags.Base.DateTimeOriginal), tags.get(ExifTags.Base.OffsetTimeOriginal)
        ),
        "gps_at": _fix_time(
            place.get(ExifTags.GPS.GPSDateStamp), place.get(ExifTags.GPS.GPSTimeStamp)
        ),
        "focal_35mm": _focal(tags.get(ExifTags.Base.FocalLengthIn35mmFilm)),
        "camera": " ".join(
            part
            for tag in (ExifTags.Base.Make, ExifTags.Base.Model)
            if (part := _text(tags.get(tag)))
        ),
    }


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        value = value.decode("ascii", "ignore")
    if not isinstance(value, str):
        return ""
    return "".join(sign for sign in value if sign.isprintable()).strip()[:80]


def _time(moment: Any, offset: Any) -> datetime | None:
    try:
        time = datetime.strptime(_text(moment)[:19], "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    if time.year < _EARLIEST_YEAR:
        return None
    text = _text(offset)
    try:
        sign = {"+": 1, "-": -1}[text[0]]
        hours, minutes = (int(part) for part in text[1:].split(":"))
        zone = timezone(sign * timedelta(hours=hours, minutes=minutes))
    except (IndexError, KeyError, ValueError):
        return time
    return time.replace(tzinfo=zone)


def _fix_time(day: Any, clock: Any) -> datetime | None:
    """Time of a satellite fix (EXIF 2.3, tags 0x001D and 0x0007: a date, and h, m, s in UTC)."""
    try:
        hours, minutes, seconds = (float(part) for part in clock)
        start = datetime.strptime(_text(day)[:10], "%Y:%m:%d").replace(tzinfo=UTC)
        at = start + timedelta(hours=hours, minutes=minutes, seconds=seconds)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError, struct.error):
        return None
    whole = 0 <= hours < 24 and 0 <= minutes < 60 and 0 <= seconds < 61
    return at if whole and at.year >= _EARLIEST_YEAR else None


def _focal(value: Any) -> float | None:
    try:
        focal = float(value)
    except (TypeError, ValueError, ZeroDivisionError, struct.error):
        return None
    return focal if 5 <= focal <= 1000 else None
