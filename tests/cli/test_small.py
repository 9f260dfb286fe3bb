"""Small pictures: made with the cut-out, made again where they lack, of one kind either way."""

import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest
from tests.cli.conftest import Desk
from tests.cli.fakes import FakeEyes, photo

from polypward_cli import small
from polypward_cli.report import build_report

LABELS = np.zeros((240, 320), np.uint8)
cv2.circle(LABELS, (150, 120), 60, 1, -1)
LABELS[120:150, 150:190] = 2


def cut_out() -> np.ndarray:
    """Smooth colours with noise of a camera, not square, seeded."""
    noise = np.random.default_rng(5).normal(0, 6, (240, 320, 3))
    slopes = np.linspace(60, 160, 320)[:, None] * (1.0, 0.6, 0.8)
    return np.clip(slopes + noise, 0, 255).astype(np.uint8)


def pixels(data: bytes) -> np.ndarray:
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB).astype(int)


@pytest.fixture
def scored(desk: Desk) -> Desk:
    for day in (5, 12, 19):
        photo(desk.photos / "amber" / f"{day}.jpg", f"2026-01-{day:02d}T10:00:00+01:00")
    desk.score()
    return desk


@pytest.fixture
def remade(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Tiles of which the small picture is made from files."""
    tiles: list[str] = []
    make = small.remake_small

    def noting(ward: Path, tile: str, mask: str) -> small.SmallPicture | None:
        tiles.append(tile)
        return make(ward, tile, mask)

    monkeypatch.setattr(small, "remake_small", noting)
    return tiles


def report_of(desk: Desk) -> Path:
    with desk.ward() as ward:
        return build_report(ward).parent


def small_names(desk: Desk) -> list[str]:
    return sorted(path.stem for path in (desk.path / "small").iterdir())


def test_the_first_report_only_links_what_scoring_made(scored: Desk, remade: list[str]) -> None:
    masks = sorted(path.stem for path in (scored.path / "masks").iterdir())
    assert small_names(scored) == masks
    shown = list((report_of(scored) / "cutouts").glob("*.jpg"))
    assert remade == []
    assert len(shown) == 3
    assert {path.stat().st_nlink for path in shown} == {2}


def test_a_ward_without_them_gets_them_by_its_report(scored: Desk, remade: list[str]) -> None:
    names = small_names(scored)
    shutil.rmtree(scored.path / "small")
    report_of(scored)
    assert len(remade) == 3
    assert small_names(scored) == names
    shutil.rmtree(scored.path / "report")
    report_of(scored)
    assert len(remade) == 3


def test_made_at_once_or_from_files_it_is_the_same_picture(tmp_path: Path) -> None:
    """Outlines come from the map, which no file changes; colours stray by what the JPEG of the
    cut-out (quality 95) strays, and as much again by their own JPEG."""
    at_once = small.draw_small(cut_out(), LABELS)
    for name, image in (("tiles/a.jpg", cut_out()[:, :, ::-1]), ("masks/a.png", LABELS)):
        (tmp_path / name).parent.mkdir()
        quality = [cv2.IMWRITE_JPEG_QUALITY, 95] if name.endswith("jpg") else []
        (tmp_path / name).write_bytes(cv2.imencode(name[-4:], image, quality)[1])
    shown = small.remake_small(tmp_path, "tiles/a.jpg", "masks/a.png")
    later = (tmp_path / "small/a.jpg").read_bytes()
    assert at_once is not None
    assert shown == small.ensure_small(tmp_path, "tiles/a.jpg", "masks/a.png")
    (tmp_path / "small/a.jpg").write_bytes(at_once)
    assert shown == small.ensure_small(tmp_path, "tiles/a.jpg", "masks/a.png")
    assert np.abs(pixels(at_once) - pixels(later)).mean() < 3
    assert shown is not None
    assert set(shown.outlines) == {"live", "bare"}


@pytest.mark.parametrize("harm", ["gone", "empty", "cut", "bit", "comment", "other", "older"])
def test_a_damaged_one_is_made_again(scored: Desk, remade: list[str], harm: str) -> None:
    path = next((scored.path / "small").iterdir())
    good = path.read_bytes()
    if harm == "gone":
        path.unlink()
    elif harm == "older":
        (scored.path / "tiles" / path.name).touch()
    else:
        path.write_bytes(
            {
                "empty": b"",
                "cut": good[: len(good) // 2],
                "bit": good[:-40] + bytes([good[-40] ^ 4]) + good[-39:],
                "comment": good[:30] + bytes([good[30] ^ 255]) + good[31:],
                "other": cv2.imencode(".jpg", np.zeros((9, 9, 3), np.uint8))[1].tobytes(),
            }[harm]
        )
    report_of(scored)
    assert remade == [f"tiles/{path.name}"]
    assert np.abs(pixels(path.read_bytes()) - pixels(good)).max() < 5  # of one grey
    assert not list((scored.path / "small").glob(".*"))


def test_outlines_that_no_comment_can_hold_are_no_picture() -> None:
    """280 x 280 squares of a label by chance: far more than 65 533 bytes however packed."""
    chance = np.random.default_rng(1).integers(0, 4, (280, 280)).astype(np.uint8)
    labels = np.kron(chance, np.ones((3, 3), np.uint8))
    assert small.draw_small(np.zeros((840, 840, 3), np.uint8), labels) is None


def test_a_reading_that_is_replaced_takes_its_picture_along(scored: Desk) -> None:
    before = small_names(scored)
    scored.score(eyes=FakeEyes(version="fake-2"))
    after = small_names(scored)
    assert len(after) == 3
    assert not set(before) & set(after)
