"""Two cards in one photo: the new one is printed in colours that are known."""

from dataclasses import replace

import numpy as np
import pytest
from tests.vision import conftest

from polypward.cards import load_layout
from polypward.errors import PhotoRejectedError
from polypward_vision.colour.science import (
    SRGB_TO_XYZ_D50,
    delta_e_2000,
    lab_to_xyz,
    linear_to_srgb,
    srgb_to_linear,
    xyz_to_lab,
)
from polypward_vision.two_cards import find_cards, seen_by

OLD, NEW = "S7KD4QW", "S2MQ8RA"
# The new print is yellower and a little lighter in the blue-greens.
PRINT = np.array([1.0, 0.97, 0.88])
PLACES = ((0.0, 0.0), (0.0, 64.0))


def known_card():
    card = replace(load_layout("strip"), serial=OLD, print_scale=(1.0, 1.0))
    return replace(card, values="measured")


def true_lab() -> np.ndarray:
    """Lab of the new card's patches as they are drawn."""
    nominal = np.array([patch.lab_d50 for patch in load_layout("strip").patches])
    linear = np.clip(np.asarray(lab_to_xyz(nominal)) @ np.linalg.inv(SRGB_TO_XYZ_D50).T, 0, 1)
    printed = np.clip(np.asarray(linear_to_srgb(linear)) * PRINT, 0, 1)
    return np.asarray(xyz_to_lab(np.asarray(srgb_to_linear(printed)) @ SRGB_TO_XYZ_D50.T))


def both(kit, *, swapped=False, tilt_deg=5.0, change=None):
    view_of, _, snap = kit
    view = view_of(rows=1500, cols=2000, distance_mm=300, aim_mm=(43, 60), tilt_deg=tilt_deg)
    at = PLACES[::-1] if swapped else PLACES

    def with_new(picture):
        art = conftest._artwork("strip", NEW)
        conftest._ARTWORK["strip", "new print"] = np.clip(art * PRINT, 0, 255).astype(np.uint8)
        conftest._draw_card(picture, "strip", "new print", view, at[1])
        return picture if change is None else change(picture)

    return snap(view, layout="strip", serial=OLD, cards_at_mm=[at[0]], change=with_new)


def test_both_cards_are_found(kit) -> None:
    assert [one.layout for one in find_cards(both(kit))] == ["strip", "strip"]
    view_of, _, snap = kit
    assert [one.layout for one in find_cards(snap(view_of()))] == ["frame"]
    assert find_cards(snap(view_of(), layout=None)) == []


@pytest.mark.parametrize("swapped", [False, True])
def test_the_new_cards_colours_are_read_by_the_old(kit, swapped) -> None:
    # Truth: what was drawn, up to the common lightness that two unevenly lit cards cannot tell.
    lab = seen_by(both(kit, swapped=swapped), known_card(), new_serial=NEW, new_layout="strip",
                  residuals=None)  # fmt: skip
    truth, nominal = true_lab(), np.array([p.lab_d50 for p in load_layout("strip").patches])
    read = np.isfinite(lab).all(axis=1)
    assert read.all()
    error = np.asarray(delta_e_2000(lab, truth))
    assert np.median(error) < 1.5
    # It is much nearer to what was printed than the nominal colours are.
    assert np.median(error) < 0.4 * np.median(np.asarray(delta_e_2000(nominal, truth)))


def test_a_lamp_to_one_side_is_no_other_print(kit) -> None:
    def slanted(picture):
        fall = np.linspace(1.0, 0.75, picture.shape[1], dtype=np.float32)
        return picture * fall[None, :, None]

    lab = seen_by(both(kit, change=slanted), known_card(), new_serial=NEW, new_layout="strip",
                  residuals=None)  # fmt: skip
    assert np.median(np.asarray(delta_e_2000(lab, true_lab()))) < 2.0


def test_a_photo_without_both_cards_says_which_is_missing(kit) -> None:
    view_of, _, snap = kit
    view = view_of(rows=1500, cols=2000, distance_mm=300, aim_mm=(43, 27))
    alone = snap(view, layout="strip", serial=OLD)
    with pytest.raises(PhotoRejectedError, match=NEW):
        seen_by(alone, known_card(), new_serial=NEW, new_layout="strip", residuals=None)
    with pytest.raises(PhotoRejectedError, match="S7KD4QX"):
        seen_by(
            both(kit), replace(known_card(), serial="S7KD4QX"), new_serial=NEW,
            new_layout="strip", residuals=None,
        )  # fmt: skip


def test_blue_light_bridges_nothing(kit) -> None:
    def blue(picture):
        light = np.clip(picture / 255, 0, 1) ** 2.2
        mixed = light @ np.array([[0.02, 0.01, 0.0], [0.0, 0.05, 0.0], [0.02, 0.16, 0.8]])
        return (255 * np.clip(mixed, 0, 1) ** (1 / 2.2)).astype(np.float32)

    with pytest.raises(PhotoRejectedError) as caught:
        seen_by(both(kit, change=blue), known_card(), new_serial=NEW, new_layout="strip",
                residuals=None)  # fmt: skip
    assert caught.value.code in ("colour-refused", "no-card", "glare")
