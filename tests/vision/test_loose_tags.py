"""Tags photographed alone, drawn by code: a name label's square code, a reusable tag's mark."""

import cv2
import numpy as np
import numpy.typing as npt
import pytest
import segno

from polypward.tags import tag_of_number
from polypward_vision.loose_tags import read_loose_tags


def _table(square: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """A grey table of unequal sides with a little noise and the square on it."""
    grey = np.random.default_rng(3).integers(90, 110, (900, 1300), dtype=np.uint8)
    rows, cols = square.shape
    grey[150 : 150 + rows, 320 : 320 + cols] = square
    return grey


def _mark(number: int) -> npt.NDArray[np.uint8]:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    mark = cv2.aruco.generateImageMarker(dictionary, number, 240)
    return np.pad(mark, 30, constant_values=255)


def _label(text: str) -> npt.NDArray[np.uint8]:
    modules = np.array(segno.make_qr(text, error="m").matrix, dtype=np.uint8)
    light = np.pad(np.where(modules, 0, 255).astype(np.uint8), 4, constant_values=255)
    return np.kron(light, np.ones((10, 10), np.uint8))


def test_a_name_label_is_read() -> None:
    assert read_loose_tags(_table(_label("PWTAG LAM-03"))) == ("LAM-03",)


@pytest.mark.parametrize("turn_deg", [0, 25, 90, 200])
def test_a_reusable_tag_is_read_however_it_lies(turn_deg: float) -> None:
    grey = _table(_mark(17))
    turn = cv2.getRotationMatrix2D((470, 300), turn_deg, 0.8)
    turned = np.asarray(cv2.warpAffine(grey, turn, (1300, 900), borderValue=100), np.uint8)
    assert read_loose_tags(turned, ids=(3, 17)) == (tag_of_number(17),)


def test_a_mark_of_no_tag_in_use_names_nobody() -> None:
    """The card's own markers, and tags of other wards, are of the same family."""
    assert read_loose_tags(_table(_mark(310)), ids=(3, 17)) == ()
    assert read_loose_tags(_table(_mark(17))) == ()


def test_a_table_without_a_tag_names_nobody() -> None:
    assert read_loose_tags(_table(np.full((200, 200), 240, np.uint8)), ids=(17,)) == ()
