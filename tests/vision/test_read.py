"""Whole readings of drawn photos: areas are analytic, tilt and distance those of the camera."""

import json
from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest

from polypward.cards import load_layout
from polypward.errors import BadInputError, PhotoRejectedError
from polypward.records import PhotoSettings
from polypward_vision import measure_photo
from polypward_vision.colour.apply import Correction
from polypward_vision.colour.science import (
    SRGB_TO_XYZ_D50,
    delta_e_2000,
    srgb_to_linear,
    xyz_to_lab,
)
from polypward_vision.corrected import CorrectedMap, measure_again
from polypward_vision.tile import frame_beside

RED = (190, 40, 60)
WINDOW = frame_beside(load_layout("frame"))[0]
PALE = (228, 214, 196)


@dataclass
class RedIsLive:
    """Stands in for the tissue model: red is live, pale is bare, everything else is nothing."""

    level: float = 30.0

    def probabilities(self, lab, *, mm_per_px, valid=None, centre_mm=None):
        out = np.zeros((*lab.shape[:2], 4), np.float32)
        live = lab[..., 1] > self.level
        bare = (lab[..., 0] > 82) & (lab[..., 2] > 5) & ~live
        out[..., 1], out[..., 2] = live, bare
        out[..., 0] = 1 - out.sum(axis=2)
        return out


MODEL = RedIsLive()


def measure(photo, *, settings=None, cards=(), **more):
    return measure_photo(
        photo, settings=settings or PhotoSettings(), cards=cards, model=MODEL, **more
    )


@pytest.mark.parametrize("height", [0.0, 25.0])
@pytest.mark.parametrize("tilt", [0.0, 14.0, 24.0])
def test_area_of_a_disc(kit, tilt, height) -> None:
    """Known area on the card's plane and above it, straight and tilted; 1 % is the aim."""
    view_of, disc_of, snap = kit
    view = view_of(tilt_deg=tilt, distance_mm=360)
    disc = disc_of(at_mm=(96, 88), radius_mm=24, height_mm=height, rgb=RED)
    result = measure(snap(view, discs=[disc]), settings=PhotoSettings(height_mm=height))
    reading = result.reading
    assert reading.live_mm2 == pytest.approx(disc.area_mm2, rel=0.01)
    assert abs(reading.live_mm2 - disc.area_mm2) < 2.5 * reading.live_mm2_sd
    assert reading.perimeter_mm == pytest.approx(2 * np.pi * 24, rel=0.02)
    assert reading.camera_mm == pytest.approx(360, rel=0.01)
    assert reading.height_mm == height
    assert reading.card_serial == "F7KD4QW"
    if tilt:
        assert reading.tilt_deg == pytest.approx(tilt, abs=1)
    assert ("tilt-noted" in reading.reasons) is (tilt > 15)
    # Card mm per pixel on the optical axis: the way is D / cos, and one direction foreshortened.
    on_axis = 360 / view.focal_px / np.cos(np.radians(tilt)) ** 1.5
    assert reading.mm_per_px == pytest.approx(on_axis, rel=0.03)
    # The disc's centre comes back in card coordinates.
    rows, cols = np.nonzero(result.mask == 1)
    at = np.array([cols.mean() + 0.5, rows.mean() + 0.5]) * reading.tile_mm_per_px
    at += np.array([reading.tile_x_mm, reading.tile_y_mm])
    np.testing.assert_allclose(at, (96, 88), atol=0.4)


def test_ignored_height_is_the_known_factor(kit) -> None:
    """Without the height the area is too large by (D / (D - h))^2, and the note says so."""
    view_of, disc_of, snap = kit
    disc = disc_of(at_mm=(93, 93), radius_mm=20, height_mm=30, rgb=RED)
    reading = measure(snap(view_of(distance_mm=300), discs=[disc])).reading
    assert reading.live_mm2 == pytest.approx(disc.area_mm2 * (300 / 270) ** 2, rel=0.01)
    assert reading.height_mm is None
    assert "no-height" in reading.reasons


def test_cover_and_strip(kit) -> None:
    """Half live, half bare beside a strip, where its arrow points."""
    view_of, disc_of, snap = kit
    view = view_of(distance_mm=330, aim_mm=(43, -20), tilt_deg=6)
    discs = [
        disc_of(at_mm=(43, -48), radius_mm=np.sqrt(2) * 15, rgb=PALE),
        disc_of(at_mm=(43, -48), radius_mm=15, rgb=RED),
    ]
    result = measure(
        snap(view, layout="strip", serial="SABC234", discs=discs),
        settings=PhotoSettings(height_mm=0.0),
    )
    reading = result.reading
    assert reading.card == "strip"
    assert reading.live_cover == pytest.approx(0.5, abs=0.02)
    # A thin ring has 230 mm of rim; the stand-in's thresholds may move it by a tenth of a mm.
    assert reading.bare_mm2 == pytest.approx(np.pi * 15**2, rel=0.06)
    assert reading.bare_lab is not None
    assert reading.tile_x_mm + result.mask.shape[1] * reading.tile_mm_per_px / 2 == pytest.approx(
        42.8, abs=25
    )


def test_colour_of_a_faithful_photo(kit) -> None:
    """The card as drawn in sRGB: left-out errors are small and the disc's colour is its own."""
    view_of, disc_of, snap = kit
    photo = snap(view_of(), discs=[disc_of(at_mm=(93, 93), radius_mm=25, rgb=RED)])
    result = measure(photo, settings=PhotoSettings(height_mm=0.0))
    reading = result.reading
    assert reading.colour_grade == "relative"
    assert reading.de00_mean < 1.0
    true = xyz_to_lab(SRGB_TO_XYZ_D50 @ srgb_to_linear(np.array(RED) / 255))
    assert float(delta_e_2000((reading.L, reading.a, reading.b), true)) < 1.5
    # The palette's areas add up to the live area, its mean colour is the mean colour.
    palette = reading.live_palette
    assert palette[:, 3].sum() == pytest.approx(reading.live_mm2, rel=1e-4)
    mean = (palette[:, :3] * palette[:, 3:]).sum(axis=0) / palette[:, 3].sum()
    np.testing.assert_allclose(mean, (reading.L, reading.a, reading.b), atol=0.01)
    assert result.patch_residuals.shape == (68, 3)
    assert np.nanmedian(np.abs(result.patch_residuals)) < 1


def test_colour_survives_tone_cast_and_gradient(kit) -> None:
    """An S-curve, a colour cast and light that falls off to one side are taken off by the card."""
    view_of, disc_of, snap = kit

    def change(picture):
        light = srgb_to_linear(np.clip(picture / 255, 0, 1))
        slope = 1 - 0.25 * np.linspace(0, 1, picture.shape[1])[None, :, None]
        light = light * np.array([0.95, 0.8, 0.6]) * slope
        v = np.clip(light, 0, 1) ** (1 / 2.0)
        v = v + 0.25 * v * (1 - v) * (2 * v - 1)
        return (255 * v).astype(np.float32)

    photo = snap(view_of(), discs=[disc_of(at_mm=(93, 93), radius_mm=25, rgb=RED)], change=change)
    reading = measure(photo, settings=PhotoSettings(height_mm=0.0)).reading
    true = xyz_to_lab(SRGB_TO_XYZ_D50 @ srgb_to_linear(np.array(RED) / 255))
    assert reading.colour_grade == "relative"
    assert float(delta_e_2000((reading.L, reading.a, reading.b), true)) < 2.5


def test_correction_redoes_the_colour_from_the_kept_cut_out(kit) -> None:
    view_of, disc_of, snap = kit
    photo = snap(view_of(tilt_deg=5), discs=[disc_of(at_mm=(93, 93), radius_mm=25, rgb=RED)])
    result = measure(photo)
    kept = Correction.from_json(json.loads(json.dumps(result.correction)))
    reading = result.reading
    lab = kept.to_lab(
        result.tile, x_mm=reading.tile_x_mm, y_mm=reading.tile_y_mm,
        mm_per_px=reading.tile_mm_per_px,
    )  # fmt: skip
    np.testing.assert_allclose(
        lab[result.mask == 1].mean(axis=0), (reading.L, reading.a, reading.b), atol=0.3
    )


def test_blue_photo_gives_areas_and_no_colour(kit) -> None:
    view_of, disc_of, snap = kit

    def blue(picture):
        light = srgb_to_linear(np.clip(picture / 255, 0, 1))
        mixed = light @ np.array([[0.02, 0.01, 0.0], [0.0, 0.05, 0.0], [0.02, 0.16, 0.8]])
        return (255 * np.clip(mixed, 0, 1) ** (1 / 2.2)).astype(np.float32)

    disc = disc_of(at_mm=(93, 93), radius_mm=25, rgb=(255, 40, 60))
    photo = snap(view_of(), discs=[disc], change=blue)
    whole = np.zeros((560, 560), np.uint8)
    whole[200:300, 200:300] = 1
    result = measure(photo, settings=PhotoSettings(height_mm=0.0), corrected_map=drawn(whole))
    reading = result.reading
    assert reading.colour_grade == "refused"
    assert "colour-refused" in reading.reasons
    assert (reading.L, reading.a, reading.b, reading.live_palette) == (None, None, None, None)
    assert reading.live_mm2 == pytest.approx(400.0)
    assert result.patch_residuals is None


@pytest.mark.parametrize(("share", "spoiled"), [(0.05, False), (0.2, True)])
def test_what_is_burnt_out_costs_the_colour_and_not_the_area(kit, share, spoiled) -> None:
    view_of, disc_of, snap = kit
    discs = [
        disc_of(at_mm=(93, 93), radius_mm=25, rgb=RED),
        disc_of(at_mm=(93, 93), radius_mm=25 * np.sqrt(share), rgb=(255, 60, 80)),
    ]
    reading = measure(snap(view_of(), discs=discs), settings=PhotoSettings(height_mm=0.0)).reading
    assert reading.live_mm2 == pytest.approx(discs[0].area_mm2, rel=0.01)
    assert "clipped-some" in reading.reasons
    assert ("colour-spoiled" in reading.reasons) is spoiled
    assert reading.colour_grade == ("refused" if spoiled else "relative")
    assert (reading.L is None) is spoiled
    assert (reading.live_palette is None) is spoiled


def test_own_card_and_print_scale(kit) -> None:
    """A print 2 % too large: known by its serial, the area grows by 4 % and the SD shrinks."""
    view_of, disc_of, snap = kit
    photo = snap(view_of(), discs=[disc_of(at_mm=(93, 93), radius_mm=20, rgb=RED)])
    settings = PhotoSettings(height_mm=0.0)
    plain = measure(photo, settings=settings).reading
    own = replace(load_layout("frame"), serial="F7KD4QW", print_scale=(1.02, 1.02))
    known = measure(photo, settings=settings, cards=[own]).reading
    assert "no-print-scale" in plain.reasons
    assert "no-print-scale" not in known.reasons
    assert known.live_mm2 == pytest.approx(plain.live_mm2 * 1.02**2, rel=0.003)
    assert known.live_mm2_sd < plain.live_mm2_sd


def test_serial_that_cannot_be_read(kit) -> None:
    view_of, disc_of, snap = kit
    discs = [disc_of(at_mm=(93, 93), radius_mm=20, rgb=RED),
             disc_of(at_mm=(34, 174), radius_mm=9, rgb=(120, 80, 50))]  # fmt: skip
    photo = snap(view_of(), discs=discs)
    own = [replace(load_layout("frame"), serial=serial) for serial in ("F2", "F3")]
    assert "serial-unknown" in measure(photo).reading.reasons
    one = measure(photo, cards=own[:1]).reading
    assert (one.card_serial, "serial-assumed" in one.reasons) == ("F2", True)
    assert "serial-unknown" in measure(photo, cards=own).reading.reasons


def test_without_card(kit) -> None:
    view_of, disc_of, snap = kit
    view = view_of()
    disc = disc_of(at_mm=(93, 93), radius_mm=20, rgb=RED)
    photo = snap(view, layout=None, discs=[disc])
    step = view.distance_mm / view.focal_px
    result = measure(photo, settings=PhotoSettings(mm_per_px=step))
    reading = result.reading
    assert reading.live_mm2 == pytest.approx(disc.area_mm2, rel=0.01)
    assert reading.colour_grade == "refused"
    assert reading.L is None
    assert "no-card-scale" in reading.reasons
    assert (reading.tile_x_mm, reading.tile_y_mm) == (0.0, 0.0)


def test_outline_restricts_the_map(kit) -> None:
    view_of, disc_of, snap = kit
    photo = snap(view_of(), discs=[disc_of(at_mm=(93, 93), radius_mm=20, rgb=RED)])
    half = ((93.0, 60.0), (130.0, 60.0), (130.0, 130.0), (93.0, 130.0))
    result = measure(photo, settings=PhotoSettings(outline_mm=half, height_mm=0.0))
    assert result.reading.live_mm2 == pytest.approx(np.pi * 20**2 / 2, rel=0.015)
    assert "outline-used" in result.reading.reasons


def test_corrected_map_that_does_not_fit(kit) -> None:
    view_of, _, snap = kit
    photo = snap(view_of())
    for wrong in (np.zeros((5, 5), np.uint8), np.full((560, 560), 7, np.uint8)):
        with pytest.raises(BadInputError, match="corrected map"):
            measure(photo, corrected_map=drawn(wrong))


def drawn(labels, to_full=None) -> CorrectedMap:
    return CorrectedMap(labels=labels, frame=WINDOW, to_full=to_full)


def test_a_corrected_map_follows_the_photo_to_another_height(kit) -> None:
    # Truth: the map is drawn on the photo. Seen on a plane 20 mm higher under a camera 360 mm away,
    # the same pixels cover ((360 - 20) / 360)^2 of the area.
    view_of, disc_of, snap = kit
    photo = snap(view_of(), discs=[disc_of(at_mm=(93, 93), radius_mm=25, rgb=RED)])
    whole = np.zeros((WINDOW.rows, WINDOW.cols), np.uint8)
    whole[200:350, 200:350] = 1
    flat = measure(photo, settings=PhotoSettings(height_mm=0.0), corrected_map=drawn(whole))
    assert flat.reading.live_mm2 == pytest.approx(900.0)
    assert "map-corrected" in flat.reading.reasons
    high = measure(
        photo,
        settings=PhotoSettings(height_mm=20.0),
        corrected_map=drawn(whole, to_full=np.array(flat.correction["plane"])),
    )
    assert high.reading.live_mm2 == pytest.approx(900 * (340 / 360) ** 2, rel=0.005)


def test_a_cut_out_measured_again_by_a_map_gives_what_the_photo_gives(kit) -> None:
    # Truth: the same map and pixels, once with the photo at hand and once from what a ward keeps.
    view_of, disc_of, snap = kit
    photo = snap(view_of(), discs=[disc_of(at_mm=(93, 93), radius_mm=25, rgb=RED)])
    first = measure(photo, settings=PhotoSettings(height_mm=0.0))
    labels = np.zeros((WINDOW.rows, WINDOW.cols), np.uint8)
    labels[200:350, 200:350] = 1
    labels[200:350, 300:350] = 2
    whole = measure(photo, settings=PhotoSettings(height_mm=0.0), corrected_map=drawn(labels))
    again = measure_again(
        first.tile, labels, frame=WINDOW, correction=first.correction, reading=first.reading
    )
    for name in ("live_mm2", "live_mm2_sd", "bare_mm2", "live_cover", "live_cover_sd"):
        assert getattr(again, name) == pytest.approx(getattr(whole.reading, name)), name
    # A ward keeps the tone curves of a correction to five digits.
    for name in ("L", "a"):
        assert getattr(again, name) == pytest.approx(getattr(whole.reading, name), rel=1e-5), name
    assert set(again.reasons) == set(whole.reading.reasons)
    with pytest.raises(BadInputError, match="no specimen"):
        measure_again(
            first.tile, 0 * labels, frame=WINDOW, correction=first.correction, reading=first.reading
        )


def _code(photo, **more) -> str:
    with pytest.raises(PhotoRejectedError) as caught:
        measure(photo, **more)
    assert caught.value.detail
    return caught.value.code


def test_a_rejection_tells_the_card_and_the_light(kit) -> None:
    view_of, _, snap = kit
    with pytest.raises(PhotoRejectedError) as caught:
        measure(snap(view_of(tilt_deg=12)))
    known = caught.value.known
    assert (known["card"], known["card_serial"]) == ("frame", "F7KD4QW")
    assert known["colour_grade"] == "relative"
    assert known["tilt_deg"] == pytest.approx(12, abs=1)


def test_reasons_to_refuse(kit) -> None:
    view_of, disc_of, snap = kit
    disc = disc_of(at_mm=(93, 93), radius_mm=20, rgb=RED)
    far = disc_of(at_mm=(120, 60), radius_mm=12, rgb=RED)
    near = disc_of(at_mm=(66, 120), radius_mm=12, rgb=RED)
    view = view_of()
    assert _code(snap(view)) == "nothing-found"
    assert _code(snap(view, discs=[far, near])) == "several-specimens"
    assert _code(snap(view_of(tilt_deg=41, distance_mm=400), discs=[disc])) == "tilted"
    assert _code(snap(view, discs=[disc], change=lambda p: p * np.float32(0.2))) == "too-dark"
    assert (
        _code(snap(view, discs=[disc], change=lambda p: cv2.GaussianBlur(p, (0, 0), 3.2)))
        == "blurred"
    )
    assert _code(snap(view, discs=[disc], change=lambda p: cv2.blur(p, (9, 1)))) == "motion"

    def ripple(picture):
        row, col = np.mgrid[: picture.shape[0], : picture.shape[1]].astype(np.float32)
        return cv2.remap(
            picture, col + 6 * np.sin(row / 60), row + 6 * np.sin(col / 50), cv2.INTER_LINEAR
        )

    assert _code(snap(view, discs=[disc], change=ripple)) == "ripple"
