"""How far a visit may scatter, and a photo whose map is in more doubt than usual."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from polypward.course import Course, PooledSd
from polypward.course.scatter import series_scatter
from polypward.records import CareEvent, Reading

Make = Callable[..., Reading]
Score = Callable[..., Course]
Care = Callable[..., CareEvent]
WARD = PooledSd(cover_within=0.006, overgrown_within=0.006)


def course_of(photo: Make, covers: list[float], doubts: dict[int, float]) -> list[Reading]:
    """Weekly photos; the map says 0.01 of itself but where `doubts` says otherwise."""
    readings = [photo(7 * week, cover) for week, cover in enumerate(covers)]
    return [replace(one, live_cover_sd=doubts.get(week, 0.01)) for week, one in enumerate(readings)]


def flags_of(course: Course) -> list[tuple[str, str, bool]]:
    return [(flag.name, f"{flag.raised_on:%m-%d}", flag.standing) for flag in course.flags]


def test_a_well_read_series_scatters_as_the_ward_does() -> None:
    found = series_scatter([0.9] * 6, [0.012] * 6, [0.01] * 6, known=True)
    assert [one.sd for one in found] == pytest.approx([0.01] * 6)


def test_a_badly_read_series_widens_its_own_limits_and_no_later_visit_changes_an_earlier() -> None:
    """White scatter of 0.05 around a level: the SD approaches it, never below the ward's."""
    rng = np.random.default_rng(4)
    values = list(0.7 + 0.05 * rng.standard_normal(40))
    told = [0.012] * 40
    found = [one.sd for one in series_scatter(values, told, [0.01] * 40, known=True)]
    assert found[:3] == pytest.approx([0.01] * 3)
    # 37 overlapping second differences are worth 19 degrees of freedom: 16 % of an SD, one SD.
    assert found[-1] == pytest.approx(0.05, rel=0.32)
    cut = [one.sd for one in series_scatter(values[:20], told[:20], [0.01] * 20, known=True)]
    assert cut == found[:20]


def test_before_the_ward_repeats_a_photo_counts_as_unsure_as_it_says() -> None:
    found = series_scatter([0.9] * 3, [0.03] * 3, [0.01] * 3, known=False)
    assert found[0].sd == pytest.approx(0.03)


def test_a_loss_in_a_doubtful_photo_waits_for_the_next_and_asks_for_a_look(
    photo: Make, score: Score
) -> None:
    """0.98 reads 0.76 once, with three times the usual doubt; the visit after it reads 0.98."""
    covers = [0.98, 0.98, 0.98, 0.76]
    course = score(course_of(photo, covers, {3: 0.03}), pooled=WARD)
    (flag,) = course.flags
    assert (flag.name, flag.standing) == ("look-again", True)
    assert "seems to have fallen from 0.98 to 0.76" in flag.evidence
    assert course.advice.rule == "look again"
    assert course.advice.next_photo_on == course.visits[-1].day
    healed = score(course_of(photo, [*covers, 0.98], {3: 0.03}), pooled=WARD)
    assert flags_of(healed) == [("look-again", "01-23", False)]


def test_a_true_loss_is_flagged_by_the_second_visit_though_the_first_was_in_doubt(
    photo: Make, score: Score
) -> None:
    covers = [0.98, 0.98, 0.98, 0.76, 0.76]
    course = score(course_of(photo, covers, {3: 0.03}), pooled=WARD)
    assert ("recession", "01-30", True) in flags_of(course)
    # A photo that is sure raises it, and the sharp loss, at once.
    sure = score(course_of(photo, covers[:4], {}), pooled=WARD)
    assert {name for name, _, _ in flags_of(sure)} == {"recession", "sharp-loss"}


def test_an_unsure_map_waits_though_its_own_sd_is_the_usual(photo: Make, score: Score) -> None:
    readings = course_of(photo, [0.98, 0.98, 0.98, 0.76, 0.76], {})
    readings[3] = replace(readings[3], unsure=0.075)
    assert flags_of(score(readings[:4], pooled=WARD)) == [("look-again", "01-23", True)]
    assert ("recession", "01-30", True) in flags_of(score(readings, pooled=WARD))
    # Two sure photos of the same day outvote it.
    sure = [replace(readings[3], photo=f"{n}.jpg", sha256=f"{n}", unsure=0.01) for n in (1, 2)]
    outvoted = score([*readings[:4], *sure], pooled=WARD)
    assert {name for name, _, _ in flags_of(outvoted)} == {"recession", "sharp-loss"}


def test_a_doubtful_visit_does_not_wait_where_the_one_before_it_leans_the_same_way(
    photo: Make, score: Score
) -> None:
    """0.96 is no signal beside 0.98, but it is 2 SDs of the ward on the way to 0.76."""
    for before, waits in ((0.98, True), (0.96, False)):
        readings = course_of(photo, [0.98, 0.98, before, 0.76], {3: 0.03})
        assert flags_of(score(readings[:3], pooled=WARD)) == []
        names = {name for name, _, _ in flags_of(score(readings, pooled=WARD))}
        assert names == ({"look-again"} if waits else {"recession"})


def test_a_person_who_looked_answers_a_doubt(photo: Make, score: Score, care: Care) -> None:
    readings = course_of(photo, [0.98, 0.98, 0.98, 0.76], {3: 0.03})
    well = score(readings, pooled=WARD, care=[care(22, "look", state="well")])
    assert flags_of(well) == [("look-again", "01-23", False)]
    odd = score(readings, pooled=WARD, care=[care(22, "look", state="gaping")])
    assert all(standing for _, _, standing in flags_of(odd))


def test_the_way_back_from_a_visit_that_read_too_well_is_no_sharp_loss(
    photo: Make, score: Score
) -> None:
    covers = [0.8, 0.8, 0.8, 1.0, 0.8]
    assert flags_of(score(course_of(photo, covers, {}), pooled=WARD)) == []
    # From a level that was there twice it is one.
    lost = score(course_of(photo, [0.8, 0.8, 1.0, 1.0, 0.8], {}), pooled=WARD)
    assert "sharp-loss" in {name for name, _, _ in flags_of(lost)}
