"""Raw files: a DNG written here by its specification; what is said without the extra."""

import builtins
import io

import numpy as np
import pytest

from polypward.errors import PhotoRejectedError
from polypward_cli.scan import RAW_SUFFIXES as SCANNED
from polypward_cli.scan import find_photos
from polypward_vision.load import decode_raw, load_photo
from polypward_vision.raw import RAW_SUFFIXES

WHITE, BLACK = 4000, 100
# Colours of four fields, linear sRGB 0..1; the third is grey.
FIELDS = np.array([[0.6, 0.2, 0.1], [0.1, 0.5, 0.2], [0.4, 0.4, 0.4], [0.15, 0.2, 0.6]])
# XYZ (D65) to linear sRGB, IEC 61966-2-1.
XYZ_TO_SRGB = np.linalg.inv(
    np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
)


def dng(rows: int, cols: int, *, orientation: int = 1) -> bytes:
    """Write a DNG (Adobe DNG 1.4: an RGGB mosaic) of a camera whose primaries are those of sRGB."""
    tifffile = pytest.importorskip("tifffile")
    fields = np.zeros((rows, cols, 3))
    half = (rows // 2, cols // 2)
    fields[: half[0], : half[1]], fields[: half[0], half[1] :] = FIELDS[0], FIELDS[1]
    fields[half[0] :, : half[1]], fields[half[0] :, half[1] :] = FIELDS[2], FIELDS[3]
    mosaic = fields[..., 1].copy()
    mosaic[::2, ::2], mosaic[1::2, 1::2] = fields[::2, ::2, 0], fields[1::2, 1::2, 2]
    values = np.round(BLACK + mosaic * (WHITE - BLACK)).astype(np.uint16)
    matrix = [v for x in XYZ_TO_SRGB.ravel() for v in (round(x * 10000), 10000)]
    tags = [
        (274, 3, 1, orientation, True),
        (271, 2, 0, "Acme", True),
        (272, 2, 0, "Pocket 3", True),
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, bytes((0, 1, 1, 2)), True),
        (50706, 1, 4, bytes((1, 4, 0, 0)), True),
        (50708, 2, 0, "Acme Pocket 3", True),
        (50714, 3, 1, BLACK, True),
        (50717, 3, 1, WHITE, True),
        (50721, 10, 9, matrix, True),
        (50728, 5, 3, (1, 1, 1, 1, 1, 1), True),
        (50778, 3, 1, 21, True),  # D65
    ]
    out = io.BytesIO()
    tifffile.imwrite(
        out, values, photometric=32803, extratags=tags, compression=None, metadata=None
    )
    return out.getvalue()


def middles(rgb: np.ndarray) -> np.ndarray:
    rows, cols = rgb.shape[:2]
    return np.array([rgb[int(rows * y), int(cols * x)] for y in (0.25, 0.75) for x in (0.25, 0.75)])


def test_a_raw_file_becomes_linear_light() -> None:
    pytest.importorskip("rawpy")
    photo = decode_raw(dng(600, 800))
    assert (photo.rgb.dtype, photo.rgb.shape, photo.scale) == (np.uint16, (600, 800, 3), 1)
    assert photo.camera == "Acme Pocket 3"
    linear = photo.icc.to_linear(middles(photo.rgb).astype(float))
    # Truth: the light that was written; 12 bits and the fields' own matrix leave 1 %.
    np.testing.assert_allclose(linear / linear[2, 1] * 0.4, FIELDS, atol=0.02)


def test_large_raw_files_come_at_half_scale_and_finer_on_demand() -> None:
    pytest.importorskip("rawpy")
    photo = decode_raw(dng(2448, 3264))
    assert (photo.scale, photo.full_size) == (2, (2448, 3264))
    assert photo.rgb.shape == (1224, 1632, 3)
    assert photo.finer is not None
    whole = photo.finer()
    assert (whole.scale, whole.rgb.shape) == (1, (2448, 3264, 3))
    np.testing.assert_allclose(
        middles(whole.rgb).astype(float), middles(photo.rgb).astype(float), rtol=0.02, atol=300
    )


def test_a_raw_file_comes_upright_once() -> None:
    pytest.importorskip("rawpy")
    photo = decode_raw(dng(600, 800, orientation=6))
    assert photo.full_size == (800, 600)
    # Turned clockwise: what was at the bottom left is at the top left.
    linear = photo.icc.to_linear(middles(photo.rgb).astype(float))
    np.testing.assert_allclose(linear[0] / linear[0, 1], FIELDS[2] / FIELDS[2][1], atol=0.05)


@pytest.mark.parametrize(
    ("data", "code"), [(b"", "empty"), (b"no picture at all" * 20, "unreadable")]
)
def test_broken_raw_files(tmp_path, data, code) -> None:
    pytest.importorskip("rawpy")
    path = tmp_path / "a.dng"
    path.write_bytes(data)
    with pytest.raises(PhotoRejectedError) as caught:
        load_photo(path)
    assert caught.value.code == code


def test_without_the_extra_the_sentence_says_what_to_do(tmp_path, monkeypatch) -> None:
    real = builtins.__import__

    def without(name, *more, **how):
        if name == "rawpy":
            raise ImportError(name)
        return real(name, *more, **how)

    monkeypatch.setattr(builtins, "__import__", without)
    path = tmp_path / "a.NEF"
    path.write_bytes(b"II*\0" + bytes(100))
    with pytest.raises(PhotoRejectedError) as caught:
        load_photo(path)
    assert caught.value.code == "needs-raw"


def test_raw_files_are_found_unless_their_picture_lies_beside_them(tmp_path) -> None:
    assert SCANNED == RAW_SUFFIXES
    for name in ("a.DNG", "a.jpg", "b.dng", "c.cr2", "c.txt"):
        (tmp_path / name).write_bytes(b"x")
    scan = find_photos(tmp_path)
    assert [one.photo for one in scan.photos] == ["a.jpg", "b.dng", "c.cr2"]
    assert scan.skipped == 2
