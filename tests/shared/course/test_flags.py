"""Courses whose truth is known: which flag rises, when, and which must not."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest

from polypward.course import Course, Flag
from polypward.records import CareEvent, Reading, Specimen

START = date(2026, 1, 2)
Make = Callable[..., Reading]
Score = Callable[..., Course]
Care = Callable[..., CareEvent]

RICH, WHITE = (45.0, 5.0, 20.0), (90.0, 0.0, 8.0)


def toward_white(index: float) -> tuple[float, float, float]:
    light, red, yellow = (r + index * (w - r) for r, w in zip(RICH, WHITE, strict=True))
    return light, red, yellow


def weekly(photo: Make, covers: list[float], **more: Any) -> list[Reading]:
    return [photo(7 * i, cover, **more) for i, cover in enumerate(covers)]


def only(course: Course) -> Flag:
    (flag,) = course.flags
    return flag


def test_a_loss_of_ten_percent_is_flagged_at_its_first_visit(photo: Make, score: Score) -> None:
    flag = only(score(weekly(photo, [0.94, 0.94, 0.94, 0.846, 0.846])))
    assert (flag.name, flag.standing, flag.urgent) == ("recession", True, False)
    assert flag.raised_on == START + timedelta(days=21)
    assert flag.could_raise_on == START + timedelta(days=7)  # the second visit
    assert flag.evidence == (
        "live cover fell from 0.94 to 0.85 in 14 days; repeat photos differ by 0.01"
    )


def test_a_slow_loss_is_flagged_before_it_reaches_ten_percent(photo: Make, score: Score) -> None:
    """2 % a week from the sixth visit on crosses 10 % at the tenth."""
    covers = [0.9] * 5 + [0.9 * (1 - 0.02 * i) for i in range(1, 6)]
    flag = only(score(weekly(photo, covers)))
    assert flag.name == "recession"
    assert flag.raised_on <= START + timedelta(days=7 * 9)


def test_cover_within_its_noise_raises_nothing(photo: Make, score: Score) -> None:
    """Swings of one floor SD, up and down."""
    assert score(weekly(photo, [0.94, 0.95, 0.93, 0.94, 0.93, 0.95, 0.94])).flags == ()


def test_loss_that_is_overgrown_is_called_overgrowth(photo: Make, score: Score) -> None:
    readings = [photo(7 * i) for i in range(3)]
    readings += [photo(21, 0.85, overgrown=0.09), photo(28, 0.84, overgrown=0.10)]
    flag = only(score(readings))
    assert flag.name == "overgrowth"
    assert "from 0.00 to 0.10" in flag.evidence


def test_loss_to_bare_skeleton_beside_old_overgrowth_is_recession(
    photo: Make, score: Score
) -> None:
    covers = [0.8, 0.8, 0.8, 0.7]
    assert only(score(weekly(photo, covers, overgrown=0.15))).name == "recession"


@pytest.mark.parametrize(
    ("gap", "loss", "sharp"),
    [
        (1, 0.12, True),  # a tenth in a day
        (7, 0.17, True),  # 15 % a week
        (7, 0.12, False),  # large, but slow
        (14, 0.17, False),
        (1, 0.08, False),  # fast, but small
    ],
)
def test_sharp_loss_needs_size_and_speed(
    photo: Make, score: Score, gap: int, loss: float, sharp: bool
) -> None:
    readings = [photo(0, 0.9), photo(7, 0.9), photo(7 + gap, 0.9 * (1 - loss))]
    course = score(readings)
    assert ("sharp-loss" in course.score.flags) is sharp
    if sharp:
        assert course.flags[0].urgent  # listed first
        assert course.advice.next_photo_on == START + timedelta(days=8 + gap)
        assert "12 to 24 hours" in course.flags[0].evidence


def test_paling_is_flagged_with_its_figures(photo: Make, score: Score) -> None:
    readings = [photo(7 * i) for i in range(4)]
    readings += [photo(28 + 7 * i, lab=toward_white(0.2)) for i in range(2)]
    flag = only(score(readings))
    assert flag.name == "paling"
    assert "from 0.00 to 0.20 in 14 days" in flag.evidence


def test_pale_on_arrival_is_not_flagged_and_may_recover(photo: Make, score: Score) -> None:
    readings = [photo(7 * i, lab=toward_white(max(0.0, 0.6 - 0.1 * i))) for i in range(10)]
    course = score(readings)
    assert course.flags == ()
    assert course.score.recovery is not None
    # The richest visits are the last ones: pale at intake by 0.6, now by 0.
    assert course.visits[0].paling == pytest.approx(0.6, abs=0.02)
    assert course.score.recovery > 90


def test_relapse_after_a_recovery_is_flagged(photo: Make, score: Score) -> None:
    """From 0.60 up to 0.90, then back to 0.80, which is still far above the first baseline."""
    covers = [0.6, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.9, 0.9, 0.8, 0.8]
    flag = only(score(weekly(photo, covers)))
    assert flag.name == "recession"
    assert flag.raised_on <= START + timedelta(days=7 * 11)


def test_a_polyp_that_contracts_by_half_and_pales_once_is_not_flagged(
    photo: Make, score: Score
) -> None:
    """Retraction pales without loss; the cover stays."""
    sizes = [1000, 1050, 950, 500, 1000, 480, 1000]
    readings = [
        photo(7 * i, area=size, lab=toward_white(0.15 if size < 600 else 0.0))
        for i, size in enumerate(sizes)
    ]
    course = score(readings)
    assert course.flags == ()
    assert [round(v.expansion or 0, 2) for v in course.visits][3] == pytest.approx(0.5, abs=0.03)


def test_paling_that_stays_when_the_polyp_opens_again_is_flagged(photo: Make, score: Score) -> None:
    readings = [photo(7 * i, area=1000 + 10 * i) for i in range(5)]
    readings += [photo(35, area=500, lab=toward_white(0.3))]
    readings += [photo(42 + 7 * i, area=1000, lab=toward_white(0.3)) for i in range(2)]
    assert "paling" in score(readings).score.flags


def test_a_visit_soon_after_handling_raises_no_paling_flag(
    photo: Make, score: Score, care: Care
) -> None:
    readings = [photo(7 * i) for i in range(5)] + [photo(35, lab=toward_white(0.3))]
    assert score(readings).score.flags == ("paling",)
    for event in (care(34, "dip"), care(33.1, "move"), care(34.6, "feeding", amount="heavy")):
        assert score(readings, care=[event]).score.flags == ()
    # 49 hours after a dip, a day after a heavy feeding, any time after a light one: as usual.
    for event in (care(32.9, "dip"), care(34, "feeding", amount="heavy"), care(34.9, "feeding")):
        assert score(readings, care=[event]).score.flags == ("paling",)


def test_two_visits_inside_the_limits_clear_a_flag(photo: Make, score: Score) -> None:
    covers = [0.94] * 4 + [0.86] + [0.94] * 6
    flag = only(score(weekly(photo, covers)))
    assert (flag.standing, flag.cleared_by) == (False, "visits")
    assert flag.cleared_on is not None
    assert flag.cleared_on > flag.raised_on + timedelta(days=7)
    standing = score(weekly(photo, covers[:6]))
    assert standing.score.flags == ("recession",)  # one visit inside is not enough


def test_acknowledging_clears_and_further_loss_is_flagged_anew(
    photo: Make, score: Score, care: Care
) -> None:
    covers = [0.94, 0.94, 0.94, 0.86, 0.86, 0.86, 0.86]
    seen = [care(29, "acknowledge", flag="recession")]
    calm = score(weekly(photo, covers), care=seen)
    assert calm.score.flags == ()
    assert only(calm).cleared_by == "person"
    assert only(calm).cleared_on == START + timedelta(days=29)
    again = score(weekly(photo, [*covers, 0.78]), care=seen)
    assert again.score.flags == ("recession",)
    # Acknowledging something else leaves it.
    other = score(weekly(photo, covers), care=[care(29, "acknowledge", flag="paling")])
    assert other.score.flags == ("recession",)


@pytest.mark.parametrize("what", ["baseline", "cut", "split"])
def test_a_new_body_starts_a_new_baseline(photo: Make, score: Score, care: Care, what: str) -> None:
    readings = weekly(photo, [0.94, 0.94, 0.94, 0.7, 0.7])
    event = care(20.5, what, **({"children": "A"} if what == "split" else {}))
    assert score(readings, care=[event]).score.flags == ()


def test_a_flag_from_the_side_counts_and_says_so(photo: Make, score: Score) -> None:
    readings = [photo(7 * i) for i in range(5)]
    readings += [photo(7 * i, c, view="side") for i, c in enumerate([0.9, 0.9, 0.9, 0.8, 0.79])]
    course = score(readings)
    assert course.view == "top"
    assert course.score.flags == ("recession",)
    assert course.flags[0].view == "side"
    assert course.flags[0].evidence.endswith("seen from the side")
    assert course.score.visits == 5
    assert set(course.chart) >= {"cover", "cover side"}
    assert course.score.condition == pytest.approx(97, abs=1)  # from the top


def test_only_side_photos_give_the_score_from_the_side(photo: Make, score: Score) -> None:
    course = score([photo(7 * i, 0.81, view="side") for i in range(3)])
    assert course.view == "side"
    assert course.score.condition == pytest.approx(90, abs=0.5)
    assert "side" in course.notes[0]


def test_overdue_after_the_interval_only(photo: Make, score: Score) -> None:
    readings = weekly(photo, [0.94, 0.94])
    last = START + timedelta(days=7)
    assert score(readings, today=last + timedelta(days=7)).score.flags == ()
    late = score(readings, today=last + timedelta(days=8))
    assert late.score.flags == ("overdue",)
    assert "8 days ago" in late.flags[0].evidence


@pytest.mark.parametrize("what", ["lost", "sold", "discarded", "split"])
def test_who_has_left_is_not_overdue(photo: Make, score: Score, care: Care, what: str) -> None:
    readings = weekly(photo, [0.94, 0.94, 0.94, 0.8])
    today = START + timedelta(days=90)
    course = score(readings, care=[care(22, what)], today=today)
    assert (course.score.flags, course.score.advice) == ((), "")
    assert what in course.advice.reason
    named = Specimen(specimen="A", state=what, left_on=START)
    assert score(readings, specimen=named, today=today).score.flags == ()


def test_stalled_needs_four_weeks_and_names_the_first_day(photo: Make, score: Score) -> None:
    covers = [0.5] * 7
    short = score(weekly(photo, covers[:4]))
    assert short.score.flags == ()
    flag = only(score(weekly(photo, covers)))
    assert (flag.name, flag.raised_on) == ("stalled", START + timedelta(days=28))
    falling = only(score(weekly(photo, [0.5 - 1e-5 * i for i in range(7)])))
    assert "+0.0 points a week" in falling.evidence  # never -0.0
    rising = [0.5 + 0.02 * i for i in range(7)]  # 14 points of condition in six weeks
    assert score(weekly(photo, rising)).score.flags == ()


def test_a_healthy_specimen_is_never_stalled(photo: Make, score: Score) -> None:
    assert score(weekly(photo, [0.95] * 10)).flags == ()
