"""The control chart against limits worked out by hand."""

from datetime import UTC, datetime, timedelta

import pytest

from polypward.course import CourseSettings
from polypward.course.chart import Point, run_chart

START = datetime(2026, 1, 2, 10, tzinfo=UTC)
SETTINGS = CourseSettings(ewma_lambda=0.4, limit_sds=3.0, single_sds=9.0, baseline_visits=2)


def points(values: list[float], *, sd: float = 1.0, step_days: int = 7) -> list[Point]:
    return [Point(i, START + timedelta(days=step_days * i), x, sd) for i, x in enumerate(values)]


def test_limits_are_those_of_roberts_widened_for_the_baseline() -> None:
    """Two visits of baseline, SD 1; the third, weight 0.4: 3 sqrt(0.4^2 (1 + 1/2))."""
    run = run_chart(points([1.0, -1.0, 2.0, 2.0]), settings=SETTINGS)
    third, fourth = run.rows[2:]
    assert run.rows[0].half_width is None
    assert run.rows[1].half_width == pytest.approx(3 * (0.16 * 2) ** 0.5)
    assert (third.baseline, third.ewma) == (0.0, pytest.approx(0.8))
    assert third.half_width == pytest.approx(3 * (0.16 * 1.5) ** 0.5)
    # Fourth: weights 0.24 and 0.4; (1 - 0.6^4) 0.4/1.6 is their sum of squares.
    assert fourth.ewma == pytest.approx(0.4 * 2 + 0.6 * 0.8)
    squares = 0.4 / 1.6 * (1 - 0.6**4)
    assert fourth.half_width == pytest.approx(3 * (squares + 0.64**2 / 2) ** 0.5)


def test_the_weight_follows_real_days() -> None:
    """Two weeks weigh as two visits: 1 - 0.6^2; a day weighs no less than a quarter."""
    fortnight = run_chart(points([0.0, 0.0, 1.0], step_days=14), settings=SETTINGS)
    assert fortnight.rows[2].ewma == pytest.approx(1 - 0.6**2)
    daily = run_chart(points([0.0, 0.0, 1.0], step_days=1), settings=SETTINGS)
    assert daily.rows[2].ewma == pytest.approx(0.25)


def test_a_step_beyond_the_limit_is_out_and_one_below_is_not() -> None:
    """With weight 0.4 the limit of the third visit is 3 sqrt(1.5) = 3.674 of its own value."""
    for step, out in ((3.66, False), (3.69, True)):
        assert run_chart(points([0.0, 0.0, step]), settings=SETTINGS).rows[2].out is out
        better = run_chart(points([0.0, 0.0, -step]), settings=SETTINGS)
        assert not better.rows[2].out


def test_a_single_visit_far_out_counts_at_once() -> None:
    """After ten visits at the baseline the EWMA's limit is 2.8; one visit of 4.5 moves it 1.8."""
    values = [0.0] * 12 + [4.5]
    slow = run_chart(points(values), settings=SETTINGS)
    assert not slow.rows[-1].out
    quick = CourseSettings(limit_sds=3.0, single_sds=3.2, baseline_visits=2)
    assert run_chart(points(values), settings=quick).rows[-1].out


def test_the_baseline_follows_improvement_and_not_decline() -> None:
    up = run_chart(points([0.0, 0.0, -5.0, -5.0, -5.0, -5.0]), settings=SETTINGS)
    assert up.rows[-1].baseline == pytest.approx(-5.0)
    down = run_chart(points([0.0, 0.0, 5.0, 5.0, 5.0, 5.0]), settings=SETTINGS)
    assert down.rows[-1].baseline == pytest.approx(0.0)
    assert len(down.episodes) == 1


def test_one_lucky_visit_does_not_lift_the_baseline() -> None:
    run = run_chart(points([0.0, 0.0, -6.0, 0.0, 0.0, 0.0, 0.0]), settings=SETTINGS)
    assert run.rows[-1].baseline == pytest.approx(0.0)
    assert run.episodes == ()


def test_the_shift_by_contraction_is_learnt_from_earlier_visits() -> None:
    """x = 4 u exactly, no level change: after some contractions the slope is near 4."""
    us = [0.0, 0.5, 0.0, 0.5, 0.0, 0.5, 0.0, 0.5]
    made = [Point(i, START + timedelta(days=7 * i), 4 * u, 0.3, u) for i, u in enumerate(us)]
    run = run_chart(made, settings=SETTINGS, slope_mean=0.0, slope_sd=10.0)
    assert run.episodes == ()
    last = run.rows[-1]
    gap = last.point.u - 0.25  # the baseline holds one visit of each kind
    assert last.expected_shift == pytest.approx(4 * gap, rel=0.05)


def test_a_noisy_visit_widens_its_own_limits() -> None:
    quiet = run_chart(points([0.0, 0.0, 4.0]), settings=SETTINGS)
    noisy = [*points([0.0, 0.0]), Point(2, START + timedelta(days=14), 4.0, 3.0)]
    assert quiet.rows[2].out
    assert not run_chart(noisy, settings=SETTINGS).rows[2].out


def test_a_doubtful_early_visit_does_not_join_the_baseline() -> None:
    """2.9 SD away from the first visit, limit 3 sqrt 2: no flag, but no baseline either."""
    long = CourseSettings(limit_sds=3.0, single_sds=9.0, baseline_visits=5)
    run = run_chart(points([0.0, 0.0, 3.2, 0.0, 0.0, 0.0]), settings=long)
    assert run.episodes == ()
    assert run.rows[-1].baseline == pytest.approx(0.0)


def test_good_visits_before_do_not_hide_a_loss() -> None:
    """Visits a little better than the baseline (no reason to follow) save up no credit."""
    settings = CourseSettings(limit_sds=3.0, single_sds=9.0, baseline_visits=2)
    good = run_chart(points([0.0, 0.0, -1.0, -1.0, -1.0, 3.0, 3.0]), settings=settings)
    # From a fresh start 3, 3 gives 0.64 x 3 = 1.92 against 3 sqrt(.2176 + .64^2 / 2) = 1.95 ...
    assert good.rows[-1].ewma == pytest.approx(0.64 * 3)
    assert good.rows[-1].half_width == pytest.approx(3 * (0.2176 + 0.64**2 / 2) ** 0.5)


def test_a_signal_while_contracted_waits_for_a_second_visit() -> None:
    def made(us: list[float]) -> list[Point]:
        xs = [0.0, 0.0, 9.0, 9.0]
        return [
            Point(i, START + timedelta(days=7 * i), x, 1.0, u)
            for i, (x, u) in enumerate(zip(xs, us, strict=True))
        ]

    contracted = run_chart(made([0, 0, 0.7, 0.7]), settings=SETTINGS, hold_contracted=True)
    assert contracted.rows[2].out
    assert [episode.raised for episode in contracted.episodes] == [3]
    open_ = run_chart(made([0, 0, 0.1, 0.1]), settings=SETTINGS, hold_contracted=True)
    assert [episode.raised for episode in open_.episodes] == [2]


def test_one_visit_inside_does_not_clear() -> None:
    """A step back to normal: the first visit inside the limit leaves the flag, the second not."""
    run = run_chart(points([0.0, 0.0, 4.0, -2.0, -2.0]), settings=SETTINGS)
    assert [row.out for row in run.rows] == [False, False, True, False, False]
    assert run.episodes[0].cleared == 4
    assert run_chart(points([0.0, 0.0, 4.0, -2.0]), settings=SETTINGS).episodes[0].cleared is None
