"""Whole photos: the card is found where it is, the truth fits, the seed decides everything."""

import io
from dataclasses import replace
from datetime import datetime, timedelta, timezone

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageOps

from phantoms.bodies import PLANS
from phantoms.cameras import Camera, Develop, Pose
from phantoms.cardprint import print_card, printed_labs
from phantoms.develop import develop, encode
from phantoms.lights import actinic
from phantoms.projection import Projection
from phantoms.render import encode_jpeg, render
from phantoms.scene import Lighting, Look, Printed, Scene, SpecimenModel
from phantoms.settings import HELD_OUT, TRAIN, UNSEEN, Family, random_camera, random_scene
from polypward.cards import load_layout, parse_serial_code
from polypward.labels import LIVE

FRAME = replace(load_layout("frame"), serial="F7KD4QW")
BROWN = Look(main=(42, 10, 26), second=(55, -20, 30), mouth=(60, -25, 35), rim=(60, 6, 25))
ROUND = SpecimenModel(plan="round", radius_mm=20, height_mm=15, seed=5, look=BROWN, bare=0.1)
SCENE = Scene(specimens=(ROUND,), printed=Printed(card=FRAME, error_de=0))
CAMERA = Camera(
    rows=1200,
    cols=1600,
    focal_35mm=30,
    pose=Pose(distance_mm=320, tilt_deg=9, tilt_towards_deg=20, roll_deg=7),
    develop=Develop(defocus_px=0.7),
)


@pytest.fixture(scope="module")
def photo() -> np.ndarray:
    return render(SCENE, CAMERA, seed=3).rgb


def test_markers_are_found_where_the_pinhole_puts_them(photo: np.ndarray) -> None:
    finder = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    )
    corners, ids, _ = finder.detectMarkers(cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY))
    found = {int(i): c[0] for i, c in zip(ids.ravel(), corners, strict=True)}
    assert set(found) == {marker.id for marker in FRAME.markers}
    projection = Projection(CAMERA, (93, 93))  # the middle of the frame
    grey = cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY)
    for marker in FRAME.markers:
        true = projection.pixels(np.array(marker.corners_mm), 0)
        seen = cv2.cornerSubPix(
            grey, found[marker.id].copy(), (3, 3), (-1, -1), (cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
        )
        # Blur and sharpening draw a square's corners inwards by about a quarter of a pixel.
        assert np.abs(seen - true).max() < 0.6


def test_the_distance_follows_from_the_focal_length(photo: np.ndarray) -> None:
    finder = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    )
    corners, ids, _ = finder.detectMarkers(cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY))
    by_id = {marker.id: marker.corners_mm for marker in FRAME.markers}
    flat = np.concatenate([np.array(by_id[int(i)]) for i in ids.ravel()])
    solid = np.column_stack([flat, np.zeros(len(flat))])
    middle = Projection(CAMERA, (93, 93)).intrinsic
    _, turn, shift = cv2.solvePnP(solid, np.concatenate([c[0] for c in corners]), middle, None)
    matrix, _ = cv2.Rodrigues(turn)
    eye = -matrix.T @ shift[:, 0]
    assert -eye[2] == pytest.approx(320, rel=0.005)  # corners are known to a fraction of a pixel


def test_the_serial_can_be_read(photo: np.ndarray) -> None:
    text, *_ = cv2.QRCodeDetector().detectAndDecode(photo)
    assert parse_serial_code(text) == ("frame", "F7KD4QW")


def test_truth_is_the_circle_and_its_cut_to_a_tile_keeps_the_area() -> None:
    truth = render(SCENE, replace(CAMERA, rows=300, cols=400), seed=1).truth
    assert truth is not None
    whole = truth.live_mm2 + truth.bare_mm2 + truth.overgrown_mm2
    assert whole == pytest.approx(np.pi * 20**2, rel=1e-3)
    assert truth.live_cover == pytest.approx(0.9, abs=1e-4)
    x, y, w, h = FRAME.window_mm or (0, 0, 0, 0)
    tile = truth.labels(x, y, 0.2, (round(h / 0.2), round(w / 0.2)))
    # Twice as coarse a grid: the rim's pixels fall either way, about 0.1 % of the area.
    assert np.count_nonzero(tile == LIVE) * 0.04 == pytest.approx(truth.live_mm2, rel=4e-3)
    row, col = np.nonzero(tile)
    assert x + col.mean() * 0.2 + 0.1 == pytest.approx(93, abs=0.05)
    assert y + row.mean() * 0.2 + 0.1 == pytest.approx(93, abs=0.05)


def test_the_specimen_is_seen_where_its_own_plane_is() -> None:
    """A disc that differs from everything around it has the area that its height gives it."""
    red = Look(main=(45, 60, 40), second=(45, 60, 40), mouth=(45, 60, 40), rim=(45, 60, 40),
               pattern="plain", translucent=0, glint=0)  # fmt: skip
    disc = replace(ROUND, look=red, bare=0.0)
    camera = replace(CAMERA, pose=Pose(distance_mm=320, tilt_deg=0))
    lighting = Lighting(ambient=0.95, gradient=0)
    with_it = render(replace(SCENE, specimens=(disc,), lighting=lighting), camera, seed=1).rgb
    inside = with_it[400:800, 600:1000].astype(int)  # the window, without the card's own reds
    red_px = inside[..., 0] - inside[..., 1] > 75  # about halfway to the grey around
    per_px = (320 - 15) / camera.focal_px
    # 2 %: the rim's shading and blur move the threshold by a part of a pixel of 60.
    assert np.count_nonzero(red_px) * per_px**2 == pytest.approx(np.pi * 20**2, rel=0.02)


def test_the_same_seed_gives_the_same_photo_and_another_one_another() -> None:
    small = replace(CAMERA, rows=240, cols=320)
    first, again, other = (render(SCENE, small, seed=s).rgb for s in (1, 1, 2))
    np.testing.assert_array_equal(first, again)
    assert (first != other).mean() > 0.3


@pytest.mark.parametrize("plan", sorted(PLANS))
def test_each_plan_can_be_photographed(plan: str) -> None:
    model = replace(ROUND, plan=plan, overgrown=0.15, radius_mm=24)
    rendering = render(
        replace(SCENE, specimens=(model,)), replace(CAMERA, rows=300, cols=400), seed=1
    )
    assert rendering.rgb.shape == (300, 400, 3)
    assert rendering.truth is not None
    assert rendering.truth.live_cover == pytest.approx(0.75, abs=0.01)
    assert rendering.rgb[110:190, 160:240].std() > 5  # something is there


def test_under_blue_light_the_paper_is_blue() -> None:
    dark = replace(SCENE, lighting=Lighting(lamp=actinic()))
    small = replace(CAMERA, rows=300, cols=400)
    white, blue = (render(s, small, seed=1).rgb.reshape(-1, 3) for s in (SCENE, dark))
    assert np.ptp(np.percentile(white, 97, axis=0)) < 25
    assert np.percentile(blue[:, 2], 97) - np.percentile(blue[:, 0], 97) > 120


def test_print_error_is_as_large_as_asked_and_printed_as_said() -> None:
    nominal = np.array([patch.lab_d50 for patch in FRAME.patches])
    printed = Printed(card=FRAME, error_de=6, seed=2)
    labs = printed_labs(printed)
    rms = np.sqrt(((labs - nominal) ** 2).sum(axis=1).mean())
    assert rms == pytest.approx(6, rel=0.02)  # whites cannot go past the paper's lightness
    np.testing.assert_allclose(print_card(printed).labs, labs, atol=0.2)
    np.testing.assert_array_equal(printed_labs(replace(printed, error_de=0)), nominal)


def test_a_brighter_scene_never_comes_out_darker() -> None:
    ramp = np.repeat(np.linspace(0, 1, 200, dtype=np.float32)[None, :, None], 30, 0).repeat(3, 2)
    for tone in ("srgb", "gamma", "s-curve", "filmic"):
        quiet = Develop(tone=tone, sharpen=0, vignette=0, full_well=1e9, read_noise=0)
        picture = develop(ramp.copy(), replace(CAMERA, develop=quiet), seed=1)
        middle = picture[15, :, 1].astype(int)
        assert (np.diff(middle) >= 0).all()
        assert middle[-1] - middle[0] > 200


def test_exif_says_when_and_with_what_and_the_turn_is_undone() -> None:
    rendering = render(SCENE, replace(CAMERA, rows=240, cols=320), seed=1)
    at = datetime(2026, 9, 7, 10, 30, tzinfo=timezone(timedelta(hours=2)))
    picture = Image.open(io.BytesIO(encode_jpeg(rendering, taken_at=at, orientation=6)))
    assert picture.size == (240, 320)  # stored lying on its side
    detail = picture.getexif().get_ifd(0x8769)
    assert detail[0x9003] == "2026:09:07 10:30:00"
    assert detail[0x9011] == "+02:00"
    assert detail[0xA405] == 30
    upright = np.asarray(ImageOps.exif_transpose(picture))
    assert np.abs(upright.astype(int) - rendering.rgb).mean() < 4  # JPEG at quality 92
    with pytest.raises(ValueError, match="orientation"):
        encode_jpeg(rendering, orientation=2)


def test_heic_carries_the_same_picture_and_time() -> None:
    rendering = render(SCENE, replace(CAMERA, rows=240, cols=320), seed=1)
    data = encode(
        rendering.rgb, CAMERA, taken_at=datetime(2026, 9, 7, 10, 30), kind="heic", offset=False
    )
    assert data[4:8] == b"ftyp"
    picture = pillow_heif.open_heif(data).to_pillow()
    assert np.abs(np.asarray(picture).astype(int) - rendering.rgb).mean() < 5
    detail = picture.getexif().get_ifd(0x8769)
    assert detail[0x9003] == "2026:09:07 10:30:00"
    assert 0x9011 not in detail


@pytest.mark.parametrize(("one", "other"), [(TRAIN, HELD_OUT), (TRAIN, UNSEEN), (HELD_OUT, UNSEEN)])
def test_two_families_share_nothing_but_tones_of_held_out_and_unseen(
    one: Family, other: Family
) -> None:
    for part in ("plans", "colours", "growths", "grounds", "sensors", "plugs"):
        assert not set(getattr(one, part)) & set(getattr(other, part)), part
    assert not {light.name for light in one.lamps} & {light.name for light in other.lamps}
    assert one is not TRAIN or not set(one.tones) & set(other.tones)


@pytest.mark.parametrize("family", [TRAIN, HELD_OUT, UNSEEN], ids=lambda family: family.name)
def test_random_scenes_keep_to_their_family_and_repeat_by_seed(family: object) -> None:
    pairs = [
        (random_scene(rng, family), random_camera(rng, family, megapixels=0.2))
        for rng in (np.random.default_rng(11), np.random.default_rng(11))
    ]
    first, again = (render(scene, camera, seed=1) for scene, camera in pairs)
    np.testing.assert_array_equal(first.rgb, again.rgb)
    assert pairs[0][0].specimens[0].plan in family.plans
    assert pairs[0][1].sensor in family.sensors
    assert first.truth is not None
