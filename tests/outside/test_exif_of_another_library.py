"""EXIF data written by another library (the package `exif`) is read by our loader."""

import io
from datetime import datetime, timedelta

import numpy as np
import pytest
from exif import Image as ExifImage
from PIL import Image

from polypward_vision.load import decode

# 40 rows, 64 columns; the top left corner is red, the rest grey.
ROWS, COLUMNS = 40, 64


def jpeg_with(**tags: object) -> bytes:
    pixels = np.full((ROWS, COLUMNS, 3), 128, np.uint8)
    pixels[:16, :16] = (200, 20, 20)
    plain = io.BytesIO()
    Image.fromarray(pixels).save(plain, "JPEG", quality=95, subsampling=0)
    image = ExifImage(plain.getvalue())
    for name, value in tags.items():
        setattr(image, name, value)
    return image.get_file()


def test_time_with_offset() -> None:
    photo = decode(
        jpeg_with(datetime_original="2026:01:12 14:30:05", offset_time_original="+09:00")
    )
    assert photo.taken_at is not None
    assert photo.taken_at.utcoffset() == timedelta(hours=9)
    assert photo.taken_at.replace(tzinfo=None) == datetime(2026, 1, 12, 14, 30, 5)


def test_time_without_offset_stays_without_zone() -> None:
    photo = decode(jpeg_with(datetime_original="2026:01:12 14:30:05"))
    assert photo.taken_at == datetime(2026, 1, 12, 14, 30, 5)
    assert photo.taken_at.tzinfo is None


def test_camera_and_focal_length() -> None:
    photo = decode(jpeg_with(make="Invented", model="Phone 1", focal_length_in_35mm_film=26))
    assert photo.focal_35mm == 26
    assert "Phone 1" in photo.camera


def test_no_exif() -> None:
    photo = decode(jpeg_with())
    assert (photo.taken_at, photo.focal_35mm) == (None, None)


@pytest.mark.parametrize(
    ("orientation", "red_at"),
    # EXIF 2.3, tag 0x0112: where the stored first row and first column lie in the upright picture.
    [
        (1, "top left"),
        (2, "top right"),
        (3, "bottom right"),
        (4, "bottom left"),
        (5, "top left"),
        (6, "top right"),
        (7, "bottom right"),
        (8, "bottom left"),
    ],
)
def test_orientation(orientation: int, red_at: str) -> None:
    rgb = decode(jpeg_with(orientation=orientation)).rgb
    assert rgb.shape == ((ROWS, COLUMNS, 3) if orientation <= 4 else (COLUMNS, ROWS, 3))
    rows, columns = red_at.split()
    corner = rgb[
        slice(2, 14) if rows == "top" else slice(-14, -2),
        slice(2, 14) if columns == "left" else slice(-14, -2),
    ]
    np.testing.assert_allclose(corner.reshape(-1, 3).mean(0), (200, 20, 20), atol=3)  # JPEG
