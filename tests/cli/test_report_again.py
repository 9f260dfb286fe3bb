"""A report takes over the pages that would come out the same, and no others."""

import re
import shutil
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest

from polypward.records import CareEvent, Reading, Specimen
from polypward_cli.report import build_report, gather
from polypward_cli.ward import Ward
from polypward_cli.ward.kept_courses import catch_up, kept_courses, refresh
from polypward_cli.ward.rows import row_of_measures

FIRST = datetime(2026, 3, 2, 12, tzinfo=UTC)
TODAY = date(2026, 4, 1)
NAMES = ("amber", "blue", "coral")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return a ward of three specimens, four visits each, and a report of it."""
    path = tmp_path / "ward"
    rng = np.random.default_rng(1)
    with Ward.open(path, create=True, time_zone="UTC", today=TODAY) as ward, ward.working("test"):
        (path / "tiles").mkdir()
        draw_tile(path, 120)
        for name in NAMES:
            ward.save_specimen(Specimen(specimen=name, kind="brain"))
            for visit in range(4):
                add_photo(ward, name, 7 * visit, rng)
        refresh(ward)
    report(path)
    return path


def draw_tile(path: Path, grey: int) -> None:
    picture = cv2.imencode(".jpg", np.full((90, 120, 3), grey, np.uint8))[1]
    (path / "tiles/one.jpg").write_bytes(picture.tobytes())


def add_photo(ward: Ward, specimen: str, day: int, rng: np.random.Generator) -> None:
    at = FIRST + timedelta(days=day)
    cover = float(np.clip(rng.normal(0.85, 0.01), 0, 1))
    key = f"{int(rng.integers(1 << 60)):064x}"
    reading = Reading(
        photo=f"{specimen}-{day}.jpg", sha256=key, card="frame", card_serial="C1",
        live_mm2=1000 * cover, bare_mm2=1000 * (1 - cover), overgrown_mm2=0.0, live_cover=cover,
        live_cover_sd=0.01, tile="tiles/one.jpg", tile_mm_per_px=0.2, tile_x_mm=0.0, tile_y_mm=0.0,
    )  # fmt: skip
    photo = {"key": key, "sha256": key, "path": reading.photo, "first_seen": at.isoformat()}
    row = {"key": key, "specimen": specimen, "taken_at": at.isoformat(), "inputs": "{}"}
    with ward.db.atomic():
        ward.db.table("photos").insert(photo)
        ward.db.table("readings").insert(
            row_of_measures(reading) | row | {"measured_at": at.isoformat()}
        )


def report(path: Path, *, on: date = TODAY, anew: bool = False) -> dict[str, str]:
    """Write the report and return its pages without the times of their writing."""
    if anew:
        copy = path.with_name("anew") / "ward"
        shutil.rmtree(copy.parent, ignore_errors=True)
        shutil.copytree(path, copy, ignore=shutil.ignore_patterns("report"))
        path = copy
    with Ward.open(path, today=on) as ward:
        assert catch_up(ward, "test") == ""
        kept = None if anew else kept_courses(ward)
        folder = build_report(ward, beside=gather(ward), kept=kept).parent
    times = re.compile(r"Written by .*?<|Last scored .*?<")
    return {
        page.relative_to(folder).as_posix(): times.sub("<", page.read_text(encoding="utf-8"))
        for page in folder.rglob("*.html")
    }


def files(path: Path) -> dict[str, int]:
    return {page.stem: page.stat().st_ino for page in (path / "report/specimens").iterdir()}


def changed(path: Path, before: dict[str, int]) -> set[str]:
    return {name for name, number in files(path).items() if before.get(name) != number}


def test_only_changed_pages_are_written_and_all_are_those_of_a_report_from_nothing(
    path: Path,
) -> None:
    before = files(path)
    assert report(path) == report(path, anew=True)
    assert changed(path, before) == set()
    with Ward.open(path, today=TODAY) as ward, ward.working("test"):
        at = FIRST + timedelta(days=29)
        ward.add_care(CareEvent(specimen="blue", at=at, what="feeding", detail={"eaten": "no"}))
    assert report(path) == report(path, anew=True)
    assert changed(path, before) == {"blue"}
    # A week later every photo is overdue, and every page says for how long.
    before, later = files(path), TODAY + timedelta(days=7)
    assert report(path, on=later) == report(path, on=later, anew=True)
    assert changed(path, before) == set(NAMES)


def test_a_new_photo_or_cut_out_writes_its_page(path: Path) -> None:
    before = files(path)
    with Ward.open(path, today=TODAY) as ward, ward.working("test"):
        add_photo(ward, "coral", 28, np.random.default_rng(9))
    report(path)
    assert "coral" in changed(path, before)
    before = files(path)
    draw_tile(path, 90)
    assert report(path) == report(path, anew=True)
    assert changed(path, before) == set(NAMES)


@pytest.mark.parametrize("damage", ["page", "list", "gone"])
def test_a_page_that_is_not_as_it_was_written_is_written_again(path: Path, damage: str) -> None:
    page = path / "report/specimens/amber.html"
    if damage == "page":
        page.write_text(page.read_text().replace("amber", "other"))
    elif damage == "gone":
        page.unlink()
    else:
        (path / "report/pages.json").write_text('{"amber": {"key": 3}, "blue": []}')
    assert report(path) == report(path, anew=True)


def test_a_change_of_settings_writes_all(path: Path) -> None:
    before = files(path)
    toml = path / "ward.toml"
    toml.write_text(toml.read_text().replace("# interval_days = 7", "interval_days = 3"))
    assert report(path) == report(path, anew=True)
    assert changed(path, before) == set(NAMES)
