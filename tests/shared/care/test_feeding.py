from datetime import UTC, datetime, timedelta

import pytest

from polypward.care import (
    RESPONSES,
    Part,
    eaten_word,
    portion_cost,
    refusals_in_a_row,
    response_of,
)
from polypward.course.advice import gather_facts
from polypward.errors import BadInputError
from polypward.records import CareEvent, Specimen

START = datetime(2024, 3, 1, 18, tzinfo=UTC)


def fed(*details: dict[str, str]) -> list[CareEvent]:
    return [
        CareEvent(specimen="a", at=START + timedelta(days=n), what="feeding", detail=detail)
        for n, detail in enumerate(details)
    ]


def test_a_portion_costs_its_share_of_the_foods() -> None:
    """30 g at 0.04 and 2 g at 0.10 are 1.40; a twelfth of it is 0.11667."""
    parts = [Part(food="krill", quantity=30, unit="g"), Part(food="nori", quantity=2, unit="g")]
    cost = portion_cost(parts, prices={"krill": 0.04, "nori": 0.10}, portions=12)
    assert cost.cost == pytest.approx(1.40 / 12)


def test_a_missing_price_gives_no_cost_rather_than_a_cheap_one() -> None:
    parts = [Part(food="krill", quantity=30, unit="g"), Part(food="nori", quantity=2, unit="g")]
    cost = portion_cost(parts, prices={"krill": 0.04, "nori": None}, portions=12)
    assert (cost.cost, cost.unpriced) == (None, ("nori",))
    assert portion_cost([], prices={}, portions=1).cost is None
    free = portion_cost(parts, prices={"krill": 0.0, "nori": 0.0}, portions=12)
    assert free.cost == 0.0
    with pytest.raises(BadInputError, match="over 0, got 0"):
        portion_cost(parts, prices={}, portions=0)


@pytest.mark.parametrize(
    ("responses", "row"),
    [
        ([], 0),
        (["refused"], 1),
        (["refused", "spat"], 2),
        (["refused", "took", "refused"], 1),
        (["refused", "part"], 0),
        (["refused", "", "refused"], 2),  # a feeding that nobody watched says nothing
        (["took", "refused", ""], 1),
    ],
)
def test_refusals_are_counted_up_to_the_newest_watched_feeding(
    responses: list[str], row: int
) -> None:
    events = fed(*[{"response": word} if word else {} for word in responses])
    assert len(refusals_in_a_row(reversed(events))) == row


def test_the_row_of_refusals_is_told_with_its_days() -> None:
    events = fed({"response": "took"}, {"response": "refused"}, {"eaten": "no"})
    assert [event.at for event in refusals_in_a_row(events)] == [events[1].at, events[2].at]


def test_feedings_noted_with_eaten_alone_are_understood() -> None:
    assert [response_of(one) for one in fed({"eaten": "yes"}, {"eaten": "no"}, {})] == [
        "took",
        "refused",
        "",
    ]
    look = CareEvent(specimen="a", at=START, what="look", detail={"response": "took"})
    assert response_of(look) == ""


@pytest.mark.parametrize(
    ("response", "eating"), [("took", "yes"), ("part", "yes"), ("refused", "no"), ("spat", "no")]
)
def test_the_advice_reads_the_response(response: str, eating: str) -> None:
    events = fed({"response": response, "eaten": eaten_word(response)})
    facts = gather_facts(Specimen(specimen="a"), (), (), events, condition=None)
    assert facts["eating"] == eating
    assert set(RESPONSES) == {"took", "part", "refused", "spat"}


def test_another_word_is_no_response() -> None:
    with pytest.raises(BadInputError, match='"yes": it is one of took, part, refused, spat'):
        eaten_word("yes")
