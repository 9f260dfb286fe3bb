"""The story of the demo ward and the files in sample_images/ say the same."""

import csv
import io
from collections import Counter
from datetime import datetime
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image

from phantoms.demo_ward import camera_of, noise_seed, photo_name, scene_of
from phantoms.dress import dress
from phantoms.render import render
from phantoms.story import CARE, FIRST_DAY, SPECIMENS, ZONE, at

SHOTS = [(held, shot) for held in SPECIMENS for shot in held.shots]
pillow_heif.register_heif_opener()


def _table(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))


def test_each_fault_stands_once_in_the_story() -> None:
    faults = Counter(shot.fault for _, shot in SHOTS if shot.fault)
    assert faults == dict.fromkeys(
        ("blue", "no-card", "heic", "camera-named", "two", "no-offset"), 1
    )


def test_the_folder_holds_the_photos_of_the_story_and_stays_small(root: Path) -> None:
    folder = root / "sample_images"
    there = {
        str(path.relative_to(folder).as_posix())
        for path in folder.rglob("*")
        if path.suffix in (".jpg", ".heic")
    }
    assert there == {photo_name(held, shot) for held, shot in SHOTS}
    assert sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) <= 12e6
    for name in sorted(there)[::7]:
        with Image.open(folder / name) as picture:
            width, height = picture.size
        assert 1.9e6 < width * height < 3.1e6


def test_the_photos_carry_their_times(root: Path) -> None:
    for held, shot in SHOTS[::5] + [pair for pair in SHOTS if pair[1].fault == "no-offset"]:
        with Image.open(root / "sample_images" / photo_name(held, shot)) as picture:
            detail = picture.getexif().get_ifd(0x8769)
        taken = datetime.strptime(detail[0x9003], "%Y:%m:%d %H:%M:%S")
        assert taken.replace(tzinfo=ZONE) == at(shot.day, shot.at)
        assert detail.get(0x9011) == (None if shot.fault == "no-offset" else "+02:00")


def test_the_tables_name_what_is_there(root: Path) -> None:
    folder = root / "sample_images"
    register = {row["specimen"]: row for row in _table(folder / "register.csv")}
    assert len(register) == 8
    pieces = {held.name for held in SPECIMENS if held.part_of}
    split = next(one for one in CARE if one.what == "split")
    assert set(split.detail["children"].split()) == pieces
    photos = [row["photo"] for row in _table(folder / "manifest.csv")]
    assert len(set(photos)) == len(photos)
    assert all((folder / photo).is_file() for photo in photos)
    for row in _table(folder / "care.csv"):
        assert row["specimen"] in register | dict.fromkeys(pieces)
        assert datetime.fromisoformat(row["at"]).date() >= FIRST_DAY


def test_the_story_tells_itself_in_the_truth() -> None:
    """Cover falls from the side; the bladder coral's area halves and its cover stays."""

    def truths(name: str, view: str) -> list[tuple[float, float]]:
        held = next(one for one in SPECIMENS if one.name == name)
        shots = sorted((s for s in held.shots if s.view == view), key=lambda shot: shot.day)
        worn = []
        for shot in (shots[0], shots[-1]):
            scene = scene_of(held, shot)
            made = dress(scene.specimens[0], scene.lighting)
            count = np.bincount(made.labels.ravel(), minlength=4)
            worn.append((count[1] / count[1:].sum(), count[1] * made.px_mm**2))
        return worn

    (top_first, _), (top_last, _) = truths("LAN-03", "top")
    (side_first, _), (side_last, _) = truths("LAN-03", "side")
    assert top_first == top_last == 1
    assert side_first == 1
    assert side_last == pytest.approx(0.72, abs=1e-3)
    (cover_out, area_out), (cover_in, area_in) = truths("LAN-05", "top")
    assert cover_out == cover_in == 1
    assert area_in / area_out == pytest.approx(0.5, abs=1e-6)


def test_rendering_again_gives_the_photo_in_the_folder(root: Path) -> None:
    held, shot = SHOTS[0]
    again = render(scene_of(held, shot), camera_of(held, shot), seed=noise_seed(held, shot)).rgb
    with Image.open(root / "sample_images" / photo_name(held, shot)) as picture:
        stored = np.asarray(picture)
    # JPEG at quality 86, and other library versions' last bits.
    assert np.abs(stored.astype(int) - again).mean() < 2.5
