"""Shapes and labels of phantoms: areas that geometry gives, shares that were asked for."""

from dataclasses import replace

import numpy as np
import pytest

from phantoms.bodies import BODY_PX_MM, PLANS, make_body
from phantoms.dress import dress
from phantoms.scene import Lighting, Look, SpecimenModel
from polypward.labels import BARE, LIVE, OVERGROWN

BROWN = Look(main=(42, 10, 26), second=(55, -20, 30), mouth=(60, -25, 35), rim=(60, 6, 25))
MODEL = SpecimenModel(plan="disc", radius_mm=15, height_mm=8, seed=5, look=BROWN)


@pytest.mark.parametrize("radius_mm", [9.0, 17.3])
def test_a_round_disc_has_the_area_of_a_circle(radius_mm: float) -> None:
    body = make_body("round", radius_mm=radius_mm, seed=1)
    area = np.count_nonzero(body.mask) * BODY_PX_MM**2
    # Counting pixels is off by about 0.7 sqrt(r in px) of them: 0.04 % here.
    assert area == pytest.approx(np.pi * radius_mm**2, rel=1e-3)


@pytest.mark.parametrize("plan", sorted(PLANS))
def test_every_plan_fills_a_fair_part_of_its_circle_and_repeats_by_seed(plan: str) -> None:
    body, again = (make_body(plan, radius_mm=14, seed=3) for _ in range(2))
    np.testing.assert_array_equal(body.mask, again.mask)
    np.testing.assert_array_equal(body.relief_mm, again.relief_mm)
    assert not np.array_equal(body.relief_mm, make_body(plan, radius_mm=14, seed=4).relief_mm)
    share = np.count_nonzero(body.mask) * BODY_PX_MM**2 / (np.pi * 14**2)
    assert 0.3 < share < 1.5
    rim = np.concatenate([body.mask[0], body.mask[-1], body.mask[:, 0], body.mask[:, -1]])
    assert not rim.any()  # nothing is cut off by the canvas


@pytest.mark.parametrize("loss", ["rim", "edge", "patches", "heads"])
def test_labels_hold_the_shares_that_were_asked_for(loss: str) -> None:
    worn = dress(replace(MODEL, bare=0.2, overgrown=0.1, loss=loss), Lighting())
    count = np.bincount(worn.labels.ravel(), minlength=4)
    whole = count[1:].sum()
    # Exact but for rounding to whole pixels, and for 0.2 + 0.1 in binary.
    assert count[BARE] == pytest.approx(0.2 * whole, abs=1)
    assert count[OVERGROWN] == pytest.approx(0.1 * whole, abs=1)
    assert count[LIVE] == pytest.approx(0.7 * whole, abs=2)


def test_a_larger_loss_holds_the_smaller_one() -> None:
    little, much = (
        dress(replace(MODEL, bare=bare), Lighting()).labels == BARE for bare in (0.1, 0.3)
    )
    assert (much | ~little).all()


def test_paling_moves_the_tissue_towards_its_skeleton_and_expansion_its_area() -> None:
    lab = [dress(replace(MODEL, paling=p), Lighting()) for p in (0.0, 0.4, 0.9)]
    means = [worn.lab()[worn.labels == LIVE].mean(axis=0) for worn in lab]
    skeleton = np.array(MODEL.skeleton)
    away = [np.linalg.norm((mean - skeleton)[1:]) for mean in means]
    assert away[0] > 1.3 * away[1] > 1.3 * away[2]
    assert means[0][0] < means[1][0] < means[2][0]
    assert dress(replace(MODEL, expansion=2.0), Lighting()).px_mm == pytest.approx(
        BODY_PX_MM * np.sqrt(2)
    )


def test_weights_of_the_materials_sum_to_one_on_the_body() -> None:
    worn = dress(replace(MODEL, bare=0.2, overgrown=0.2, paling=0.3), Lighting())
    np.testing.assert_allclose(worn.weights.sum(axis=0)[worn.labels > 0], 1, atol=1e-5)
    assert worn.weights.min() >= 0


def test_two_halves_make_the_whole_but_for_the_cut() -> None:
    folded = replace(MODEL, plan="folded", radius_mm=20)
    whole, left, right = (
        dress(replace(folded, part=part), Lighting()).labels == LIVE
        for part in ("", "left", "right")
    )
    assert not (left & right).any()
    assert (whole | ~(left | right)).all()
    # A ring that is cut twice across: two strips of 0.8 mm go, and at most a crumb.
    assert np.count_nonzero(whole) - np.count_nonzero(left | right) < 0.06 * np.count_nonzero(whole)
