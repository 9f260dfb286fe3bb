"""Marks of reusable tags on rendered pictures: 15 mm with their rim, wet, fouled, tilted."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy import stats

from phantoms.tags import FINE, Reader, mark, plate, seen, share_read
from polypward.records import PhotoSettings
from polypward.tags import MARK_MM
from polypward_vision import read_photo
from polypward_vision.find_card import find_card
from polypward_vision.load import load_photo
from polypward_vision.tag_marks import find_tag_marks

IDS = range(1, 300)


def told(root: Path, name: str) -> list[float]:
    """The shares that the documents tell of a reader (`python -m bench.tags` makes them)."""
    text = (root / "docs" / "money.md").read_text("utf-8")
    row = next(line for line in text.splitlines() if line.startswith(f"| {name}"))
    return [float(cell.strip(" %")) / 100 for cell in row.strip("| ").split("|")[1:]]


@pytest.mark.parametrize(
    ("reader", "name", "column", "foul", "glints"),
    [
        ("ours", "mark, as polypward reads it", 0, 0.0, False),
        ("ours", "mark, as polypward reads it", 1, 0.0, True),
        ("ours", "mark, as polypward reads it", 3, 0.2, False),
        ("ours", "mark, as polypward reads it", 4, 0.2, True),
        ("bits", "mark, read bit by bit", 3, 0.2, False),
        ("code", "square code", 0, 0.0, False),
        ("code", "square code", 3, 0.2, False),
    ],
)
def test_tags_are_read_as_the_documents_tell(
    root: Path, reader: Reader, name: str, column: int, foul: float, glints: bool
) -> None:
    """Other tags than the documents' own, so within what chance leaves 99 times in 100.

    The documents' share is itself of `count` tags: a pooled binomial spread, and a tag for none
    or all.
    """
    count = 24
    share = told(root, name)[column]
    found = share_read(reader, foul=foul, glints=glints, count=count)
    spread = stats.norm.ppf(0.995) * np.sqrt(share * (1 - share) * (1 / count + 1 / 60))
    assert found == pytest.approx(share, abs=spread + 1.5 / count)


def test_the_mark_is_kept_because_it_reads_better(root: Path) -> None:
    ours, bits, code = (told(root, name) for name in ("mark, as", "mark, read", "square code"))
    for column in range(1, 5):  # wet, or fouled
        assert ours[column] > 0.8 > max(bits[column], code[column])


def test_where_the_mark_lies() -> None:
    rng = np.random.default_rng(3)
    photo, to_px, corners = seen(plate(mark(17)), rng)
    (found,) = find_tag_marks(photo, to_px, ids=IDS)
    assert (found.id, found.corners_mm.shape) == (17, (4, 2))
    # The last steps of the search: 0.25 mm, 1.5 degrees of 8.5 mm, 2 % of 8.5 mm, together.
    assert found.corners_mm == pytest.approx(corners, abs=0.65)
    assert np.linalg.norm(found.corners_mm[1] - found.corners_mm[0]) == pytest.approx(
        MARK_MM, rel=0.03
    )


def test_only_wanted_marks_are_found_and_none_where_the_card_is() -> None:
    photo, to_px, corners = seen(plate(mark(17)), np.random.default_rng(3))
    assert find_tag_marks(photo, to_px, ids=()) == ()
    assert find_tag_marks(photo, to_px, ids=(16, 18)) == ()
    x, y = corners.mean(axis=0)
    assert find_tag_marks(photo, to_px, ids=IDS, skip_mm=[(x - 7, y - 7, 14, 14)]) == ()


def test_dark_patches_and_noise_are_no_marks() -> None:
    rng = np.random.default_rng(8)
    for _ in range(5):
        patch = plate(np.pad(np.full((8, 8), 40, np.uint8), 1, constant_values=255))
        photo, to_px, _ = seen(patch, rng)
        assert find_tag_marks(photo, to_px, ids=IDS) == ()
        noise = plate(rng.choice([0, 255], (10, 10)).astype(np.uint8))
        photo, to_px, _ = seen(noise, rng)
        assert find_tag_marks(photo, to_px, ids=IDS) == ()


def test_a_photo_beside_a_card_tells_its_tag(root: Path, tmp_path: Path) -> None:
    """A tag laid into the card's window of a sample photo, 5 pixels a millimetre."""
    path = root / "sample_images" / "LAN-02" / "2025-09-08.jpg"
    photo = load_photo(path)
    card = find_card(photo)
    to_px, _ = cv2.findHomography(card.corners_mm, card.corners_px)
    cosine, sine = np.cos(0.35) / FINE, np.sin(0.35) / FINE
    drawn = plate(mark(17))
    on_card = to_px @ np.array([[cosine, -sine, 52], [sine, cosine, 48], [0, 0, 1]])
    rows, cols = photo.rgb.shape[:2]
    laid = cv2.warpPerspective(drawn, on_card, (cols, rows), flags=cv2.INTER_AREA)
    where = cv2.warpPerspective(np.ones_like(drawn), on_card, (cols, rows)) > 0.5
    pixels = np.where(where[..., None], 0.8 * laid[..., None], photo.rgb).astype(np.uint8)
    cv2.imwrite(str(tmp_path / "tagged.png"), pixels[..., ::-1])  # noqa: TID251
    tagged = read_photo(
        str(tmp_path / "tagged.png"), settings=PhotoSettings(tag_marks=(5, 17, 204))
    )
    plain = read_photo(str(path))
    assert (tagged.tags, plain.tags) == (("T17",), ())
    # The tag is no tissue: the specimen beside it keeps its area, within the reading's own SD.
    sd = plain.reading.live_mm2_sd
    assert tagged.reading.live_mm2 == pytest.approx(plain.reading.live_mm2, abs=sd)
