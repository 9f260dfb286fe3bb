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

from polypward_vision.find_card import WHOLE_WINDOWS, grey_of
from polypward_vision.load import load_photo
from polypward_vision.markers import find_markers

Quads = npt.NDArray[np.float64]

# Tags that our search finds at least: as many as OpenCV's, but for one in the last (14); the
# library itself lists 12, 25 and 10.
FOUND = {
    "33369213973_9d9bb4cc96_c": 13,
    "34085369442_304b6bafd9_c": 15,
    "34139872896_defdb2f8d9_c": 13,
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
    """Return tags of any id of the family, each once."""
    grey = grey_of(load_photo(path).rgb)
    found: list[tuple[int, npt.NDArray[np.float64]]] = []
    for window in WHOLE_WINDOWS:
        for marker, quad in find_markers(grey, window=window, ids=tuple(range(587))):
            apart = [np.linalg.norm(quad.mean(axis=0) - other.mean(axis=0)) for _, other in found]
            if min(apart, default=np.inf) > shortest_side(quad) / 2:
                found.append((marker, quad))
    return np.array([quad for _, quad in found]), [marker for marker, _ in found]


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
