"""What hides a specimen: white spots of known size on a drawn map."""

import numpy as np
import pytest

from polypward.errors import PhotoRejectedError
from polypward.labels import BARE, LIVE
from polypward_vision.measure import AreaSd, measure
from polypward_vision.quality import HIDDEN_REJECTED, check_tissue, hidden_share


def test_white_spots_on_the_specimen_and_its_rim_are_hidden_ground_is_not() -> None:
    """Discs by hand: 8 x 10 px of white in the specimen, 6 x 10 at its rim, white ground."""
    labels = np.zeros((100, 100), np.uint8)
    labels[20:80, 20:80] = LIVE
    rgb = np.full((100, 100, 3), 90, np.uint8)
    valid = np.ones((100, 100), bool)
    assert hidden_share(labels, rgb, valid) == 0
    rgb[40:48, 40:50] = 255
    assert hidden_share(labels, rgb, valid) == 0, "the map says that it is live"
    labels[40:48, 40:50] = BARE
    assert hidden_share(labels, rgb, valid) == pytest.approx(80 / 3600)
    rgb[30:36, 80:90] = 255
    assert hidden_share(labels, rgb, valid) == pytest.approx(140 / 3660)
    rgb[:, 92:] = rgb[50:60, 80:92] = 255
    assert hidden_share(labels, rgb, valid) == pytest.approx(140 / 3660), "goes on to the edge"
    assert hidden_share(np.zeros_like(labels), rgb, valid) == 0


def test_what_white_spots_hide_widens_the_cover_and_is_refused_beyond_the_limit() -> None:
    mask = np.zeros((20, 20), bool)
    tissue = {"live": mask, "specimen": mask, "burnt": mask, "all_burnt": mask, "shine": mask}
    assert check_tissue(**tissue, unsure=0.0, hidden=HIDDEN_REJECTED) == ()
    with pytest.raises(PhotoRejectedError) as error:
        check_tissue(**tissue, unsure=0.0, hidden=HIDDEN_REJECTED + 0.01)
    assert error.value.code == "glare"
    labels = np.zeros((60, 60), np.uint8)
    labels[10:50, 10:50] = LIVE
    plain, spotted = (
        measure(
            labels,
            mm_per_px=0.2,
            rsd=AreaSd(corners=0, print_scale=0, height=0),
            lab=None,
            left_out=labels > LIVE,
            hidden=share,
        ).live_cover_sd
        for share in (0.0, 0.04)
    )
    assert plain is not None
    assert spotted == pytest.approx(np.hypot(plain, 0.06))
