"""Like with like, moves, daily looks, trends in parts, what a week more may bring."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest

from polypward.course import Case, Course, prospect_of
from polypward.course.paling import Axis
from polypward.course.repeatability import pool_sd, smallest_change
from polypward.errors import BadInputError
from polypward.records import CareEvent, Reading

START = date(2026, 1, 2)
RICH, WHITE = (45.0, 5.0, 20.0), (90.0, 0.0, 8.0)
Make = Callable[..., Reading]
Score = Callable[..., Course]
Care = Callable[..., CareEvent]


def toward_white(index: float) -> tuple[float, float, float]:
    light, red, yellow = (r + index * (w - r) for r, w in zip(RICH, WHITE, strict=True))
    return light, red, yellow


@pytest.mark.parametrize(
    ("odd", "words"), [({"open": "in"}, "polyps in, usually out"), ({"hours": 5}, "5 h later")]
)
def test_an_unlike_visit_raises_no_paling_flag(
    photo: Make, score: Score, odd: dict[str, Any], words: str
) -> None:
    readings = [photo(7 * i, open="out") for i in range(5)]
    more = {"open": odd.get("open", "out"), "lab": toward_white(0.3)}
    late = photo(35 + odd.get("hours", 0) / 24, **more)
    course = score([*readings, late])
    assert course.score.flags == ()
    assert words in course.visits[-1].unlike
    # The same colour at a like visit is flagged; the colour itself is told either way.
    assert course.visits[-1].paling == pytest.approx(0.3, abs=0.02)
    assert score([*readings, photo(35, open="out", lab=toward_white(0.3))]).score.flags


def test_a_state_that_lasts_becomes_the_usual_one(photo: Make, score: Score) -> None:
    readings = [photo(7 * i, open="out") for i in range(4)]
    shut = [photo(28 + 7 * i, open="in", lab=toward_white(0.2)) for i in range(4)]
    paler = [photo(56 + 7 * i, open="in", lab=toward_white(0.45)) for i in range(2)]
    assert score([*readings, *shut]).score.flags == ()
    assert score([*readings, *shut, *paler]).score.flags == ("paling",)


def test_sharp_loss_counts_at_an_unlike_visit(photo: Make, score: Score) -> None:
    readings = [photo(7 * i, open="out") for i in range(4)]
    assert "sharp-loss" in score([*readings, photo(28, 0.7, open="in")]).score.flags


def test_widened_limits_of_an_unlike_visit_are_told(photo: Make, score: Score) -> None:
    readings = [photo(7 * i, open="out") for i in range(6)]
    course = score([*readings, photo(42, 0.84, open="half")])
    (flag,) = course.flags
    assert "polyps half, usually out, so the limits were widened" in flag.evidence
    assert score([*readings, photo(42, 0.90, open="half")]).flags == ()


def test_a_move_hides_no_loss_and_starts_a_new_baseline(
    photo: Make, score: Score, care: Care
) -> None:
    before = [photo(7 * i, 0.94) for i in range(4)]
    moved = [care(24, "move", to="rack 2")]
    lost = score([*before, photo(28, 0.84)], care=moved)
    assert lost.score.flags == ("recession",)
    # Within the limits the visit after the move is the new baseline.
    calm = score([*before, photo(28, 0.92), photo(35, 0.92)], care=moved)
    assert calm.flags == ()
    assert calm.chart["cover"].baseline[-1] == pytest.approx(0.92)


def test_looks_raise_and_clear_look_again(photo: Make, score: Score, care: Care) -> None:
    readings = [photo(7 * i) for i in range(3)]
    gaping = care(16, "look", state="Gaping")
    standing = score(readings, care=[gaping])
    assert standing.score.flags == ("look-again",)
    (flag,) = standing.flags
    assert flag.evidence.startswith("seen gaping on 2026-01-18")
    assert (flag.raised_on, flag.urgent) == (START + timedelta(days=16), False)
    assert standing.advice.rule == "look again"
    assert standing.advice.next_photo_on == START + timedelta(days=14)  # today
    assert score(readings, care=[care(16, "look", state="slime")]).flags[0].urgent
    for answer in (care(17, "look", state="well"), care(17, "acknowledge", flag="look-again")):
        cleared = score(readings, care=[gaping, answer])
        assert (cleared.score.flags, cleared.flags[0].cleared_by) == ((), "person")
    seen = score([*readings, photo(21)], care=[gaping])
    assert (seen.score.flags, seen.flags[0].cleared_by) == ((), "visits")
    # Two odd days are one flag; acknowledging something else leaves it.
    twice = score(readings, care=[gaping, care(17, "look", state="tissue loose")])
    assert [flag.urgent for flag in twice.flags] == [True]
    other = score(readings, care=[gaping, care(17, "acknowledge", flag="paling")])
    assert other.score.flags == ("look-again",)


def test_trends_are_parted_where_a_change_was_logged(photo: Make, score: Score, care: Care) -> None:
    """+1 % a week for four weeks, then -0.5 %: the move stands between."""
    covers = [0.80 + 0.01 * i for i in range(5)] + [0.84 - 0.005 * i for i in range(1, 5)]
    readings = [photo(7 * i, cover) for i, cover in enumerate(covers)]
    plain = score(readings)
    assert plain.trend_parts == ()
    parts = [
        part
        for part in score(readings, care=[care(30, "move", to="rack 2")]).trend_parts
        if part.measure == "cover"
    ]
    rates = [part.trend.per_week for part in parts if part.trend is not None]
    assert rates == pytest.approx([0.01, -0.005], abs=1e-9)
    assert [part.began for part in parts] == ["", "move to rack 2"]
    trend = plain.trends["cover"]
    assert trend.low is not None
    assert trend.high is not None
    assert trend.low <= trend.per_week <= trend.high


def test_colourful_bleaching_is_charted_by_lightness() -> None:
    axis = Axis(RICH, WHITE)
    for index in (0.0, 0.3, 1.0):  # on the axis both agree
        assert axis.lean(toward_white(index))[0] == pytest.approx(index * axis.length_lab)
    pale = toward_white(0.15)
    vivid = (pale[0], pale[1] + 6, pale[2] + 9)
    assert axis.place(vivid)[0] < 0.11  # a plain projection loses a third
    assert axis.lean(vivid)[0] / axis.length_lab == pytest.approx(0.15, abs=0.015)


def test_where_colour_fades_and_light_hardly_changes_the_chart_takes_the_whole_colour() -> None:
    """From (77, -6, 25) to (86, 1, 9) lightness is 9 of 19.7 Lab: 3.5 of b alone are a fifth."""
    axis = Axis((77.0, -6.0, 25.0), (86.0, 1.0, 9.0))
    shift, sd_factor = axis.lean((78.0, -5.0, 21.5))
    assert sd_factor == 1
    # (1, 1, -3.5) . (9, 7, -16) / 19.65
    assert shift == pytest.approx(72 / 19.647, rel=1e-3)


def test_repeatability_is_that_of_like_cover(photo: Make) -> None:
    """Pairs 0.02 apart at 0.6, 0.002 apart at 0.97: SDs 0.0141 and 0.00141, to three digits."""
    readings = []
    for i in range(25):
        for level, gap in ((0.6, 0.02), (0.97, 0.002)):
            pair = {"specimen": f"{level}-{i}", "live_cover_sd": None}
            readings.append(photo(i, level, **pair))
            readings.append(photo(i + 0.01, level + gap, **pair))
    pooled = pool_sd(readings)
    assert pooled.cover_at(0.61) == 0.0141
    assert pooled.cover_at(0.97) == 0.00141
    assert pooled.cover_at(0.3) == pooled.cover  # nobody is like it
    assert pooled.cover_within == 0.01  # ((0.02**2 + 0.002**2) / 4) ** 0.5 = 0.010050


def test_smallest_change_is_277_percent_of_the_sd() -> None:
    """Bland & Altman 1996: 2.77 times the within-subject SD."""
    assert smallest_change(1.0) == pytest.approx(2.77, abs=0.005)


def case(kind: str, sold: bool, *conditions: float) -> Case:
    return Case(kind=kind, sold=sold, conditions=conditions)


def test_what_a_further_week_may_bring() -> None:
    """8 of 10 of its kind in its state were sold: 0.8 x 50 = 40."""
    cases = [case("button", i < 8, 60.0 + i) for i in range(10)]
    cases += [case("button", False, 20.0), case("cup", False, 60.0)]
    asked = {"kind": "button", "condition": 65.0, "price": 50.0, "week_cost": 3.5}
    found = prospect_of(**asked, cases=cases)
    assert found is not None
    assert found.expected == pytest.approx(40)
    assert found.words().startswith("8 of 10 finished cases of its kind and state were sold (80 %")
    assert found.words().endswith("50.00 x 0.80 = 40.00 expected, against 3.50 for a further week.")
    # Not from nine, not without a price, a kind or a condition.
    assert prospect_of(**asked, cases=cases[1:]) is None
    for missing in ({"price": None}, {"kind": ""}, {"condition": None}):
        assert prospect_of(**(asked | missing), cases=cases) is None


def test_an_odd_state_that_nobody_knows_is_refused() -> None:
    from polypward.course.looks import odd_of

    assert odd_of("Tissue loose") == "tissue-loose"
    with pytest.raises(BadInputError, match="closed, slime"):
        odd_of("purple")
