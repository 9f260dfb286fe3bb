"""The ends of a course: nothing, one visit, refused colour, death; and what never matters."""

import random
from collections.abc import Callable
from dataclasses import fields, replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from polypward.course import (
    Course,
    CourseSettings,
    PooledSd,
    Score,
    pool_repeats,
    pool_sd,
    repeats_of,
    score_specimen,
)
from polypward.course.condition import State, recovery
from polypward.records import CareEvent, Reading, Specimen

Make = Callable[..., Reading]
Run = Callable[..., Course]
Care = Callable[..., CareEvent]
RICH, WHITE = (45.0, 5.0, 20.0), (90.0, 0.0, 8.0)


def test_the_fields_of_a_score_are_the_columns_of_scores_csv() -> None:
    """The file contract, in its order."""
    assert ",".join(field.name for field in fields(Score)) == (
        "specimen,first_seen,last_seen,visits,condition,condition_sd,condition_intake,recovery,"
        "recovery_low,recovery_high,live_mm2,live_change_pct,cover_change_per_week,"
        "paling_change_per_week,flags,advice"
    )


def test_no_reading_at_all(score: Run) -> None:
    course = score([])
    assert course.score == Score(specimen="A", advice="hold")
    assert (course.visits, course.flags, course.readings) == ((), (), ())
    late = score([], specimen=Specimen(specimen="A", arrived_on=date(2025, 12, 1)))
    assert late.score.flags == ("overdue",)


def test_rejected_and_undated_photos_are_no_visits(photo: Make, score: Run) -> None:
    bad = [
        replace(photo(0), status="rejected", reasons=("blurred",)),
        replace(photo(1), taken_at=None),
    ]
    course = score(bad)
    assert course.score.visits == 0
    assert course.readings == tuple(bad)


def test_one_visit(photo: Make, score: Run) -> None:
    course = score([photo(0, 0.81)])
    found = course.score
    assert found.condition == found.condition_intake == pytest.approx(90)
    assert (found.recovery, found.recovery_low, found.recovery_high) == (None, None, None)
    assert (found.cover_change_per_week, found.live_change_pct) == (None, None)
    assert found.advice == "hold"
    assert course.reference.provisional


def test_refused_colour_leaves_paling_empty_but_cover_goes_on(photo: Make, score: Run) -> None:
    course = score([photo(7 * i, c, lab=None) for i, c in enumerate([0.94, 0.94, 0.94, 0.8])])
    assert course.score.condition is None
    assert all(reading.paling is None for reading in course.readings)
    assert "recession" in course.score.flags
    assert any("not available" in note for note in course.notes)


def test_dead_has_condition_zero_and_lost_all(photo: Make, score: Run) -> None:
    course = score([photo(0, 0.81), photo(7, 0.81), photo(14, 0.0, lab=None)])
    assert (course.score.condition, course.score.condition_sd) == (0.0, 0.0)
    assert course.score.recovery == pytest.approx(-100)
    assert course.score.flags[0] == "sharp-loss"


def test_dead_on_arrival_asks_for_a_second_look_before_discard(
    photo: Make, score: Run, care: Care
) -> None:
    dead = [photo(0, 0.0, lab=None)]
    first = score(dead)
    assert (first.score.condition, first.score.advice) == (0.0, "hold")
    assert first.advice.next_photo_on == date(2026, 1, 3)
    # Too early, alive, or a photo only: no discard.
    for looks in ([care(0.5, "look", state="dead")], [care(2, "look", state="alive")]):
        assert score(dead, care=looks).score.advice == "hold"
    assert score([*dead, photo(3, 0.0, lab=None)]).score.advice == "hold"
    assert score(dead, care=[care(1.1, "look", state="dead")]).score.advice == "discard"


def test_recovery_without_room_is_not_available(photo: Make, score: Run) -> None:
    """Condition 98 at intake leaves 2 points to gain."""
    still = score([photo(7 * i, c) for i, c in enumerate([0.96, 0.965, 0.97])])
    assert still.score.condition_intake == pytest.approx(98, abs=0.3)
    assert still.score.recovery is None
    fallen = score([photo(0, 0.96), photo(7, 0.96), photo(14, 0.5)])
    assert fallen.score.recovery is not None
    assert fallen.score.recovery_high is not None
    assert fallen.score.recovery == pytest.approx(-100 * (1 - (0.5 / 0.96) ** 0.5), abs=0.5)
    assert fallen.score.recovery_high < 0


def test_recovery_is_the_share_of_what_there_was_to_gain(photo: Make, score: Run) -> None:
    """Cover 0.36 to 0.64 with full colour: condition 60 to 80, half of the 40 to gain."""
    course = score([photo(0, 0.36), photo(7, 0.5), photo(14, 0.64)])
    found = course.score
    assert found.recovery == pytest.approx(50, abs=0.01)
    assert found.recovery_low is not None
    assert found.recovery_high is not None
    assert found.recovery_low < 50 < found.recovery_high


def test_slopes_are_fractions_per_week(photo: Make, score: Run) -> None:
    readings = [
        photo(day, 0.9 - 0.02 * day / 7, lab=tuple(
            r + 0.03 * day / 7 * (w - r) for r, w in zip(RICH, WHITE, strict=True)
        ))
        for day in (0, 3, 10, 14, 24)
    ]  # fmt: skip
    found = score(readings).score
    assert found.cover_change_per_week == pytest.approx(-0.02, abs=1e-9)
    # The index is against the richest visits, whose own paling is not 0: the scale is a little
    # shorter than RICH to WHITE, by up to a tenth.
    assert found.paling_change_per_week == pytest.approx(0.03, rel=0.1)
    assert found.live_change_pct == pytest.approx(100 * (0.9 - 0.02 * 24 / 7) / 0.9 - 100)


def test_a_visit_is_a_calendar_day_of_the_wards_zone(photo: Make, score: Run) -> None:
    """23:30 and 00:30 UTC are two days in UTC and one evening in New York."""
    late = replace(photo(0), taken_at=datetime(2026, 1, 2, 23, 30, tzinfo=UTC))
    early = replace(photo(1), taken_at=datetime(2026, 1, 3, 0, 30, tzinfo=UTC))
    assert score([late, early]).score.visits == 2
    west = CourseSettings(zone=ZoneInfo("America/New_York"))
    assert score([late, early], settings=west).score.visits == 1


def test_repeat_photos_make_one_visit_by_their_median(photo: Make, score: Run) -> None:
    readings = [photo(i / 100, cover) for i, cover in enumerate([0.90, 0.91, 0.40])]
    (visit,) = score(readings).visits
    assert visit.live_cover == 0.90
    # Scatter of the three over the root of three is larger than what each says of itself.
    assert visit.live_cover_sd == pytest.approx(np.std([0.9, 0.91, 0.4], ddof=1) / 3**0.5)


def test_pool_sd_needs_twenty_degrees_of_freedom(photo: Make) -> None:
    """Pairs 0.90, 0.92 have the within SD 0.02 / sqrt 2 = 0.01414 each; three digits are kept."""
    pairs = [
        replace(photo(i + hour, c), specimen=f"S{i}")
        for i in range(20)
        for hour, c in ((0, 0.90), (0.01, 0.92))
    ]
    assert pool_sd(pairs[:38]).cover_within is None
    pooled = pool_sd(pairs)
    assert pooled.cover_df == 20
    assert pooled.cover_within == 0.0141
    assert pooled.lab_within == pytest.approx(0.0)


def test_scatter_between_visits_ignores_straight_trends(photo: Make) -> None:
    """0.9 minus 0.01 a week with alternating +-0.005: second differences are +-0.02.

    0.02 / 0.6745 / sqrt 6 = 0.01211.
    """
    readings = [photo(7 * i, 0.9 - 0.01 * i + 0.005 * (-1) ** i) for i in range(25)]
    assert pool_sd(readings).cover_between == 0.0121


def _noisy(photo: Make, seed: int, n: int) -> list[Reading]:
    rng = np.random.default_rng(seed)
    return [
        photo(
            7 * i,
            float(np.clip(0.8 + 0.1 * rng.normal(), 0, 1)),
            lab=tuple(float(x) for x in np.array(RICH) + 4 * rng.normal(size=3)),
            area=float(1000 * np.exp(0.3 * rng.normal())),
            view=("top", "side")[int(rng.integers(2))],
        )
        for i in range(n)
    ]


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(seed=st.integers(0, 10_000), n=st.integers(1, 14))
def test_order_does_not_matter_and_figures_keep_their_ranges(
    photo: Make, score: Run, seed: int, n: int
) -> None:
    readings = _noisy(photo, seed, n)
    mixed = readings.copy()
    random.Random(seed).shuffle(mixed)
    course, other = score(readings), score(mixed)
    assert course.score == other.score
    assert course.flags == other.flags
    assert course.visits == other.visits
    assert course.chart == other.chart
    assert sorted(course.readings, key=lambda r: r.photo) == sorted(
        other.readings, key=lambda r: r.photo
    )
    found = course.score
    assert found.condition is None or 0 <= found.condition <= 100
    assert found.recovery is None or -100 <= found.recovery <= 100
    if found.recovery is not None:
        assert found.recovery_low is not None
        assert found.recovery_high is not None
        assert found.recovery_low <= found.recovery <= found.recovery_high
    assert all(reading.paling is None or 0 <= reading.paling <= 1 for reading in course.readings)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(seed=st.integers(0, 10_000), n=st.integers(2, 12))
def test_improvement_never_raises_a_flag(photo: Make, score: Run, seed: int, n: int) -> None:
    """Cover that only rises, colour that only gets richer, nothing overgrown."""
    rng = np.random.default_rng(seed)
    covers = np.sort(rng.uniform(0.3, 1.0, n))
    pale = -np.sort(-rng.uniform(0, 0.8, n))
    readings = [
        photo(7 * i, float(c), lab=tuple(r + p * (w - r) for r, w in zip(RICH, WHITE, strict=True)))
        for i, (c, p) in enumerate(zip(covers, pale, strict=True))
    ]
    assert set(score(readings).score.flags) <= {"stalled"}


def test_care_of_others_does_not_count(photo: Make) -> None:
    at = datetime(2026, 1, 3, tzinfo=UTC)
    course = score_specimen(
        [photo(0)],
        specimen=Specimen(specimen="A"),
        care=[CareEvent(specimen="B", at=at, what="sold")],
        pooled=None,
        settings=CourseSettings(),
        today=date(2026, 1, 2) + timedelta(days=1),
    )
    assert course.score.advice == "hold"


def test_recovery_draws_near_full_condition_do_not_explode() -> None:
    """Intake 88 with SD 5: draws above 90 leave almost no room and must not read as +-100."""
    found = recovery(
        State(cover=0.7744, paling=0, cover_sd=0.09),
        State(cover=0.81, paling=0, cover_sd=0.001),
        min_room_points=10.0,
    )
    assert found is not None
    value, low, _ = found
    assert value == pytest.approx(100 * 2 / 12, abs=0.01)
    # A loss is counted against what there was to lose, a few per cent of 88.
    assert -10 < low < 0


def test_doubt_of_a_map_has_heavier_tails_than_scatter_of_the_same_sd() -> None:
    """90 % of a normal lie within 1.645 SD, of a Student t of 3 degrees within 2.353 (tables)."""
    now, room = State(cover=0.36, paling=0.0), 10.0
    scatter = recovery(State(cover=0.36, paling=0, cover_sd=0.02), now, min_room_points=room)
    doubt = recovery(State(cover=0.36, paling=0, doubt_sd=0.02), now, min_room_points=room)
    assert scatter is not None
    assert doubt is not None
    wider = (doubt[2] - doubt[1]) / (scatter[2] - scatter[1])
    assert wider == pytest.approx(2.353 / 1.645, rel=0.06)


def test_own_sd_that_all_photos_share_cancels_once_repeatability_is_known(
    photo: Make, score: Run
) -> None:
    """Each photo doubts its outline by 0.05, but repeat photos of the ward agree to 0.01."""
    readings = [photo(7 * i, c, live_cover_sd=0.05) for i, c in enumerate([0.94] * 4 + [0.85] * 2)]
    known = PooledSd(cover_within=0.01, overgrown_within=0.01)
    assert score(readings, pooled=known).score.flags == ("recession",)
    assert score(readings, pooled=None).score.flags == ()
    # One photo that doubts much more than the others still does not raise a flag.
    doubtful = [*readings[:4], replace(readings[4], live_cover_sd=0.2)]
    assert score(doubtful, pooled=known).score.flags == ()


def test_pooling_by_parts_is_pooling_of_all(photo: Make) -> None:
    """However the specimens are parted, and in whatever order, the pooled SDs are the same."""
    rng = np.random.default_rng(3)
    readings = [
        replace(photo(7 * visit + again / 100, 0.9 + rng.normal(0, 0.02)), specimen=f"S{i}")
        for i in range(6)
        for visit in range(7)
        for again in range(i % 3 + 1)
    ]
    parts = [
        repeats_of([one for one in readings if one.specimen in names])
        for names in (("S4", "S0"), ("S1",), ("S5", "S2", "S3"))
    ]
    whole = pool_sd(readings)
    assert whole.cover_within is not None
    assert whole.cover_between is not None
    assert pool_repeats(parts) == pool_repeats(parts[::-1]) == whole
