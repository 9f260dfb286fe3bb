"""A phone that names a wrong focal length, calibrated by photos of a card."""

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from polypward.cards import load_layout
from polypward_cli.card.picture import paint_card
from polypward_cli.main import app
from polypward_cli.ward import Ward

ROWS, COLS = 900, 1200
TRUE_35MM, SAID_35MM = 26.0, 28.0


def snap(path: Path, *, tilt_deg: float, towards_deg: float, camera: str = "Pocket 3") -> None:
    """Photograph a card with a pinhole camera; its EXIF data name another focal length."""
    card = replace(load_layout("frame"), serial="F7KD4QW")
    art = cv2.resize(paint_card(card), (1240, 1240), interpolation=cv2.INTER_AREA)
    step = card.size_mm[0] / 1240
    focal = TRUE_35MM / np.hypot(36, 24) * np.hypot(ROWS, COLS)
    towards = np.radians(towards_deg)
    axis = np.array([-np.sin(towards), np.cos(towards), 0]) * np.radians(tilt_deg)
    rotation = cv2.Rodrigues(axis)[0]
    move = np.array([0, 0, 330.0]) - rotation @ [93, 93, 0]
    inside = np.array([[focal, 0, (COLS - 1) / 2], [0, focal, (ROWS - 1) / 2], [0, 0, 1]])
    to_mm = np.array([[step, 0, step / 2], [0, step, step / 2], [0, 0, 1]])
    plane = inside @ np.column_stack([rotation[:, :2], move]) @ to_mm
    picture = cv2.warpPerspective(
        cv2.GaussianBlur(art, (0, 0), 0.8), plane, (COLS, ROWS), borderValue=(172, 170, 166)
    )
    exif = Image.Exif()
    exif[0x0110] = camera
    exif.get_ifd(0x8769)[0xA405] = int(SAID_35MM)
    Image.fromarray(picture).save(path, quality=92, exif=exif)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("card")
    for number in range(9):
        snap(folder / f"{number}.jpg", tilt_deg=24, towards_deg=40 * number)
    Image.new("RGB", (200, 100)).save(folder / "other.jpg")
    return folder


def test_calibrating_listing_forgetting(folder: Path, tmp_path: Path) -> None:
    run = CliRunner().invoke
    ward = ["--ward", str(tmp_path / "ward")]
    done = run(app, ["camera", "calibrate", str(folder), *ward])
    assert done.exit_code == 0, done.output
    assert "(its photos say 28)" in done.output
    assert "other.jpg was not used: no-card" in done.stderr
    [row] = json.loads(run(app, ["camera", "--json", *ward]).output)
    # Truth: the camera that drew the photos. A tenth of a millimetre is 0.4 %.
    assert row["focal_35mm"] == pytest.approx(TRUE_35MM, abs=0.1)
    assert row["lens"]["camera"] == "Pocket 3"
    assert "9 photos" in run(app, ["camera", *ward]).output
    wrong = run(app, ["camera", "forget", "Pocket 4", *ward])
    assert (wrong.exit_code, "Pocket 3, 28 mm" in wrong.stderr) == (2, True)
    assert run(app, ["camera", "forget", "Pocket 3, 28 mm", *ward]).exit_code == 0
    assert "No calibrated camera" in run(app, ["camera", *ward]).output
    with Ward.open(tmp_path / "ward") as opened:
        [line] = opened.db.query("select * from audit where what = 'camera forgotten'")
        assert json.loads(line["old"])["photos"] == 9


def test_photos_are_measured_with_the_calibrated_lens(folder: Path, tmp_path: Path) -> None:
    # Truth: the card is 330 mm away. The named focal length makes it 28/26 of that.
    run = CliRunner().invoke
    ward, photos = ["--ward", str(tmp_path / "ward")], tmp_path / "photos"
    (photos / "amber").mkdir(parents=True)
    snap(photos / "amber" / "2026-05-04.jpg", tilt_deg=3, towards_deg=0)

    def distance() -> float:
        assert run(app, ["score", str(photos), *ward]).exit_code == 0
        with Ward.open(tmp_path / "ward") as opened:
            [row] = opened.db.query("select camera_mm, inputs from readings")
            return float(row["camera_mm"])

    # No specimen lies in the window; a rejection tells the camera's distance all the same.
    assert distance() == pytest.approx(330 * SAID_35MM / TRUE_35MM, rel=0.02)
    assert run(app, ["camera", "calibrate", str(folder), *ward]).exit_code == 0
    assert distance() == pytest.approx(330, rel=0.01)


def test_too_few_photos_say_what_to_do(folder: Path, tmp_path: Path) -> None:
    few = tmp_path / "few"
    few.mkdir()
    for number in range(3):
        (few / f"{number}.jpg").write_bytes((folder / f"{number}.jpg").read_bytes())
    done = CliRunner().invoke(
        app, ["camera", "calibrate", str(few), "--ward", str(tmp_path / "ward")]
    )
    assert done.exit_code == 2
    assert "at least 8" in done.stderr
