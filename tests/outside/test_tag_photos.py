"""Markers of the family that our cards carry, in photographs that others made.

The photographs and the listed corners are test data of the AprilTag library (repository
AprilRobotics/apriltag at 1c21707: 799 x 533 pixels, tags of 10 to 45 pixels, CC BY-SA 2.0) and of
pupil-labs/apriltags at f5334c6. They are not part of this repository.
"""

import re
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from polypward_vision.find_card import ALL_WINDOWS, _detector, grey_of
from polypward_vision.load import load_photo

Quads = npt.NDArray[np.float64]

# Tags that our detector, set for a card, finds at least; the library itself lists 12, 25 and 10.
FOUND = {
    "33369213973_9d9bb4cc96_c": 13,
    "34085369442_304b6bafd9_c": 15,
    "34139872896_defdb2f8d9_c": 14,
}
IDS = {
    "test_image.png": {60, 82, 318, 328, 387},
    "test_image_multiple_01.png": {22, 24, 58, 85, 144},
    "test_image_rotation_20.png": {76},
}


def listed(path: Path) -> Quads:
    """Corners (N, 4, 2) of the library's own list; each line is an id and four corners."""
    rows = [re.findall(r"-?\d+\.?\d*", line) for line in path.read_text().splitlines()]
    return np.array([row[1:] for row in rows if row], float).reshape(-1, 4, 2)


def detected(path: Path) -> tuple[Quads, list[int]]:
    corners, ids, _ = _detector(ALL_WINDOWS).detectMarkers(grey_of(load_photo(path).rgb))
    return np.array(corners, float).reshape(-1, 4, 2), [int(one) for one in ids.ravel()]


@pytest.mark.parametrize("name", FOUND)
def test_tags_on_tarmac(real_photos: Path, name: str) -> None:
    """All are id 0; those of 20 pixels and more are found where the library lists them."""
    folder = real_photos / "apriltag_testdata"
    found, ids = detected(folder / f"{name}.jpg")
    assert set(ids) == {0}
    assert len(found) >= FOUND[name]
    centres = found.mean(axis=1)
    large = [quad for quad in listed(folder / f"{name}.txt") if shortest_side(quad) >= 20]
    apart = [float(np.linalg.norm(centres - quad.mean(axis=0), axis=1).min()) for quad in large]
    # The list holds snapped corners (whole numbers among them): 2 px is a tag's line width.
    assert all(distance < 2.0 for distance in apart), apart


def shortest_side(quad: Quads) -> float:
    """Shortest side of a quadrilateral, pixels: slanted tags count by what is left of them."""
    return float(np.linalg.norm(quad - np.roll(quad, 1, axis=0), axis=1).min())


@pytest.mark.parametrize("name", IDS)
def test_tags_indoors(real_photos: Path, name: str) -> None:
    _, ids = detected(real_photos / "apriltag_testdata" / "pupil" / name)
    assert set(ids) == IDS[name]
