"""Tray photos: discs of known area beside tags, each measured by its own tag or not at all."""

from dataclasses import dataclass

import cv2
import numpy as np
import pytest
import segno

from polypward.errors import PhotoRejectedError
from polypward.records import PhotoSettings
from polypward_vision import measure_photo
from polypward_vision.corrected import CorrectedMap
from polypward_vision.tile import TileFrame

RED = (190, 40, 60)
TAG_MM = 16.0


@dataclass
class RedIsLive:
    """Stands in for the tissue model: red is live, white is bare, everything else is nothing."""

    white_l: float = 88.0

    def probabilities(self, lab, *, mm_per_px, valid=None, centre_mm=None):
        out = np.zeros((*lab.shape[:2], 4), np.float32)
        live = lab[..., 1] > 30
        # White paper looks like skeleton: the tags must be told from it.
        bare = (lab[..., 0] > self.white_l) & ~live
        out[..., 1], out[..., 2] = live, bare
        out[..., 0] = 1 - out.sum(axis=2)
        return out


def paste_tag(picture, view, name, at_mm, turn_deg):
    """Lay a tag of white paper flat on the card's plane: its code, the name in print beside it."""
    matrix = np.array([[bool(v) for v in row] for row in segno.make_qr(f"PWTAG {name}").matrix])
    fine = 8
    art = np.kron(np.pad(np.where(matrix, 30, 240), 4, constant_values=240), np.ones((fine, fine)))
    label = np.full((art.shape[0], art.shape[1] // 3), 240, np.uint8)
    cv2.putText(label, name, (4, art.shape[0] // 2), cv2.FONT_HERSHEY_SIMPLEX, 0.7, 30, 2)
    art = np.hstack([art, label])
    step = TAG_MM / (len(matrix) * fine)
    cos, sin = np.cos(np.radians(turn_deg)) * step, np.sin(np.radians(turn_deg)) * step
    turn = np.array([[cos, -sin], [sin, cos]])
    middle = turn @ (art.shape[0] / 2, art.shape[0] / 2)
    to_mm = np.array(
        [[cos, -sin, at_mm[0] - middle[0]], [sin, cos, at_mm[1] - middle[1]], [0, 0, 1]]
    )
    size = (picture.shape[1], picture.shape[0])
    soft = cv2.GaussianBlur(art.astype(np.float32), (0, 0), 3)
    drawn = cv2.warpPerspective(soft, view.plane() @ to_mm, size)
    cover = cv2.warpPerspective(np.ones_like(soft), view.plane() @ to_mm, size)[..., None]
    return picture + cover * (drawn[..., None] - picture)


def tray(kit, places, tags, *, tilt_deg=6.0, **settings):
    """Photograph a strip with discs (x, y, radius) and tags (name, x, y) beside it."""
    view_of, disc_of, snap = kit
    view = view_of(rows=2400, cols=3200, distance_mm=420, aim_mm=(120, 60), tilt_deg=tilt_deg)
    height = settings.get("height_mm", 0.0)
    discs = [disc_of(at_mm=(x, y), radius_mm=r, height_mm=height, rgb=RED) for x, y, r in places]

    def with_tags(picture):
        for name, x, y in tags:
            picture = paste_tag(picture, view, name, (x, y), TURNS.get(name, 20.0))
        return picture

    photo = snap(view, layout="strip", serial="S7KD4QW", discs=discs, change=with_tags)
    return photo, discs, PhotoSettings(height_mm=height)


def measured(photo, settings, **more):
    result = measure_photo(photo, settings=settings, model=RedIsLive(), **more)
    return {one.tags[0]: one for one in (result, *result.others)}, result


PLACES = ((125, 20, 11), (185, 20, 14), (125, 95, 9), (185, 95, 12))
TAGS = (("A1", 125, 49), ("B2", 185, 54), ("C3", 125, 122), ("D4", 185, 126))
TURNS = {"A1": 0.0, "B2": 37.0, "C3": 74.0, "D4": 111.0}


@pytest.mark.parametrize("height_mm", [0.0, 12.0])
def test_each_specimen_is_measured_by_its_own_tag(kit, height_mm) -> None:
    photo, discs, settings = tray(kit, PLACES, TAGS, height_mm=height_mm)
    found, result = measured(photo, settings)
    assert sorted(found) == ["A1", "B2", "C3", "D4"]
    assert result.left_out == ()
    for (name, _, _), disc in zip(TAGS, discs, strict=True):
        reading = found[name].reading
        # The tolerance that is asked for against single photos; the truth here is geometry.
        assert reading.live_mm2 == pytest.approx(disc.area_mm2, rel=0.02), name
        assert reading.live_cover == 1.0
        assert "tray" in reading.reasons
        middle = np.argwhere(found[name].mask).mean(axis=0)[::-1] * reading.tile_mm_per_px
        corner = np.array([reading.tile_x_mm, reading.tile_y_mm])
        assert middle + corner == pytest.approx(disc.at_mm, abs=0.5)
        # The cut-out shows this specimen and no other.
        assert found[name].tile.shape[0] * reading.tile_mm_per_px < 2 * disc.radius_mm + 20


def test_alone_or_in_company_the_area_is_the_same(kit) -> None:
    photo, _, settings = tray(kit, PLACES, TAGS)
    together, _ = measured(photo, settings)
    for place, (name, x, y) in zip(PLACES, TAGS, strict=True):
        # A second tag far off, without a specimen, keeps it a tray photo.
        alone, _, _ = tray(kit, [place], [(name, x, y), ("far", 60, 150)])
        single, result = measured(alone, settings)
        assert [one.tag for one in result.left_out] == ["far"]
        assert single[name].reading.live_mm2 == pytest.approx(
            together[name].reading.live_mm2, rel=0.01
        )


@pytest.mark.parametrize(
    ("places", "tags", "says"),
    [
        # Two specimens as near as each other.
        (((98, 20, 10), (155, 20, 10), (185, 95, 12)), (("A1", 125, 20), ("D4", 185, 126)), "two"),
        # None near enough.
        (((185, 95, 12),), (("A1", 110, 0), ("D4", 185, 126)), "no specimen within"),
        # One specimen between two tags, a third tag clear.
        (
            ((125, 20, 11), (185, 95, 12)),
            (("A1", 125, 49), ("B2", 125, -8), ("D4", 185, 126)),
            "from the tag",
        ),
    ],
)
def test_a_tag_that_is_not_clear_is_left_out(kit, places, tags, says) -> None:
    photo, discs, settings = tray(kit, places, tags)
    found, result = measured(photo, settings)
    assert list(found) == ["D4"]
    assert found["D4"].reading.live_mm2 == pytest.approx(discs[-1].area_mm2, rel=0.02)
    assert [one.tag for one in result.left_out] == [name for name, *_ in tags[:-1]]
    for one in result.left_out:
        assert one.code == "tag-unclear"
    assert says in result.left_out[0].detail


def test_no_clear_tag_at_all_rejects_the_photo(kit) -> None:
    photo, _, settings = tray(kit, ((125, 20, 11),), (("A1", 125, 45), ("B2", 125, -5)))
    with pytest.raises(PhotoRejectedError, match="tag-unclear") as caught:
        measured(photo, settings)
    assert caught.value.known["card"] == "strip"


def test_a_specimen_cut_by_the_pictures_edge_is_left_out(kit) -> None:
    photo, _, settings = tray(kit, (*PLACES[:3], (265, 20, 30)), (*TAGS[:3], ("E5", 225, 20)))
    found, result = measured(photo, settings)
    assert "E5" not in found
    assert "E5" in [one.tag for one in result.left_out]


def test_a_persons_map_of_one_specimen(kit) -> None:
    photo, discs, settings = tray(kit, PLACES, TAGS)
    half = np.zeros((100, 100), np.uint8)
    half[:, :50] = 1
    first, _ = measured(photo, settings)
    drawn = CorrectedMap(
        labels=half,
        frame=TileFrame(x_mm=115.0, y_mm=10.0, rows=100, cols=100),
        to_full=np.array(first["A1"].correction["plane"]),
    )
    found, _ = measured(photo, settings, corrected_parts={"A1": drawn})
    assert found["A1"].reading.live_mm2 == pytest.approx(200.0)
    assert "map-corrected" in found["A1"].reading.reasons
    assert found["B2"].reading.live_mm2 == pytest.approx(discs[1].area_mm2, rel=0.02)


def test_a_photo_that_a_person_gave_to_one_specimen_is_no_tray(kit) -> None:
    view_of, disc_of, snap = kit
    view = view_of(rows=1800, cols=2400)
    disc = disc_of(at_mm=(93, 93), radius_mm=18, rgb=RED)

    def with_tags(picture):
        for name, at in (("A1", (58, 60)), ("B2", (126, 126))):
            picture = paste_tag(picture, view, name, at, 0)
        return picture

    photo = snap(view, discs=[disc], change=with_tags)
    found = measure_photo(
        photo, settings=PhotoSettings(height_mm=0.0), model=RedIsLive(white_l=101), tray=False
    )
    assert found.tags == ("A1", "B2")
    assert found.others == ()
    assert found.reading.live_mm2 == pytest.approx(disc.area_mm2, rel=0.01)
    assert found.reading.live_cover == 1.0
