"""The demo tells its story: the flags that must appear, and none of those that must not."""

import csv
from pathlib import Path

import pytest
from typer.testing import CliRunner

from polypward_cli.main import app

# As sample_images/README.md tells it, on the day of the last round.
FLAGS = {
    "LAN-01": "",
    "LAN-02": "paling",
    "LAN-03": "recession",
    "LAN-04": "overgrowth",
    "LAN-05": "",
    "LAN-06": "",
    "LAN-07": "",
    "LAN-07A": "",
    "LAN-07B": "",
    "LAN-08": "",
}


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    out = tmp_path_factory.mktemp("demo")
    done = CliRunner().invoke(app, ("demo", "--out", str(out)))
    assert done.exit_code == 0, done.output
    return out / "ward", done.stdout


def table(path: Path, key: str) -> dict[str, dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return {row[key]: row for row in csv.DictReader(stream)}


def test_the_flags_are_those_of_the_story(demo: tuple[Path, str]) -> None:
    scores = table(demo[0] / "scores.csv", "specimen")
    assert {name: row["flags"] for name, row in scores.items()} == FLAGS


def test_the_scores_tell_it_too(demo: tuple[Path, str]) -> None:
    scores = table(demo[0] / "scores.csv", "specimen")
    assert float(scores["LAN-01"]["recovery"]) > 50
    assert float(scores["LAN-02"]["recovery"]) < -20
    assert float(scores["LAN-05"]["live_change_pct"]) < -30
    assert float(scores["LAN-06"]["condition"]) > 80
    for gone in ("LAN-01", "LAN-07", "LAN-08"):
        assert scores[gone]["advice"] == ""
    assert "discard" not in {row["advice"] for row in scores.values()}


def test_the_odd_photos_are_told_apart(demo: tuple[Path, str]) -> None:
    readings = table(demo[0] / "readings.csv", "photo")
    rejected = {
        name: row["reasons"] for name, row in readings.items() if row["status"] == "rejected"
    }
    assert rejected == {
        "IMG_4114.jpg": "no-specimen",
        "LAN-04/2025-09-15_close.jpg": "no-card",
        "LAN-06/2025-10-06_b.jpg": "several-specimens",
    }
    assert readings["LAN-02/2025-10-01_evening.jpg"]["colour_grade"] == "refused"
    assert readings["LAN-02/2025-09-22.heic"]["status"] == "accepted"
    assert "zone-assumed" in readings["LAN-04/2025-09-22.jpg"]["reasons"]


def test_it_ends_with_the_report(demo: tuple[Path, str]) -> None:
    ward, text = demo
    page = ward / "report" / "index.html"
    assert page.is_file()
    assert text.rstrip().endswith(f"report: {page}")


def test_it_takes_no_other_ward(tmp_path: Path) -> None:
    (tmp_path / "ward").mkdir()
    (tmp_path / "ward" / "ward.db").touch()
    done = CliRunner().invoke(app, ("demo", "--out", str(tmp_path)))
    assert (done.exit_code, "not the demo's" in done.stderr) == (2, True)
