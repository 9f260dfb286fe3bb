from datetime import UTC, datetime, timedelta

import pytest

from polypward.care import given, history_words, mark_of, tally
from polypward.course.settings import CourseSettings
from polypward.course.visits import form_visits
from polypward.records import CareEvent, Reading

START = datetime(2024, 3, 1, 12, tzinfo=UTC)


def event(what: str, day: float = 0, **detail: str) -> CareEvent:
    return CareEvent(specimen="a", at=START + timedelta(days=day), what=what, detail=detail)


@pytest.mark.parametrize(
    ("what", "detail", "mark"),
    [
        ("feeding", {"amount": "usual"}, ""),
        ("feeding", {"amount": "heavy"}, "heavy feeding"),
        ("look", {"state": "alive"}, ""),
        ("inspection", {"clean": "yes"}, ""),
        ("inspection", {"found": "flatworm"}, "found flatworm"),
        ("dip", {"name": "A"}, "dip, A"),
        ("dip", {}, "dip"),
        ("treatment", {"name": "B", "status": "open"}, "treatment, B begins"),
        ("treatment", {"name": "B", "status": "done"}, "treatment, B ends"),
        ("move", {"to": "rack 2"}, "move to rack 2"),
        ("water-change", {"share": "0.15"}, "water change 15 %"),
        ("water-change", {"litres": "60"}, "water change 60 L"),
        ("quarantine", {"status": "done"}, "quarantine done"),
        ("sold", {"price": "90"}, "sold"),
        ("dose", {"name": "soda", "raises": "alkalinity"}, "dose, soda for alkalinity"),
        ("dose", {"name": "amino acids"}, ""),  # given every day
    ],
)
def test_marks_of_the_course(what: str, detail: dict[str, str], mark: str) -> None:
    assert mark_of(event(what, **detail)) == mark


def test_care_is_counted_for_the_comparison_of_batches() -> None:
    events = [
        event("feeding", 0, response="took", cost="0.5", minutes="2"),
        event("feeding", 1, response="refused", amount="heavy", cost="0.25"),
        event("feeding", 2, eaten="yes"),
        event("dip", 3, minutes="10"),
        event("treatment", 4, status="open", cost="many", minutes="nan"),
        event("treatment", 9, status="done"),
        event("move", 5),
        event("water-change", 6),
        event("dose", 6, name="soda"),
    ]
    every = tally(events)
    assert (every.feedings, every.heavy_feedings, every.dips, every.treatments) == (3, 1, 1, 1)
    assert (every.moves, every.water_changes, every.doses) == (1, 1, 1)
    assert every.responses == (("took", 2), ("refused", 1))
    assert (every.cost, every.minutes) == (0.75, 12.0)
    early = tally(events, until=START + timedelta(days=1))
    assert (early.feedings, early.dips, early.minutes) == (2, 0, 2.0)
    late = tally(events, since=START + timedelta(days=4))
    assert (late.feedings, late.treatments, late.cost) == (0, 1, None)


@pytest.mark.parametrize(
    ("what", "detail", "hours"),
    [("feeding", {"amount": "heavy"}, 12), ("dip", {"name": "A"}, 48), ("move", {"to": "x"}, 48)],
)
def test_the_course_leaves_colour_out_after_what_is_marked(
    what: str, detail: dict[str, str], hours: int
) -> None:
    """The hours of common practice that the course's settings state: 12 and 48."""
    done = event(what, **detail)
    for after, handled in ((hours - 0.1, True), (hours + 0.1, False)):
        at = START + timedelta(hours=after)
        reading = Reading(photo="p.jpg", sha256="0", specimen="a", taken_at=at, live_cover=0.9)
        [visit] = form_visits([reading], care=[done], settings=CourseSettings())
        assert visit.handled is handled


def test_groups_are_compared_by_what_they_were_given() -> None:
    """Two specimens of 14 and 7 days are 3 weeks: 6 feedings are 2 a week, 3 of 4 watched taken."""
    first = [event("feeding", n, response=word) for n, word in enumerate(("took", "part", "spat"))]
    second = [event("feeding", 0, eaten="yes"), event("feeding", 1), event("feeding", 2)]
    group = given([(tally([*first, event("dip", 3), event("dip", 4)]), 14), (tally(second), 7)])
    assert (group.specimens, group.weeks, group.watched, group.taken) == (2, 3.0, 4, 3)
    assert group.words == (
        "care a specimen-week: 2.0 feedings (3 of 4 watched ones taken), 0.0 water changes, "
        "0.0 doses to their water, 0.0 moves; 1 of 2 dipped, 0 treated"
    )
    assert "too short to say" in given([(tally(second), 3)]).words
    assert given([]).words.endswith("too short to say")
    assert (given([(tally([event("dose")]), 9)]).any, given([(tally([]), 9)]).any) == (True, False)


@pytest.mark.parametrize(
    ("what", "detail", "line"),
    [
        (
            "feeding",
            {"feeding": "3", "food": "mash", "amount": "heavy", "response": "part", "cost": "0.1"},
            "feeding: mash, heavy feeding, took part of it",
        ),
        ("feeding", {"feeding": "3", "response": "spat"}, "feeding: spat it out"),
        ("feeding", {"eaten": "no"}, "feeding: eaten no"),
        ("feeding", {}, "feeding"),
        ("dip", {"name": "A", "bath_minutes": "10", "treatment": "2"}, "dip: A, 10 min"),
        ("dip", {"name": "A", "lot": "7"}, "dip: name A, lot 7"),
        ("treatment", {"treatment": "2", "name": "B", "status": "done"}, "treatment: B, ends"),
        (
            "inspection",
            {"inspection": "1", "found": "snail", "treated": "picked"},
            "inspection: found snail, treated: picked",
        ),
        ("inspection", {"inspection": "1", "clean": "yes"}, "inspection: nothing found"),
        ("water-change", {"change": "1", "share": "0.2", "litres": "60"}, "water change 20 %"),
        ("move", {"to": "rack 2"}, "move: to rack 2"),
        (
            "dose",
            {
                "dose": "1",
                "name": "soda",
                "amount": "5 g",
                "raises": "alkalinity",
                "system": "main",
            },
            "dose: soda, 5 g, for alkalinity, into main",
        ),
        ("look", {"state": "alive"}, "look: state alive"),
    ],
)
def test_history_reads_like_a_keepers_book(what: str, detail: dict[str, str], line: str) -> None:
    assert history_words(event(what, **detail)) == line
