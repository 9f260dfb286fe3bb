"""What is told of a course besides its flags: trends of both views, the smallest change told."""

from collections.abc import Callable

import pytest

from polypward.course import Course, PooledSd
from polypward.records import CareEvent, Reading

Make = Callable[..., Reading]
Score = Callable[..., Course]


def test_a_side_view_has_trends_of_its_own(photo: Make, score: Score) -> None:
    """The stalk loses 0.02 a week while the top stays: the top's trend must not hide it."""
    readings = [photo(7 * week) for week in range(4)]
    readings += [photo(7 * week, 0.9 - 0.02 * week, view="side") for week in range(4)]
    trends = score(readings).trends
    assert trends["cover"].per_week == pytest.approx(0)
    assert trends["cover side"].per_week == pytest.approx(-0.02)
    assert "overgrown side" not in trends
    only_side = score([one for one in readings if one.view == "side"]).trends
    assert only_side["cover"].per_week == pytest.approx(-0.02)


def test_overgrowth_has_a_trend_where_anything_grows(photo: Make, score: Score) -> None:
    readings = [photo(7 * week, 0.9 - 0.03 * week, overgrown=0.03 * week) for week in range(4)]
    assert score(readings).trends["overgrown"].per_week == pytest.approx(0.03)


def test_the_smallest_change_is_told_by_what_repeats_and_no_finer_than_the_floor(
    photo: Make, score: Score
) -> None:
    """1.96 sqrt(2) SD (Bland & Altman 1996); 0.01 is the floor of cover, 0.6 Lab of colour."""
    readings = [photo(0), photo(7)]
    assert score(readings).smallest_changes == {}
    told = score(readings, pooled=PooledSd(cover_within=0.02, lab_within=0.3)).smallest_changes
    assert told["cover"] == pytest.approx(2.772 * 0.02, rel=1e-3)
    assert told["colour"] == pytest.approx(2.772 * 0.6, rel=1e-3)
    # From (45, 5, 20) to the default white (90, 0, 8) it is 46.8 Lab.
    assert told["paling"] == pytest.approx(2.772 * 0.6 / 46.8, rel=1e-3)
    assert set(told) == {"cover", "colour", "paling"}


def test_colour_trends_compare_like_with_like(photo: Make, score: Score) -> None:
    """The colour stays; the polyps are in, and paler, at the last two of seven visits."""
    readings = [photo(7 * week, open="out") for week in range(5)]
    closed = (54.0, 4.0, 17.6)  # a fifth of the way to white
    readings += [photo(7 * week, open="in", lab=closed) for week in (5, 6)]
    assert score(readings).trends["paling"].n == 5
    assert score(readings).trends["cover"].n == 7
    assert score(readings).score.paling_change_per_week == pytest.approx(0)


def test_what_a_person_said_is_told_with_its_reason(
    photo: Make, score: Score, care: Callable[..., CareEvent]
) -> None:
    said = [care(5, "baseline", reason="healed edge"), care(9, "acknowledge", flag="paling")]
    notes = score([photo(0), photo(7)], care=said).notes
    assert "A new baseline was started on 2026-01-07: healed edge." in notes
    assert "On 2026-01-11 paling was acknowledged." in notes
