"""Truths about the printed layouts: sizes in millimetres, distances, colours, sides."""

import itertools
import math
from collections import Counter

import pytest

from polypward.cards import (
    LAYOUTS,
    code_box_mm,
    layout_of_marker,
    load_layout,
    patch_colour,
    scaled,
)
from polypward.errors import CardError
from polypward.records import Card, Marker, Patch

Box = tuple[float, float, float, float]  # left, top, right, bottom
PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # ISO 216, ANSI/ASME Y14.1


def marker_box(marker: Marker, *, quiet: float = 0.0) -> Box:
    (left, top), _, (right, bottom), _ = marker.corners_mm
    module = (right - left) / 8  # 36h11: six bits and a black border of one on each side
    return (
        left - quiet * module,
        top - quiet * module,
        right + quiet * module,
        bottom + quiet * module,
    )


def patch_box(patch: Patch) -> Box:
    (x, y), (width, height) = patch.centre_mm, patch.size_mm
    return (x - width / 2, y - height / 2, x + width / 2, y + height / 2)


def code_box(layout: str, *, quiet_modules: float = 0.0) -> Box:
    x, y, side = code_box_mm(layout)
    quiet = quiet_modules * side / 21  # QR version 1 has 21 modules, ISO/IEC 18004
    return (x - quiet, y - quiet, x + side + quiet, y + side + quiet)


def overlap(one: Box, other: Box) -> bool:
    slack = 1e-6  # neighbours may share an edge
    return (
        one[0] < other[2] - slack
        and other[0] < one[2] - slack
        and one[1] < other[3] - slack
        and other[1] < one[3] - slack
    )


@pytest.fixture(params=LAYOUTS)
def card(request: pytest.FixtureRequest) -> Card:
    return load_layout(request.param)


def test_markers_have_a_white_module_all_round_and_on_the_card(card: Card) -> None:
    ink = [patch_box(patch) for patch in card.patches]
    ink += [marker_box(marker) for marker in card.markers]
    ink.append(code_box(card.layout))
    for marker in card.markers:
        quiet = marker_box(marker, quiet=1)
        assert quiet[0] >= 0
        assert quiet[1] >= 0
        assert quiet[2] <= card.size_mm[0]
        assert quiet[3] <= card.size_mm[1]
        others = [box for box in ink if box != marker_box(marker)]
        assert not any(overlap(quiet, box) for box in others), marker.id


def test_nothing_overlaps_and_all_is_on_the_card(card: Card) -> None:
    boxes = [patch_box(patch) for patch in card.patches]
    boxes += [marker_box(marker) for marker in card.markers]
    boxes.append(code_box(card.layout, quiet_modules=2))
    if card.window_mm is not None:
        x, y, width, height = card.window_mm
        boxes.append((x, y, x + width, y + height))
    for one, other in itertools.combinations(boxes, 2):
        assert not overlap(one, other), (one, other)
    for left, top, right, bottom in boxes:
        assert left >= 0
        assert top >= 0
        assert right <= card.size_mm[0]
        assert bottom <= card.size_mm[1]


def test_markers_are_upright_squares_of_at_least_12_mm(card: Card) -> None:
    for marker in card.markers:
        (x0, y0), (x1, y1), (x2, y2), (x3, y3) = marker.corners_mm
        side = x1 - x0
        assert side >= 12
        assert (y0, x2, y2, x3, y3) == pytest.approx((y1, x1, y1 + side, x0, y0 + side))
        assert marker.dictionary == "DICT_APRILTAG_36h11"


def test_patches_are_large_enough_to_sample(card: Card) -> None:
    assert all(min(patch.size_mm) >= 7 for patch in card.patches)
    assert len({patch.name for patch in card.patches}) == len(card.patches)


def test_the_square_code_is_at_least_12_mm(card: Card) -> None:
    assert code_box_mm(card.layout)[2] >= 12


def test_layout_follows_from_every_marker() -> None:
    ids = [(marker.id, name) for name in LAYOUTS for marker in load_layout(name).markers]
    assert len({marker_id for marker_id, _ in ids}) == len(ids)
    assert all(layout_of_marker(marker_id) == name for marker_id, name in ids)
    assert layout_of_marker(0) is None
    assert max(marker_id for marker_id, _ in ids) < 587  # size of the 36h11 family


def test_frame_has_markers_at_corners_and_sides_and_a_ramp_on_each_side() -> None:
    card = load_layout("frame")
    assert card.window_mm is not None
    x, y, width, height = card.window_mm
    assert min(width, height) >= 110
    assert max(width, height) <= 125
    middle = card.size_mm[0] / 2
    thirds = Counter(
        (round((box[0] + box[2]) / 2 / middle), round((box[1] + box[3]) / 2 / middle))
        for box in map(marker_box, card.markers)
    )
    assert thirds == {(i, j): 1 for i in range(3) for j in range(3) if (i, j) != (1, 1)}
    sides: dict[str, set[float]] = {}
    for patch in card.patches:
        if patch.neutral:
            px, py = patch.centre_mm
            side = (
                "top" if py < y else "bottom" if py > y + height else "left" if px < x else "right"
            )
            assert patch.name.endswith(f" {side}")
            sides.setdefault(side, set()).add(patch.lab_d50[0])
    assert set(sides) == {"top", "right", "bottom", "left"}
    assert all(len(levels) == 8 for levels in sides.values())


def test_frame_shows_each_colour_on_both_halves() -> None:
    card = load_layout("frame")
    places: dict[str, list[float]] = {}
    for patch in card.patches:
        if not patch.neutral:
            half = card.size_mm[0] / 2
            assert patch.name.endswith(" left" if patch.centre_mm[0] < half else " right")
            places.setdefault(patch_colour(patch.name), []).append(patch.centre_mm[0])
    assert len(places) == 18
    assert all(len(at) == 2 and min(at) < 93 < max(at) for at in places.values())


def test_strip_is_an_id_1_card_with_enough_patches() -> None:
    card = load_layout("strip")
    assert card.size_mm == (85.60, 53.98)  # ISO/IEC 7810 ID-1
    assert card.window_mm is None
    assert len(card.markers) == 4
    neutral = {patch.lab_d50[0] for patch in card.patches if patch.neutral}
    assert len(neutral) >= 6
    assert sum(not patch.neutral for patch in card.patches) >= 12
    assert card.arrow_mm is not None
    (x, y), direction = card.arrow_mm
    assert direction == (0, -1)
    assert (x, y < 5) == (card.size_mm[0] / 2, True)


@pytest.mark.parametrize("paper", PAPERS)
def test_cards_fit_the_papers(card: Card, paper: str) -> None:
    width, height = PAPERS[paper]
    assert card.size_mm[0] <= width - 14
    assert card.size_mm[1] <= height - 14


def test_colours_can_be_printed(card: Card) -> None:
    for patch in card.patches:
        lightness, a, b = patch.lab_d50
        assert 20 < lightness < 97
        # Chroma that matte office prints reach: common practice, no source.
        assert math.hypot(a, b) < 58
        assert (math.hypot(a, b) == 0) == patch.neutral


def test_both_layouts_carry_the_same_colours() -> None:
    colours = [
        {patch_colour(patch.name): patch.lab_d50 for patch in load_layout(name).patches}
        for name in LAYOUTS
    ]
    assert colours[0] == colours[1]


def test_no_side_by_side_patches_read_as_a_shade_scale() -> None:
    """Neighbouring chromatic patches never run darker or lighter over four in one hue."""
    card = load_layout("frame")
    chromatic = [patch for patch in card.patches if not patch.neutral]
    for start in range(len(chromatic) - 3):
        four = chromatic[start : start + 4]
        lightness = [patch.lab_d50[0] for patch in four]
        hues = [math.degrees(math.atan2(patch.lab_d50[2], patch.lab_d50[1])) for patch in four]
        running = lightness in (sorted(lightness), sorted(lightness, reverse=True))
        assert not (running and max(hues) - min(hues) < 60)


def test_scaled_stretches_every_length() -> None:
    nominal = load_layout("strip")
    from dataclasses import replace

    true = scaled(replace(nominal, print_scale=(0.99, 1.02)))
    assert true.print_scale is None
    assert true.size_mm == pytest.approx((0.99 * 85.60, 1.02 * 53.98))
    assert true.arrow_mm is not None
    assert nominal.arrow_mm is not None
    assert true.arrow_mm[0] == pytest.approx(
        (0.99 * nominal.arrow_mm[0][0], 1.02 * nominal.arrow_mm[0][1])
    )
    for before, after in zip(nominal.markers, true.markers, strict=True):
        for (x, y), corner in zip(before.corners_mm, after.corners_mm, strict=True):
            assert corner == pytest.approx((0.99 * x, 1.02 * y))
    for old, new in zip(nominal.patches, true.patches, strict=True):
        assert new.centre_mm == pytest.approx((0.99 * old.centre_mm[0], 1.02 * old.centre_mm[1]))
        assert new.size_mm == pytest.approx((0.99 * 7, 1.02 * 7))
    frame = scaled(replace(load_layout("frame"), print_scale=(0.5, 2.0)))
    assert frame.window_mm == pytest.approx((18.5, 74, 56, 224))
    assert scaled(nominal) is nominal


def test_unknown_layout_is_named() -> None:
    with pytest.raises(CardError, match=r"'disc'.*frame, strip"):
        load_layout("disc")
