"""A ward's own layer on drawn cut-outs, under a base model that always makes the same mistake."""

from dataclasses import dataclass

import cv2
import numpy as np
import pytest

from polypward.errors import BadInputError
from polypward.labels import BARE, LIVE, OVERGROWN
from polypward_vision.tissue import LabelledTile
from polypward_vision.tissue.held_out import judge_taught
from polypward_vision.tissue.taught import fit_taught, lesson_of, taught_from_arrays

MM = 0.4
# Lab of ground, live tissue, bare skeleton and growth in this ward.
COLOURS = ((35.0, 0.0, 0.0), (45.0, 10.0, 30.0), (85.0, 0.0, 8.0), (50.0, -35.0, 30.0))


def drawn(seed: int) -> LabelledTile:
    """Draw a disc of live tissue with a bare and an overgrown sector, on a plain ground."""
    rng = np.random.default_rng(seed)
    rows, cols = 120, 140
    y, x = np.mgrid[:rows, :cols]
    at = rng.uniform(50, 70, 2)
    radius, angle = np.hypot(x - at[0], y - at[1]), np.arctan2(y - at[1], x - at[0])
    turn = rng.uniform(-np.pi, np.pi)
    labels = np.where(radius < rng.uniform(32, 44), LIVE, 0).astype(np.uint8)
    sector = np.mod(angle - turn, 2 * np.pi)
    labels[(labels > 0) & (sector < 1.2)] = BARE
    labels[(labels > 0) & (sector > 4.6)] = OVERGROWN
    lab = np.array(COLOURS, np.float32)[labels] + rng.normal(0, 3, (rows, cols, 3))
    lab = cv2.GaussianBlur(lab.astype(np.float32), (0, 0), 0.7)
    return LabelledTile(lab=lab, valid=np.ones((rows, cols), bool), labels=labels, mm_per_px=MM)


@dataclass
class TakesGreenForTissue:
    """Knows the colours, but calls green growth live."""

    calls: int = 0

    def probabilities(self, lab, *, mm_per_px, valid=None, centre_mm=None):
        self.calls += 1
        near = np.stack([((lab - np.float32(colour)) ** 2).sum(axis=2) for colour in COLOURS])
        chances = np.exp(-near / 400).transpose(1, 2, 0)
        chances[..., LIVE] += chances[..., OVERGROWN]
        chances[..., OVERGROWN] *= 0.1
        return (chances / chances.sum(axis=2, keepdims=True)).astype(np.float32)


def share(found, tile, label) -> float:
    there, said = tile.labels == label, found == label
    return (there & said).sum() / (there | said).sum()


def test_it_learns_the_wards_growth_and_forgets_nothing() -> None:
    base = TakesGreenForTissue()
    model = fit_taught([lesson_of(drawn(seed), base) for seed in range(4)], base=base)
    for tile in (drawn(50), drawn(51)):
        before = base.probabilities(tile.lab, mm_per_px=MM).argmax(axis=2)
        after = model.probabilities(tile.lab, mm_per_px=MM).argmax(axis=2)
        assert share(before, tile, OVERGROWN) < 0.1
        # What is left is the soft edge of 0.3 mm: 0.9 on sectors of this size.
        assert share(after, tile, OVERGROWN) > 0.85
        for label in (LIVE, BARE):
            assert share(after, tile, label) > 0.9


def test_a_label_that_no_map_shows_is_not_forgotten() -> None:
    base = TakesGreenForTissue()
    lessons = []
    for seed in range(4):
        tile = drawn(seed)
        keep = tile.labels != BARE
        colours = np.where(keep[..., None], tile.lab, np.float32(COLOURS[0]))
        labels = np.where(keep, tile.labels, 0).astype(np.uint8)
        lessons.append(
            lesson_of(
                LabelledTile(lab=colours, valid=tile.valid, labels=labels, mm_per_px=MM), base
            )
        )
    tile = drawn(60)
    after = fit_taught(lessons, base=base).probabilities(tile.lab, mm_per_px=MM).argmax(axis=2)
    assert share(after, tile, BARE) > 0.8


def test_probabilities_sum_to_one_and_survive_being_kept() -> None:
    base = TakesGreenForTissue()
    model = fit_taught([lesson_of(drawn(1), base)], base=base, version="w")
    tile = drawn(2)
    chances = model.probabilities(tile.lab, mm_per_px=MM)
    assert chances.shape == (*tile.labels.shape, 4)
    np.testing.assert_allclose(chances.sum(axis=2), 1, atol=1e-5)
    kept = {name: array.tolist() for name, array in model.to_arrays().items()}
    again = taught_from_arrays(kept, base=base, version="w")
    np.testing.assert_array_equal(again.probabilities(tile.lab, mm_per_px=MM), chances)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("weight_0", None),
        ("features", ["other"]),
        ("pool", [2.0]),
        ("bias_1", [0.0]),
        ("bias_1", [float("nan")] * 4),
        ("weight_1", "no numbers"),
    ],
)
def test_a_damaged_layer_is_refused(name: str, value: object) -> None:
    base = TakesGreenForTissue()
    kept = fit_taught([lesson_of(drawn(1), base)], base=base).to_arrays()
    kept = {key: array.tolist() for key, array in kept.items()}
    if value is None:
        del kept[name]
    else:
        kept[name] = value
    with pytest.raises(BadInputError, match="model"):
        taught_from_arrays(kept, base=base, version="")


def test_the_wards_model_must_win_on_maps_it_did_not_learn_from() -> None:
    base = TakesGreenForTissue()
    lessons = [lesson_of(drawn(seed), base) for seed in range(5)]
    verdict = judge_taught(lessons, ["a", "a", "b", "c", "d"], base)
    assert verdict.better
    assert verdict.overlap is not None
    assert verdict.cover is not None
    assert verdict.overlap[1] > verdict.overlap[0] + 0.2
    assert verdict.cover[1] < verdict.cover[0]


def test_maps_that_contradict_each_other_teach_nothing() -> None:
    # Truth: labels by the toss of a coin cannot be foretold, so nothing learned may win.
    base = TakesGreenForTissue()
    lessons = []
    for seed in range(6):
        tile = drawn(seed)
        labels = tile.labels.copy()
        labels[tile.labels == OVERGROWN] = (LIVE, OVERGROWN)[seed % 2]
        lessons.append(
            lesson_of(
                LabelledTile(lab=tile.lab, valid=tile.valid, labels=labels, mm_per_px=MM), base
            )
        )
    # Pairs of contradicting maps are held out together with their specimen.
    verdict = judge_taught(lessons, list("abcdef"), base)
    assert not verdict.better
    assert verdict.why


@pytest.mark.parametrize("names", [["a"], ["a", "b"], ["a", "a", "a"]])
def test_too_few_maps_say_nothing(names: list[str]) -> None:
    base = TakesGreenForTissue()
    verdict = judge_taught([lesson_of(drawn(i), base) for i in range(len(names))], names, base)
    assert not verdict.better
    assert verdict.overlap is None
    assert "3 maps of 2 specimens" in verdict.why
