"""The whole way once with real eyes: photos of the samples into a ward, by the command line."""

import csv
import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from polypward_cli.main import app

PHOTOS = (
    "LAN-01/2025-09-08.jpg",
    "LAN-01/2025-10-13.jpg",
    "LAN-02/2025-09-22.heic",
    "LAN-02/2025-10-01_evening.jpg",
    "LAN-04/2025-09-15_close.jpg",
    "IMG_4114.jpg",
)


@pytest.fixture(scope="module")
def ward(tmp_path_factory: pytest.TempPathFactory) -> Path:
    samples = Path(__file__).resolve().parents[2] / "sample_images"
    base = tmp_path_factory.mktemp("real")
    for name in PHOTOS:
        (base / "photos" / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(samples / name, base / "photos" / name)
    (base / "photos" / "LAN-01" / "text.jpg").write_text("no picture")
    words = ("score", str(base / "photos"), "--ward", str(base / "ward"), "--strict")
    words += ("--manifest", str(samples / "manifest.csv"), "--workers", "1")
    assert CliRunner().invoke(app, words).exit_code == 3
    return base / "ward"


def readings(ward: Path) -> dict[str, dict[str, str]]:
    with (ward / "readings.csv").open(encoding="utf-8", newline="") as stream:
        return {row["photo"]: row for row in csv.DictReader(stream)}


def test_every_photo_has_its_row(ward: Path) -> None:
    found = {name: (row["status"], row["reasons"]) for name, row in readings(ward).items()}
    assert found["LAN-01/2025-09-08.jpg"][0] == "accepted"
    assert found["LAN-02/2025-09-22.heic"][0] == "accepted"
    assert found["LAN-02/2025-10-01_evening.jpg"][0] == "accepted"
    assert found["LAN-04/2025-09-15_close.jpg"] == ("rejected", "no-card")
    assert found["IMG_4114.jpg"] == ("rejected", "no-specimen")
    assert found["LAN-01/text.jpg"] == ("rejected", "not-a-picture")


def test_blue_light_gives_areas_and_no_colour(ward: Path) -> None:
    row = readings(ward)["LAN-02/2025-10-01_evening.jpg"]
    assert (row["colour_grade"], row["lamp"]) == ("refused", "blue")
    assert [row[name] for name in ("L", "a", "b", "paling", "paling_sd", "pale_mm2")] == [""] * 6
    assert float(row["live_mm2"]) > 0


def test_the_areas_are_those_of_the_map(ward: Path) -> None:
    for name in ("LAN-01/2025-09-08.jpg", "LAN-02/2025-09-22.heic"):
        row = readings(ward)[name]
        with Image.open(ward / row["mask"]) as picture:
            mask = np.asarray(picture)
        with Image.open(ward / row["tile"]) as picture:
            assert picture.size == mask.shape[::-1]
        px_mm2 = float(row["tile_mm_per_px"]) ** 2
        for label, column in ((1, "live_mm2"), (2, "bare_mm2"), (3, "overgrown_mm2")):
            # The table rounds to 0.01 mm2; the map itself is what was counted.
            counted = np.count_nonzero(mask == label) * px_mm2
            assert float(row[column]) == pytest.approx(counted, abs=0.02, rel=1e-4)


def test_an_assigned_photo_counts_without_its_original(ward: Path) -> None:
    shutil.rmtree(ward.parent / "photos")
    done = CliRunner().invoke(
        app, ("assign", "IMG_4114.jpg", "--to", "LAN-08", "--ward", str(ward))
    )
    assert done.exit_code == 0
    row = readings(ward)["IMG_4114.jpg"]
    assert (row["specimen"], row["status"]) == ("LAN-08", "accepted")
    assert float(row["live_mm2"]) > 0
