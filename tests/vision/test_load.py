"""Scale, turning and depth of decoded photos; broken files are in test_hostile_files."""

import io

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image

from polypward.errors import PhotoRejectedError
from polypward_vision.load import decode


def ramp(rows: int, cols: int) -> np.ndarray:
    """Red grows with the column, green with the row, so that a pixel's value tells its place."""
    picture = np.zeros((rows, cols, 3), np.uint8)
    picture[..., 0] = np.linspace(20, 230, cols)
    picture[..., 1] = np.linspace(20, 230, rows)[:, None]
    picture[..., 2] = 90
    return picture


def encoded(picture: np.ndarray, kind: str, **how) -> bytes:
    out = io.BytesIO()
    if kind == "HEIF":
        pillow_heif.from_pillow(Image.fromarray(picture)).save(out, quality=90, **how)
    else:
        Image.fromarray(picture).save(out, kind, **how)
    return out.getvalue()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "HEIF", "WEBP"])
def test_large_pictures_come_smaller(kind) -> None:
    """8 MP and more come at half scale, with pixel centres at x_full = (x + 0.5) k - 0.5."""
    picture = ramp(2448, 3264)  # the smallest that is made smaller has 7.6 MP
    how = {"quality": 95} if kind == "JPEG" else {"compress_level": 1} if kind == "PNG" else {}
    photo = decode(encoded(picture, kind, **how))
    assert (photo.scale, photo.full_size, photo.rgb.shape) == (2, (2448, 3264), (1224, 1632, 3))
    at = (500, 1200)
    full = [int((v + 0.5) * 2 - 0.5) for v in at]
    expected = picture[full[0] : full[0] + 2, full[1] : full[1] + 2].reshape(-1, 3).mean(axis=0)
    np.testing.assert_allclose(photo.rgb[at], expected, atol=3)
    assert photo.finer is not None
    whole = photo.finer()
    assert (whole.scale, whole.rgb.shape, whole.finer) == (1, picture.shape, None)


def test_odd_sizes_and_small_pictures() -> None:
    photo = decode(encoded(ramp(2001, 3999), "JPEG"))
    assert (photo.scale, photo.full_size) == (2, (2001, 3999))
    # A last row or column of half a pixel is dropped.
    assert photo.rgb.shape == (1000, 1999, 3)
    small = decode(encoded(ramp(1201, 1603), "JPEG"))
    assert (small.scale, small.rgb.shape, small.finer) == (1, (1201, 1603, 3), None)


@pytest.mark.parametrize("size", [(5001, 6402), (5002, 6403), (5000, 6401), (5003, 6400)])
def test_sides_that_are_no_multiples_of_four_come_at_the_scale_that_is_told(size) -> None:
    """A JPEG of 32 MP comes at a quarter: rows and columns are those of the file over 4."""
    photo = decode(encoded(ramp(*size), "JPEG", quality=40))
    assert (photo.scale, photo.full_size) == (4, size)
    assert photo.rgb.shape == (size[0] // 4, size[1] // 4, 3)
    # Red tells the column: 20..230 over the width; JPEG strays by two or three.
    col = photo.rgb.shape[1] - 2
    expected = 20 + 210 * ((col + 0.5) * 4 - 0.5) / (size[1] - 1)
    assert photo.rgb[600, col, 0] == pytest.approx(expected, abs=4)


@pytest.mark.parametrize("marker", [b"\xff\xda\x00\x08", b"\xff\xc0\x00\x11", b"\xff\xc4\x00\x00"])
def test_a_large_jpeg_with_a_damaged_middle_is_refused(marker) -> None:
    """A scan, a frame or a table begins where none can: lenient decoders go on with grey."""
    coarse = np.random.default_rng(5).integers(0, 256, (306, 408, 3), np.uint8)
    data = encoded(cv2.resize(coarse, (3264, 2448)), "JPEG", quality=90)
    half = len(data) // 2
    with pytest.raises(PhotoRejectedError) as caught:
        decode(data[:half] + marker + data[half:])
    assert caught.value.code == "unreadable"


def test_a_large_jpeg_that_breaks_off_is_refused() -> None:
    coarse = np.random.default_rng(6).integers(0, 256, (306, 408, 3), np.uint8)
    data = encoded(cv2.resize(coarse, (3264, 2448)), "JPEG", quality=90)
    with pytest.raises(PhotoRejectedError, match="truncated"):
        decode(data[: len(data) // 2])


def test_heic_is_turned_once() -> None:
    """libheif turns the picture itself; turning it again by its EXIF data would be wrong."""
    exif = Image.Exif()
    exif[0x0112] = 6
    photo = decode(encoded(ramp(120, 200), "HEIF", exif=exif.tobytes()))
    assert photo.rgb.shape[:2] in {(120, 200), (200, 120)}
    upright = photo.rgb if photo.rgb.shape[0] == 120 else np.rot90(photo.rgb)
    assert photo.full_size == photo.rgb.shape[:2]
    assert upright.shape == (120, 200, 3)


def test_display_p3_by_its_number() -> None:
    """A HEIC without a profile may say Display P3 by its colour primaries (ITU-T H.273: 12)."""
    from polypward_vision.load import _is_p3

    assert _is_p3({"color_primaries": 12})
    assert not _is_p3({"color_primaries": 1})
    assert not _is_p3(None)


def test_sixteen_bit_png_keeps_its_depth() -> None:
    deep = (ramp(40, 60).astype(np.uint16) * 257 + 5)[..., ::-1]
    ok, data = cv2.imencode(".png", deep)
    assert ok
    photo = decode(data.tobytes())
    assert photo.rgb.dtype == np.uint16
    np.testing.assert_array_equal(photo.rgb, deep[..., ::-1])
    # The same light as in 8 bits.
    light = photo.icc.to_linear(photo.rgb)
    eight = decode(encoded(ramp(40, 60), "PNG"))
    np.testing.assert_allclose(light, eight.icc.to_linear(eight.rgb), atol=1e-3)


def test_damaged_profile_is_srgb() -> None:
    plain = decode(encoded(ramp(40, 60), "JPEG"))
    for profile in (b"\0" * 200, b"x" * 131, bytes(128) + b"\xff" * 400):
        photo = decode(encoded(ramp(40, 60), "JPEG", icc_profile=profile))
        np.testing.assert_array_equal(photo.icc.matrix, plain.icc.matrix)
        assert photo.icc.name == "sRGB"


def test_grey_ramp_of_the_encoding() -> None:
    """uint8 tables and interpolated floats say the same."""
    icc = decode(encoded(ramp(40, 60), "JPEG")).icc
    values = np.arange(256, dtype=np.uint8).repeat(3).reshape(-1, 1, 3).repeat(3, axis=1)
    np.testing.assert_allclose(
        icc.to_linear(values), icc.to_linear(values.astype(float)), atol=1e-6
    )
