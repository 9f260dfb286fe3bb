"""The time of a photo's satellite fix, EXIF 2.3, tags 0x001D (date) and 0x0007 (time in UTC)."""

import io
from datetime import UTC, datetime
from fractions import Fraction

import pytest
from PIL import ExifTags, Image
from PIL.TiffImagePlugin import IFDRational

from polypward_vision.load import decode


def jpeg(day: object, clock: object) -> bytes:
    exif = Image.Exif()
    place = exif.get_ifd(ExifTags.IFD.GPSInfo)
    if day is not None:
        place[ExifTags.GPS.GPSDateStamp] = day
    if clock is not None:
        place[ExifTags.GPS.GPSTimeStamp] = clock
    stream = io.BytesIO()
    Image.new("RGB", (64, 48), "grey").save(stream, "JPEG", exif=exif)
    return stream.getvalue()


def clock(*parts: object) -> tuple[IFDRational, ...]:
    return tuple(IFDRational(Fraction(str(part))) for part in parts)


def test_a_fix_is_read_as_utc() -> None:
    photo = decode(jpeg("2025:03:09", clock(23, 59, 58)))
    assert photo.gps_at == datetime(2025, 3, 9, 23, 59, 58, tzinfo=UTC)


@pytest.mark.parametrize(
    ("day", "parts"),
    [
        (None, (10, 0, 0)),
        ("2025:03:09", None),
        ("2025:13:09", (10, 0, 0)),
        ("0000:00:00", (0, 0, 0)),
        ("1970:01:01", (0, 0, 0)),
        ("2025:03:09", (25, 0, 0)),
        ("2025:03:09", (10, 60, 0)),
        ("2025:03:09", (10,)),
    ],
)
def test_what_is_no_time_is_none(day: str | None, parts: tuple[int, ...] | None) -> None:
    assert decode(jpeg(day, clock(*parts) if parts else None)).gps_at is None
