"""Every broken or hostile file gets its own code and never stops the folder."""

import csv
import importlib.util
import os
import sys
import warnings
from pathlib import Path

import numpy as np
import pytest

from polypward.errors import PhotoRejectedError
from polypward.reasons import REASONS, REJECTIONS
from polypward_vision.load import decode, load_photo

_spec = importlib.util.spec_from_file_location(
    "hostile_files", Path(__file__).with_name("hostile_files.py")
)
assert _spec is not None
assert _spec.loader is not None
hostile = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(hostile)


def code_or_shape(data: bytes) -> str | tuple[int, ...]:
    """Return what the loader says: the code of its refusal, or the shape of the picture."""
    try:
        return decode(data).rgb.shape
    except PhotoRejectedError as error:
        return error.code


@pytest.mark.parametrize("name", hostile.REJECTED)
def test_rejected_file_has_its_own_code(name: str) -> None:
    data, code = hostile.REJECTED[name]
    with pytest.raises(PhotoRejectedError) as caught:
        decode(data)
    assert caught.value.code == code
    assert REASONS[code].rejects


@pytest.mark.parametrize("name", hostile.PICTURES)
def test_odd_picture_decodes(name: str) -> None:
    photo = decode(hostile.PICTURES[name])
    assert photo.rgb.ndim == 3
    assert photo.rgb.shape[2] == 3
    assert photo.rgb.dtype in (np.uint8, np.uint16)
    assert photo.full_size == (photo.rgb.shape[0] * photo.scale, photo.rgb.shape[1] * photo.scale)


def test_sixteen_bits_are_kept() -> None:
    photo = decode(hostile.PICTURES["sixteen-bits.tif"])
    assert photo.rgb.dtype == np.uint16
    assert len(np.unique(photo.rgb)) > 256


@pytest.mark.parametrize(
    "name", ["year-zero.jpg", "year-9999.jpg", "blank-date.jpg", "words-for-date.jpg"]
)
def test_absurd_date_is_no_date(name: str) -> None:
    assert decode(hostile.PICTURES[name]).taken_at is None


@pytest.mark.parametrize("name", hostile.MOVING)
def test_moving_picture_is_a_picture_or_is_refused(name: str) -> None:
    assert code_or_shape(hostile.MOVING[name]) in {"not-a-picture", "unreadable", (60, 80, 3)}


def test_every_cut_of_a_jpeg_is_refused_or_read() -> None:
    """A JPEG cut after any 97th byte never raises anything but a rejection."""
    data = hostile.PICTURES["UPPER.JPG"]
    codes = set()
    for length in range(0, len(data) - 1, 97):
        with pytest.raises(PhotoRejectedError) as caught:
            decode(data[:length])
        codes.add(caught.value.code)
    assert codes <= {"empty", "not-a-picture", "unreadable"}
    assert "unreadable" in codes


@pytest.mark.parametrize("kind", ["UPPER.JPG", "transparent.png", "heic-named.jpg"])
def test_flipped_bytes_never_crash(kind: str) -> None:
    """40 copies with 8 random bytes changed: each is read or refused, nothing else."""
    rng = np.random.default_rng(11)
    data = np.frombuffer(hostile.PICTURES[kind], np.uint8)
    for _ in range(40):
        broken = data.copy()
        broken[rng.integers(0, len(data), 8)] = rng.integers(0, 256, 8)
        answer = code_or_shape(broken.tobytes())
        assert answer in REJECTIONS or len(answer) == 3


def test_missing_file_and_directory(tmp_path: Path) -> None:
    (tmp_path / "directory.jpg").mkdir()
    for name in ("nowhere.jpg", "directory.jpg"):
        with pytest.raises((PhotoRejectedError, OSError)):
            load_photo(tmp_path / name)


@pytest.mark.skipif(
    sys.platform == "win32" or (hasattr(os, "geteuid") and os.geteuid() == 0),
    reason="the superuser reads every file",
)
def test_unreadable_file(tmp_path: Path) -> None:
    path = tmp_path / "locked.jpg"
    path.write_bytes(hostile.PICTURES["UPPER.JPG"])
    path.chmod(0)
    with pytest.raises((PhotoRejectedError, OSError)):
        load_photo(path)


def test_a_folder_of_them_is_scored_to_the_end(tmp_path: Path) -> None:
    """One row a file, each with its code; the links are not followed, the ward is whole."""
    from typer.testing import CliRunner

    from polypward_cli.main import app

    folder, ward = tmp_path / "photos", tmp_path / "ward"
    names = hostile.write_folder(folder)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        result = CliRunner().invoke(app, ["score", str(folder), "--ward", str(ward)])
    assert result.exit_code == 0, result.output
    with (ward / "readings.csv").open(encoding="utf-8", newline="") as handle:
        cells = list(csv.DictReader(handle))
    # A name that starts like a formula is kept from being one in a spreadsheet: a quote before it.
    assert not [row["photo"] for row in cells if row["photo"][0] in "=+-@"]
    rows = {row["photo"].removeprefix("'"): row for row in cells}
    # A moving picture's suffix may not count as a photo's; everything else is a row, once.
    assert {Path(photo).name for photo in rows} | {"moving.gif"} == set(names) | {"moving.gif"}
    assert len(rows) in (len(names), len(names) - 1)
    assert {row["status"] for row in rows.values()} == {"rejected"}
    for name, (_, code) in hostile.REJECTED.items():
        assert code in rows[name]["reasons"].split(";")
    for row in rows.values():
        codes = row["reasons"].split(";")
        assert set(codes) <= set(REASONS)
        assert set(codes) & REJECTIONS
        assert row["sha256"]
        assert not row["live_mm2"]
    assert "Traceback" not in result.output
    assert "\x07" not in result.output
    # Again, strictly: nothing changes, and the exit says that photos were rejected.
    before = (ward / "readings.csv").read_bytes()
    again = CliRunner().invoke(app, ["score", str(folder), "--ward", str(ward), "--strict"])
    assert again.exit_code == 3, again.output
    assert (ward / "readings.csv").read_bytes() == before
