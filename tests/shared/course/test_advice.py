"""The advice table: which rule answers, what blocks a release, what a rule may not say."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import pytest

from polypward.course import DEFAULT_RULES, AdviceRule, Course, CourseSettings
from polypward.course.condition import condition
from polypward.course.rules import holds
from polypward.errors import BadInputError
from polypward.records import CareEvent, Reading, Specimen

Make = Callable[..., Reading]
Run = Callable[..., Course]
Care = Callable[..., CareEvent]


def healthy(photo: Make) -> list[Reading]:
    return [photo(7 * i, 0.95) for i in range(5)]


def test_healthy_for_four_weeks_is_released(photo: Make, score: Run) -> None:
    course = score(healthy(photo))
    assert course.score.advice == "release"
    assert "28 days without a flag" in course.advice.reason
    assert "person" in course.advice.reason
    assert course.advice.next_photo_on == date(2026, 1, 2) + timedelta(days=35)


def test_what_blocks_a_release(photo: Make, score: Run, care: Care) -> None:
    readings = healthy(photo)
    for blocks in (
        care(20, "treatment", name="dip course", status="open"),
        care(20, "quarantine", status="started"),
        care(27, "feeding", eaten="no"),
    ):
        assert score(readings, care=[blocks]).score.advice == "hold", blocks
    done = [
        care(20, "treatment", name="dip course", status="open"),
        care(25, "treatment", name="dip course", status="done"),
        care(20, "quarantine", status="started"),
        care(27, "quarantine", status="done"),
        care(20, "feeding", eaten="no"),
        care(27, "feeding", eaten="yes"),
    ]
    assert score(readings, care=done).score.advice == "release"


def test_too_few_days_low_condition_or_late_photo_hold(photo: Make, score: Run) -> None:
    readings = healthy(photo)
    new = Specimen(specimen="A", arrived_on=date(2026, 1, 20))
    assert score(readings, specimen=new).score.advice == "hold"  # quarantine
    assert score([photo(7 * i, 0.6) for i in range(4)]).score.advice == "hold"  # condition 77
    assert score(readings, today=date(2026, 3, 1)).score.advice == "hold"  # overdue
    assert score(readings[:2]).advice.rule == "not known yet"


def test_a_flag_asks_for_treatment_and_an_earlier_photo(photo: Make, score: Run) -> None:
    course = score([*healthy(photo), photo(35, 0.85), photo(42, 0.85)])
    assert course.score.advice == "treat"
    assert course.advice.next_photo_on == date(2026, 1, 2) + timedelta(days=45)
    assert course.advice.changes


def test_stability_counts_from_the_clearing(photo: Make, score: Run, care: Care) -> None:
    readings = [*healthy(photo), *(photo(35 + 7 * i, 0.85) for i in range(4))]
    seen = care(50, "acknowledge", flag="recession")
    course = score(readings, care=[seen])
    assert course.facts["stable_days"] == 6  # day 50 to 56
    assert course.score.advice == "hold"


def test_a_table_of_ones_own_is_followed(photo: Make, score: Run) -> None:
    mine = AdviceRule(name="mine", when=("condition >= 50",), advice="treat", reason="At {cover}.")
    course = score(healthy(photo), settings=CourseSettings(rules=(mine, *DEFAULT_RULES)))
    assert (course.score.advice, course.advice.reason) == ("treat", "At 0.95.")
    empty = score(healthy(photo), settings=CourseSettings(rules=()))
    assert empty.score.advice == "hold"


@pytest.mark.parametrize(
    "when",
    ["condition 80", "beauty >= 3", "condition ~ 3", "condition >= much", "eating < 3 x"],
)
def test_a_rule_that_cannot_be_understood_is_refused(when: str) -> None:
    with pytest.raises(BadInputError):
        AdviceRule(name="x", when=(when,), advice="hold", reason="")


def test_discard_is_never_from_photos_alone() -> None:
    with pytest.raises(BadInputError, match="second_look"):
        AdviceRule(name="x", when=("cover <= 0.02",), advice="discard", reason="")
    with pytest.raises(BadInputError, match="advice must be"):
        replace(DEFAULT_RULES[0], advice="bin")  # type: ignore[arg-type]
    discards = [rule for rule in DEFAULT_RULES if rule.advice == "discard"]
    assert discards
    assert all("second_look == yes" in rule.when for rule in discards)


def test_a_fact_that_is_not_known_holds_only_for_unequal() -> None:
    facts = {"condition": None, "eating": "unknown"}
    assert not holds("condition >= 0", facts)
    assert not holds("condition == yes", facts)
    assert holds("condition != 3", facts)
    assert holds("eating != no", facts)


@pytest.mark.parametrize(
    ("cover", "paling", "value"),
    [(1.0, 0.0, 100), (0.25, 0.0, 50), (0.5, 0.5, 50), (0.0, None, 0), (0.9, 1.0, 0)],
)
def test_condition_is_a_geometric_mean(cover: float, paling: float | None, value: float) -> None:
    found = condition(cover, paling)
    assert found is not None
    assert found[0] == pytest.approx(value)
    assert condition(0.5, None) is None


def test_condition_sd_is_the_first_order_one_where_that_holds() -> None:
    """d(100 sqrt(c q)) = 50 sqrt(q/c) dc: 50 x 0.01 at full colour and cover 1."""
    found = condition(1.0, 0.0, cover_sd=0.01)
    assert found is not None
    assert found[1] == pytest.approx(0.5)
    near_zero = condition(1e-9, 0.0, cover_sd=0.01)
    assert near_zero is not None
    assert near_zero[1] <= 5.0  # 100 sqrt(0.01) is 10; the slope alone would give 16 000


@pytest.mark.parametrize(
    "wrong", [{"ewma_lambda": 0.0}, {"ewma_lambda": 1.5}, {"lab_floor": 0.0}, {"interval_days": -1}]
)
def test_settings_out_of_range_are_refused_by_name(wrong: dict[str, float]) -> None:
    with pytest.raises(BadInputError, match=next(iter(wrong))):
        CourseSettings(**wrong)  # type: ignore[arg-type]
