"""The quick search for markers, against where they were drawn."""

import cv2
import numpy as np
import pytest

from polypward_vision.find_card import find_card, grey_of
from polypward_vision.markers import find_markers, markers_at
from polypward_vision.pose import project

SIDE = 48
TRUE = np.array([[-0.5, -0.5], [SIDE - 0.5, -0.5], [SIDE - 0.5, SIDE - 0.5], [-0.5, SIDE - 0.5]])


def drawn(marker: int, *, turn_deg: float = 0.0):
    """One marker of 48 pixels on light ground, and its corners."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    art = cv2.aruco.generateImageMarker(family, marker, SIDE)
    turn = cv2.getRotationMatrix2D((SIDE / 2 - 0.5, SIDE / 2 - 0.5), turn_deg, 1.0)
    turn[:, 2] += 60
    picture = cv2.warpAffine(
        np.where(art > 127, 210, 40).astype(np.uint8), turn, (170, 170), borderValue=210
    )
    return picture, TRUE @ turn[:, :2].T + turn[:, 2]


@pytest.mark.parametrize("turn_deg", [0, 33, 90, 145, 180, 270])
def test_corners_start_at_the_markers_own_first(turn_deg) -> None:
    picture, true = drawn(312, turn_deg=turn_deg)
    ((marker, corners),) = find_markers(picture, window=13, ids=(310, 311, 312))
    assert marker == 312
    assert np.abs(corners - true).max() < 2.0


def test_only_wanted_markers() -> None:
    assert find_markers(drawn(320)[0], window=13, ids=(310, 311, 312)) == []


def test_four_wrong_modules_are_no_marker() -> None:
    """Of the family's smallest distance, 11, a third may be wrong (3), as in OpenCV."""
    picture, _ = drawn(310)
    for wrong, found in ((3, 1), (4, 0)):
        spoilt = picture.copy()
        for column in range(wrong):
            part = spoilt[60 + 18 : 60 + 24, 60 + 6 * (column + 2) : 60 + 6 * (column + 3)]
            part[:] = 250 - part
        assert len(find_markers(spoilt, window=13, ids=(310,))) == found


def test_a_marker_is_told_where_it_is_expected() -> None:
    picture, true = drawn(315)
    turned = np.roll(true, 1, axis=0)
    assert markers_at(picture, np.stack([true, true, turned]), [315, 314, 315]).tolist() == [
        True,
        False,
        False,
    ]


def crate(picture):
    """An egg crate of 14 mm around the card, dark cells in light walls."""
    row, col = np.mgrid[: picture.shape[0], : picture.shape[1]]
    cell = ((row % 84 > 10) & (col % 84 > 10) & (picture.mean(axis=2) < 180))[..., None]
    outside = (np.abs(picture - (176, 172, 165)).max(axis=2) < 12)[..., None]
    return np.where(cell & outside, np.float32(70), picture)


def test_squares_of_a_grid_are_sampled_all_at_once(kit, monkeypatch: pytest.MonkeyPatch) -> None:
    """One by one, as OpenCV's own search does it, they took up to 750 ms."""
    view_of, _, snap = kit
    view = view_of(tilt_deg=12, aim_mm=(43, 27), rows=1500, cols=2000)
    photo = snap(view, layout="strip", change=crate)
    remap, sampled = cv2.remap, []

    def counted(picture, x, *rest, **how):
        sampled.append(len(x))
        return remap(picture, x, *rest, **how)

    monkeypatch.setattr(cv2, "remap", counted)
    found = find_card(photo)
    assert len(found.marker_ids) == 4
    assert np.abs(project(view.plane(), found.corners_mm) - found.corners_px).max() < 1.0
    assert max(sampled) > 100
    assert len(sampled) < 5


def test_a_marker_without_its_margin_is_found_from_the_others(kit) -> None:
    """A dark thing over the white beside it joins its outline, so that it is no square."""
    view_of, disc, snap = kit
    photo = snap(view_of(tilt_deg=10), discs=[disc(at_mm=(12, 23), radius_mm=4, rgb=(20, 20, 20))])
    small = grey_of(photo.rgb)
    assert not [1 for marker, _ in find_markers(small, window=23, ids=(310,))]
    assert 310 in find_card(photo).marker_ids
