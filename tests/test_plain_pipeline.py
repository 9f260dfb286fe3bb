"""The plain pipeline that polypward is set beside: a smoke test on tiny photos."""

import re
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from bench import plain_pipeline
from bench.plain_photo import Plain, look, picture_labels, training_regions
from bench.plain_pipeline import beside
from bench.shots import Shot, held_out

from polypward.labels import LIVE


@pytest.fixture(scope="module")
def shots() -> list[Shot]:
    return [held_out(3, index, megapixels=2.2, tilt_deg=0.0, light="D60") for index in (0, 1)]


def test_the_truth_of_a_picture_has_the_true_area(shots: list[Shot]) -> None:
    """Without tilt every pixel shows the same area of the specimen's plane.

    Borders are within half a pixel in either direction: under 1 % of these areas.
    """
    for shot in shots:
        labels, card, own = picture_labels(shot.truth, shot.scene, shot.camera)
        assert np.count_nonzero(labels == LIVE) * own**2 == pytest.approx(
            shot.truth.live_mm2, rel=0.01
        )
        # Seen under one angle, the nearer plane is larger; pixels are told in single precision.
        away = shot.truth.camera_mm
        assert own / card == pytest.approx((away - shot.truth.height_mm) / away, rel=1e-4)


def test_superpixels_part_the_whole_picture() -> None:
    rgb = np.zeros((60, 80, 3), np.uint8)
    rgb[:, 40:] = (200, 40, 40)
    regions, features = look(rgb)
    assert regions.shape == (60, 80)
    assert np.array_equal(np.unique(regions), np.arange(len(features)))
    light = features[:, 0]
    left, right = regions[:, 10], regions[:, 70]
    assert light[left].max() < 1 < 40 < light[right].min()  # CIELAB L of black and of this red


def test_both_read_the_same_photos_and_are_judged_alike(shots: list[Shot], tmp_path: Path) -> None:
    known = partial(training_regions, folder=tmp_path, megapixels=0.8)
    parts = [known(index) for index in (0, 1)]
    again = known(1)
    assert np.array_equal(again[0], parts[1][0])  # kept in the folder
    features, labels = (np.concatenate(some) for some in zip(*parts, strict=True))
    plain = Plain.fit(features, labels)
    assert np.mean(plain.forest.predict(features) == labels) > 0.9
    told = beside(plain, shots[:1])
    rows = {line.split(" | ")[0].strip("| "): line for line in told.splitlines() if "ms |" in line}
    assert rows.keys() <= {"plain pipeline", "polypward", "plain, those refused"}
    assert "polypward" in rows
    for row in rows.values():
        assert not re.search("nan|inf", row), row


def test_a_photo_that_polypward_refuses_is_told_apart(
    shots: list[Shot], monkeypatch: pytest.MonkeyPatch
) -> None:
    one = plain_pipeline.Judged(seconds=2, iou=0.5, cover_error=-0.1, area=1.2, own_area=0.9)
    two = plain_pipeline.Judged(seconds=1, iou=0.9, cover_error=0.0, area=1.0, own_area=1.0)
    monkeypatch.setattr(plain_pipeline, "_plain", lambda plain, shot: one)
    monkeypatch.setattr(
        plain_pipeline, "_polypward", lambda shot: two if shot is shots[0] else None
    )
    lines = beside(Plain(forest=None), shots).splitlines()
    assert lines[0].startswith("2 photos, 1 refused")
    assert [line.split(" | ")[3] for line in lines[-3:]] == [
        "0.500 (worst 0.50)",
        "0.900 (worst 0.90)",
        "0.500 (worst 0.50)",
    ]
    assert "20.0 % (mean +20.0 %) | 10.0 % (mean -10.0 %)" in lines[-3]
