"""Cut-outs of rendered photos: the true labels at pixels of any size."""

import cv2
import numpy as np
import pytest

from phantoms.photo_tiles import photo_tile
from phantoms.settings import TRAIN


def test_an_enlarged_cut_out_shows_the_same_in_smaller_pixels() -> None:
    own, finer = (photo_tile(3, TRAIN, mm_per_px=size) for size in (None, 0.125))
    assert own is not None
    assert finer is not None
    one, other = own.tile, finer.tile
    assert other.mm_per_px == pytest.approx(0.125)
    assert other.lab.shape[:2] == other.valid.shape == other.labels.shape
    size = one.labels.shape[::-1]
    back = cv2.resize(other.lab, size, interpolation=cv2.INTER_AREA)
    assert np.abs(back - one.lab)[one.valid].mean() < 0.5
    counts = [
        np.bincount(tile.labels.ravel(), minlength=4)[1:] * tile.mm_per_px**2
        for tile in (one, other)
    ]
    assert counts[1] == pytest.approx(counts[0], abs=3)
    # Not the same labels enlarged, but the truth at the smaller pixels.
    enlarged = cv2.resize(
        one.labels, other.labels.shape[::-1], interpolation=cv2.INTER_NEAREST_EXACT
    )
    assert 0 < np.count_nonzero(enlarged != other.labels) < 0.02 * other.labels.size
