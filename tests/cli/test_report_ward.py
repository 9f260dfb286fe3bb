"""The ward's page and the lanes of care: what the ledger tells beside the courses."""

import re
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.cli.conftest import Desk
from tests.cli.fakes import photo

from polypward.batch import Life, share, survival
from polypward.care import given as care_given
from polypward.course.edge import EdgeAdvance
from polypward.records import CareEvent, Specimen
from polypward.water import State, Target, WaterTest
from polypward_cli.edges import EdgeStep
from polypward_cli.report import Beside, build_report, gather
from polypward_cli.report.care_chart import care_chart, lane_of
from polypward_cli.report.details import facts_of
from polypward_cli.report.drawing import Drawing
from polypward_cli.report.drawn import Drawn
from polypward_cli.report.gather import Water
from polypward_cli.report.survival_chart import day_ticks, survival_chart
from polypward_cli.report.ward_page import amount, ward_page_view
from polypward_cli.report.water_page import nice_range, oldest_test
from polypward_cli.water.dosing import add_dose
from polypward_cli.water.testing import add_tests
from polypward_cli.worth import Group

START = datetime(2026, 3, 2, 9, tzinfo=UTC)


def at(day: int) -> datetime:
    return START + timedelta(days=day)


# Water.


def state(key: str, *, age: int | None, target: bool = False) -> State:
    test = WaterTest(system="s", parameter=key, value=8.0, at=START)
    return State(
        parameter=key,
        verdict="in target" if age is not None else "not tested",
        latest=None if age is None else test,
        age_days=age,
        target=Target(parameter=key, low=7.0) if target else None,
        trend=None,
    )


def test_the_oldest_of_all_wanted_tests_is_told() -> None:
    """Tested 3 and 12 days ago in two waters; calcium has a target there but no test."""
    waters = [
        Water(system="north", volume=None, states=(state("alkalinity", age=3),)),
        Water(
            system="south",
            volume=None,
            states=(state("nitrate", age=12), state("calcium", age=None, target=True)),
        ),
    ]
    told = oldest_test(waters)
    assert told.startswith("Oldest water test: nitrate of south, 12 days ago.")
    assert told.endswith("With a target but never tested: calcium (south).")
    assert oldest_test(waters, brief=True).endswith(
        "Never tested, though a target is set: 1 value."
    )


def test_water_that_nobody_tested_is_named() -> None:
    """Nothing known is never fine: a system without a test stands in the line."""
    told = oldest_test([Water(system="tub", volume=None, states=(state("ph", age=None),))])
    assert told == "No test was noted yet of tub."
    assert "No water system" in oldest_test([])


@given(st.lists(st.floats(0.001, 3000), min_size=1, max_size=6))
def test_an_axis_of_water_holds_every_value_between_round_ends(values: list[float]) -> None:
    bottom, top, decimals = nice_range(values)
    slack = 1e-9 * max(1.0, top)
    assert bottom <= min(values) + slack
    assert max(values) <= top + slack
    assert bottom >= 0
    for end in (bottom, (bottom + top) / 2, top):
        assert float(f"{end:.{decimals}f}") == pytest.approx(end, abs=1e-9)


def test_doses_stand_with_those_whose_water_was_dosed(desk: Desk) -> None:
    """Amber stands in the lagoon, birch in another water: the lagoon's dose is amber's alone."""
    for name in ("amber", "birch"):
        for week in range(2):
            photo(desk.photos / name / f"{week}.jpg", at(7 * week).isoformat())
    desk.score()
    with desk.ward() as ward, ward.working("test"):
        for name, water in (("amber", "lagoon"), ("birch", "tub")):
            ward.save_specimen(Specimen(specimen=name, water_system=water, arrived_on=START.date()))
        add_dose(ward, "lagoon", "sodium bicarbonate", "12 g", at=at(3), by="Kim")
        for day in (0, 4):
            add_tests(ward, "lagoon", ["dkh=8"], at=at(day), by="Kim")
    with desk.ward() as ward:
        beside = gather(ward)
        folder = build_report(ward, beside=beside).parent
    assert list(beside.doses) == ["amber"]
    pages = {
        name: next((folder / "specimens").glob(f"{name}*.html")).read_text("utf-8")
        for name in ("amber", "birch")
    }
    told = "dose: sodium bicarbonate, 12 g, for alkalinity, into lagoon"
    assert f"<title>2026-03-05: {told}</title>" in pages["amber"]
    assert told not in pages["birch"]
    ward_page = (folder / "ward.html").read_text("utf-8")
    assert "Alkalinity, dKH" in ward_page
    assert "<title>2026-03-05: sodium bicarbonate 12 g</title>" in ward_page
    assert "Oldest water test: alkalinity of lagoon, 87 days ago." in ward_page  # 6 Mar to 1 Jun
    assert "No test was noted yet of tub." in (folder / "index.html").read_text("utf-8")


def svg_of(drawing: Drawing | None) -> str:
    assert drawing is not None
    (view,) = Drawn().views("s", [drawing])
    return str(view.svg)


def told_in(svg: str, role: str) -> list[str]:
    """Return the texts of the groups of a class."""
    return re.findall(r">([^<]+)</text>", "".join(re.findall(rf'<g class="{role}">.*?</g>', svg)))


# Care in lanes.


def test_each_kind_of_care_has_its_lane_and_a_day_one_mark() -> None:
    events = [
        CareEvent(specimen="a", at=at(1), what="feeding"),
        CareEvent(specimen="a", at=at(1) + timedelta(hours=3), what="feeding"),
        CareEvent(specimen="a", at=at(4), what="feeding"),
        CareEvent(specimen="a", at=at(5), what="water-change", detail={"share": "0.2"}),
        CareEvent(specimen="a", at=at(6), what="cut", detail={"note": "<b>"}),
        CareEvent(specimen="a", at=at(40), what="move"),
    ]
    svg = svg_of(care_chart(events, UTC, first=at(0).date(), last=at(20).date()))
    # The move is beyond the axis.
    assert told_in(svg, "num") == ["food", "water", "other"]
    marks = "".join(re.findall(r'<g class="(?:did|pen|ring)">.*?</g>', svg))
    assert marks.count("<title>") == 4
    assert "Fed 3 times, last on 6 Mar 2026; given new water once" in svg
    assert "<b>" not in svg


def test_a_treatment_is_a_bar_from_its_begin_to_its_end() -> None:
    """Day 5 to 15 of an axis of 20 days: from a quarter to three quarters of 284 px from 54."""
    events = [
        CareEvent(specimen="a", at=at(d), what="treatment", detail={"name": "x", "status": s})
        for d, s in ((5, "open"), (15, "done"))
    ]
    first, last = at(0).date(), at(20).date()
    bar = r'<g class="span"><line transform="translate\(([\d.]+),\d+\)" x2="([\d.]+)"'
    svg = svg_of(care_chart(events, UTC, first=first, last=last))
    assert re.findall(bar, svg) == [("125", "142")]
    open_still = svg_of(care_chart(events[:1], UTC, first=first, last=last))
    assert re.findall(bar, open_still) == [("125", "213")]
    assert "Treated once" in svg  # its end is no second one


def test_no_care_no_lanes() -> None:
    assert care_chart([], UTC, first=date(2026, 3, 1), last=date(2026, 3, 9)) is None
    assert lane_of(CareEvent(specimen="a", at=START, what="quarantine")) == "apart"


# The live edge.


def test_the_edge_is_told_by_the_week_with_why_it_is_not(desk: Desk) -> None:
    """1.2 ± 0.24 mm in six days are 1.4 ± 0.28 mm a week."""
    photo(desk.photos / "amber" / "0.jpg", at(0).isoformat())
    desk.score()
    with desk.ward() as ward:
        course = ward.courses()["amber"]
        specimen = ward.specimen("amber")
    assert specimen is not None
    steps = [
        EdgeStep("top", at(0), at(6), EdgeAdvance(advance_mm=1.2, sd_mm=0.24, confirmed=True)),
        EdgeStep("top", at(6), at(12), EdgeAdvance(advance_mm=-0.6, sd_mm=0.24)),
        EdgeStep("top", at(12), at(18), EdgeAdvance(missing="the skeleton is hidden")),
    ]
    groups = {group.title: group for group in facts_of(specimen, course, edges=steps)}
    assert groups["Live edge, on the skeleton"].facts == (
        ("2 Mar 2026 to 8 Mar 2026, top", "drew back 1.4 ± 0.3 mm a week"),
        ("8 Mar 2026 to 14 Mar 2026, top", "advanced 0.7 ± 0.3 mm a week, not yet confirmed"),
        ("14 Mar 2026 to 20 Mar 2026, top", "n/a: the skeleton is hidden"),
    )
    assert "Live edge, on the skeleton" not in {g.title for g in facts_of(specimen, course)}


# Batches.


def group(name: str, *lives: tuple[int, str]) -> Group:
    told = tuple(Life(f"{name}{n}", days, ending) for n, (days, ending) in enumerate(lives))  # type: ignore[arg-type]
    died = sum(life.died for life in told)
    return Group(
        name=name,
        lives=told,
        curve=survival(told),
        died=share(died, len(told)),
        dead_on_arrival=share(0, len(told)),
        sold=0,
        left=0,
        held=len(told) - died,
        days_to_sale=(),
        care=care_given([]),
    )


def test_the_curve_steps_down_and_the_numbers_watched_stand_below() -> None:
    """Four came; one died on day 10, one was sold on day 20, two are watched up to day 40.

    Alive after day 10: 3 of 4. Watched on day 0, 10, 20, 30, 40: 4, 4, 3, 2, 2.
    """
    only = group("B1", (10, "died"), (20, "sold"), (40, "held"), (40, "held"))
    svg = svg_of(survival_chart("s", "Survival", [only]))
    assert day_ticks(40) == [0, 10, 20, 30, 40]
    (curve,) = re.findall(r'<path d="M46,12L([^"]+)"', svg)
    corners = [tuple(map(float, corner.split(","))) for corner in curve.split("L")]
    tenth = 46 + 292 / 4  # day 10 of 40; 3 of 4 are a quarter of 130 px lower
    assert corners == [(tenth, 12), (tenth, 44.5), (338, 44.5), (338, 44.5)]
    assert told_in(svg, "day")[1:] == ["0", "10", "20", "30", "40", "4", "4", "3", "2", "2"]
    assert "B1: 4 came, 1 death, 75 % alive at the end of 40 days" in svg


def test_no_more_curves_than_can_be_told_apart() -> None:
    groups = [group(f"g{n}", *[(5, "held")] * (n + 1)) for n in range(6)]
    svg = svg_of(survival_chart("s", "Survival", groups))
    names = re.findall(r'<g class="name">(.*?)</g>', svg)
    assert re.findall(r"</title>(\w+)</text>", "".join(names)) == ["g2", "g3", "g4", "g5"]


@pytest.mark.parametrize(
    ("last", "ticks"),
    [
        (1, [0, 1]),
        (6, [0, 1, 2, 3, 4, 5, 6]),
        (35, [0, 10, 20, 30]),
        (400, [0, 100, 200, 300, 400]),
    ],
)
def test_days_under_the_axis_are_round(last: int, ticks: list[int]) -> None:
    assert day_ticks(last) == ticks


def test_money_has_a_true_minus_and_no_claim_is_said() -> None:
    assert amount(-18.0, "€") == "\N{MINUS SIGN}18.00 €"
    page = ward_page_view(Beside(), zone=UTC)
    assert page.money == "Claims: none made."
