"""Paling, its ends, and light periods, against colours placed by hand."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from polypward.course import Course, CourseSettings
from polypward.course.paling import Axis, pale_mm2
from polypward.course.reference import pick_bias_sds
from polypward.records import Reading, Specimen

Make = Callable[..., Reading]
Run = Callable[..., Course]
RICH, WHITE = (45.0, 5.0, 20.0), (90.0, 0.0, 8.0)
AXIS = Axis(RICH, WHITE)


def toward_white(index: float) -> tuple[float, float, float]:
    light, red, yellow = (r + index * (w - r) for r, w in zip(RICH, WHITE, strict=True))
    return light, red, yellow


def test_the_index_is_a_projection_and_keeps_what_lies_beside() -> None:
    """Half way along L, moved by (0, 3, 4): 5 Lab beside the axis."""
    axis = Axis((40.0, 0.0, 10.0), (90.0, 0.0, 10.0))
    assert axis.place((65.0, 3.0, 14.0)) == pytest.approx((0.5, 5.0))
    assert axis.place((30.0, 0.0, 10.0))[0] == pytest.approx(-0.2)
    assert axis.index_sd(2.0) == pytest.approx(0.04)


def test_pale_area_counts_bins_from_half_the_way() -> None:
    """Bins at 0.2, 0.499, 0.501 and 1 of the way: the last two are pale."""
    bins = [(*toward_white(p), mm2) for p, mm2 in ((0.2, 1), (0.499, 2), (0.501, 4), (1.0, 8))]
    assert pale_mm2(np.array(bins, np.float32), AXIS) == pytest.approx(12)
    with pytest.raises(ValueError, match=r"\(K, 4\)"):
        pale_mm2(np.zeros((3, 3), np.float32), AXIS)


def test_readings_get_paling_sd_and_pale_area(photo: Make, score: Run) -> None:
    palette = np.array([(*RICH, 600), (*toward_white(0.8), 340)], np.float32)
    settings = CourseSettings(kind_references={"cup": RICH})
    reading = photo(0, lab=toward_white(0.25), live_palette=palette)
    course = score([reading], settings=settings, specimen=Specimen(specimen="A", kind="cup"))
    (filled,) = course.readings
    assert filled.paling == pytest.approx(0.25)
    # 0.5 Lab from the photo, 1.5 Lab floor of the repeatability.
    assert filled.paling_sd == pytest.approx((0.5**2 + 1.5**2) ** 0.5 / AXIS.length_lab)
    assert filled.pale_mm2 == pytest.approx(340)
    assert filled.expansion == pytest.approx(1.0)
    assert "named for cup" in course.reference.basis


def test_the_reference_is_the_richest_run_of_three(photo: Make, score: Run) -> None:
    pale = [0.5, 0.4, 0.0, 0.0, 0.0, 0.3, 0.3]
    course = score([photo(7 * i, lab=toward_white(p)) for i, p in enumerate(pale)])
    assert course.reference.lab == pytest.approx(RICH, abs=0.01)
    assert [v.paling for v in course.visits] == pytest.approx(pale, abs=0.001)
    # Condition at intake stands on the reference as it is known now.
    assert course.score.condition_intake == pytest.approx(100 * (0.94 * 0.5) ** 0.5, abs=0.1)


def test_one_rich_visit_is_no_reference(photo: Make, score: Run) -> None:
    pale = [0.4, 0.4, 0.0, 0.4, 0.4]
    course = score([photo(7 * i, lab=toward_white(p)) for i, p in enumerate(pale)])
    assert course.reference.lab == pytest.approx(toward_white(0.4), abs=1)


def test_more_colourful_is_not_richer(photo: Make, score: Run) -> None:
    """Bleached tissue that fluoresces: chroma up by 30, lighter by 25. Bollati et al. 2020."""
    vivid = (70.0, 10.0, 45.0)
    labs = [RICH, RICH, RICH, vivid, vivid, vivid]
    course = score([photo(7 * i, lab=lab) for i, lab in enumerate(labs)])
    assert course.reference.days[0] == course.visits[0].day
    assert "paling" in course.score.flags
    last = course.visits[-1]
    assert last.off_axis_lab is not None
    assert last.off_axis_lab > 20


def test_bias_of_picking_the_best_run() -> None:
    """Simulated: the best running median of three of n normal visits, 4000 draws a size."""
    rng = np.random.default_rng(0)
    for n in (5, 10, 30):
        x = rng.normal(size=(4000, n))
        runs = np.median(np.lib.stride_tricks.sliding_window_view(x, 3, axis=1), axis=2)
        # The table is rounded to 0.01 of SD 0.03, and 4000 draws give +-0.01.
        assert pick_bias_sds(n) == pytest.approx(float(runs.max(axis=1).mean()), abs=0.05)
    assert pick_bias_sds(3) == pick_bias_sds(1) == 0


def test_a_stable_specimen_reads_no_paling_on_average(photo: Make, score: Run) -> None:
    """20 specimens, 12 visits, colour SD 1.5 Lab: without the correction the mean is +0.026."""
    means = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        noise = 1.5 * rng.normal(size=(12, 3))
        labs = [tuple(float(x) for x in np.array(RICH) + row) for row in noise]
        course = score([photo(7 * i, lab=lab) for i, lab in enumerate(labs)])
        means.append(np.mean([v.paling_raw for v in course.visits]))
    # SE of the mean: about 1.5 / 46.8 * sqrt(0.4 / 20) = 0.005.
    assert np.mean(means) == pytest.approx(0.0, abs=0.012)


def test_white_is_the_specimens_own_skeleton_where_enough_shows(photo: Make, score: Run) -> None:
    def own(bare: tuple[float, float, float], cover: float, **more: Any) -> Course:
        return score([photo(7 * i, cover, bare_lab=bare, **more) for i in range(4)])

    shown = own((85.0, 2.0, 12.0), 0.9)
    assert shown.reference.white_lab == (85.0, 2.0, 12.0)
    assert "own bare skeleton" in shown.reference.white_basis
    # 20 mm2 are too few; brown is no bare skeleton; a changed light does not count.
    for course in (
        own((85.0, 2.0, 12.0), 0.98),
        own((60.0, 2.0, 12.0), 0.9),
        own((85.0, 2.0, 12.0), 0.9, reasons=("light-changed",)),
    ):
        assert course.reference.white_lab == CourseSettings().white_lab
        assert "default" in course.reference.white_basis


def test_white_stays_when_the_skeleton_ages(photo: Make, score: Run) -> None:
    """The first three photos that show it fix it for the whole series."""
    bare = [(88.0, 1.0, 9.0)] * 3 + [(75.0, 0.0, 25.0)] * 5
    course = score([photo(7 * i, 0.9, bare_lab=lab) for i, lab in enumerate(bare)])
    assert course.reference.white_lab == (88.0, 1.0, 9.0)


def test_ends_too_close_give_no_index(photo: Make, score: Run) -> None:
    course = score([photo(7 * i, lab=toward_white(0.7)) for i in range(4)])
    assert not course.reference.available
    assert (course.score.condition, course.visits[0].paling) == (None, None)
    assert any("only 14 Lab" in note for note in course.notes)
    # It may pale further all the same, and that is flagged in Lab units.
    paler = [0.7, 0.7, 0.7, 0.95, 0.95]
    course = score([photo(7 * i, lab=toward_white(p)) for i, p in enumerate(paler)])
    assert course.score.flags == ("paling",)
    assert "Lab towards white" in course.flags[0].evidence


def test_a_changed_light_is_shown_but_not_charted(photo: Make, score: Run) -> None:
    readings = [photo(7 * i) for i in range(4)]
    odd = [photo(28, lab=toward_white(0.5), reasons=("light-changed",)), photo(35)]
    course = score(readings + odd)
    assert course.score.flags == ()
    assert course.visits[4].paling is None
    assert course.visits[4].lab is not None
    assert course.chart["paling"].ewma[4] is None


@pytest.mark.parametrize(
    "change", [{"reasons": ("light-changed",)}, {"lamp": "reef bar"}, {"card_serial": "K-2"}]
)
def test_three_visits_under_a_new_light_start_a_new_baseline(
    photo: Make, score: Run, change: dict[str, Any]
) -> None:
    """The new light turns everything 10 Lab lighter; nothing else happens, then it pales."""
    new = tuple(x + d for x, d in zip(toward_white(0.1), (10, 0, 0), strict=True))
    readings = [photo(7 * i, lab=toward_white(0.1 * (i > 2)), lamp="led", card_serial="K-1")
                for i in range(6)]  # fmt: skip
    base = {"lamp": "led", "card_serial": "K-1"}
    readings += [photo(42 + 7 * i, lab=new, **(base | change)) for i in range(4)]
    early = score(readings[:8])
    assert early.visits[-1].paling is None
    course = score(readings)
    assert [v.light for v in course.visits] == [0] * 6 + [1] * 4
    # Carried on at the paling it had.
    assert course.visits[-1].paling == pytest.approx(course.visits[5].paling, abs=0.02)
    assert any("changed" in note for note in course.notes)
    paler = tuple(x + 0.3 * (w - x) for x, w in zip(new, WHITE, strict=True))
    later = score([*readings, *(photo(70 + 7 * i, lab=paler, **(base | change)) for i in range(2))])
    assert "paling" in later.score.flags
