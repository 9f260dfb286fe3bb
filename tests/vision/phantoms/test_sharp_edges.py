"""Focus and motion read from markers of photos whose blur is known."""

import numpy as np
import pytest

from phantoms.cameras import Camera, Develop, Pose
from phantoms.render import encode_jpeg, render
from phantoms.scene import Lighting, Printed, Scene
from polypward.cards import load_layout
from polypward_vision.find_card import find_card, grey_of
from polypward_vision.load import decode
from polypward_vision.quality import MOTION_RATIO, EdgeWidths, edge_widths

STRIP = Scene(
    specimens=(), printed=Printed(card=load_layout("strip"), error_de=0), lighting=Lighting()
)


def _edges(roll_deg: float, motion_px: float, motion_deg: float) -> EdgeWidths:
    camera = Camera(
        rows=1224,
        cols=1632,
        focal_35mm=35,
        pose=Pose(distance_mm=290, tilt_deg=1.5, roll_deg=roll_deg),
        develop=Develop(defocus_px=0.7, motion_px=motion_px, motion_deg=motion_deg),
    )
    photo = decode(encode_jpeg(render(STRIP, camera, seed=2)))
    found = find_card(photo)
    side = np.linalg.norm(found.corners_px[0] - found.corners_px[1])
    edges = edge_widths(grey_of(photo.rgb), found, mm_per_px=float(12 / side))
    assert edges is not None
    return edges


@pytest.mark.parametrize("roll_deg", [-1.0, 0.0, 1.0, 2.0, 40.0, 91.0])
def test_a_still_photo_shows_no_motion_however_the_card_lies(roll_deg: float) -> None:
    """Two pairs of directions do not fix the phase of motion; it was made up from rounding once."""
    edges = _edges(roll_deg, 0, 0)
    assert edges.wide_mm < 1.3 * edges.narrow_mm


def test_a_smear_along_the_rows_is_seen() -> None:
    edges = _edges(1.0, 5, 0)
    assert edges.wide_mm > MOTION_RATIO * edges.narrow_mm
