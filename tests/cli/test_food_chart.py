"""The response to food as it is drawn, and the marks of care on the other charts."""

import re
from datetime import UTC, date, datetime, timedelta

from markupsafe import Markup
from tests.cli.conftest import Desk
from tests.cli.fakes import photo

from polypward.records import CareEvent
from polypward_cli.report import build_report
from polypward_cli.report.drawn import Drawn
from polypward_cli.report.food_chart import food_chart

START = datetime(2024, 3, 1, 18, tzinfo=UTC)


def fed(day: int, **detail: str) -> CareEvent:
    at = START + timedelta(days=day)
    return CareEvent(specimen="a", at=at, what="feeding", detail=detail)


def food_svg(care: list[CareEvent], **days: date) -> Markup:
    drawing = food_chart(care, UTC, **days)
    assert drawing is not None
    (view,) = Drawn().views("s", [drawing])
    return view.svg


def test_each_response_stands_in_its_lane_in_the_order_of_time() -> None:
    """Lanes are 20 px apart from 14; day 0, 5 and 10 are the ends and the middle of the axis."""
    care = [
        fed(10, response="spat"),
        fed(0, response="took"),
        fed(5, response="refused", food="<krill>"),
    ]
    svg = food_svg(care)
    (took,) = re.findall(r'<g class="dot">(.*?)</g>', svg)
    (rings,) = re.findall(r'<g class="ring">(.*?)</g>', svg)
    place = r"translate\(([\d.]+),([\d.]+)\)"
    (left, top), (middle, refused), (cross, low) = re.findall(place, took + rings)
    assert (float(top), float(refused), float(low)) == (14, 54, 74)
    assert float(middle) - float(left) == float(cross) - float(middle)
    assert "2024-03-06: refused, &lt;krill&gt;" in svg
    assert "3 feedings: took 1, refused 1, spat 1. The last 2 in a row were refused." in svg


def test_a_feeding_taken_in_part_is_half_a_dot() -> None:
    svg = food_svg([fed(0, response="part")])
    assert (svg.count('<g class="ring"><path'), svg.count('<g class="half"><path')) == (1, 1)


def test_without_anybody_watching_there_is_nothing_to_draw() -> None:
    assert food_chart([fed(0), fed(1, amount="heavy")], UTC) is None
    svg = food_svg([fed(0), fed(1, eaten="yes")])
    assert "2 feedings: took 1, not watched 1." in svg
    assert "<title>2024-03-01: nobody watched</title>" in svg


def test_the_axis_holds_the_days_of_the_other_charts() -> None:
    svg = food_svg([fed(5, response="took")], first=date(2024, 3, 1), last=date(2024, 3, 31))
    assert re.findall(r">(\d+ Mar)</text>", svg)[::3] == ["1 Mar", "31 Mar"]


def test_history_shows_food_and_the_marks_of_care(desk: Desk) -> None:
    for week in range(3):
        day = f"2024-03-{4 + 7 * week:02d}T10:00:00+01:00"
        photo(desk.photos / "amber" / f"IMG_{week}.jpg", day)
    desk.score()
    with desk.ward() as ward, ward.working("test"):
        for day, what, detail in (
            (5, "feeding", {"response": "took"}),
            (6, "feeding", {"response": "refused", "amount": "heavy"}),
            (7, "water-change", {"share": "0.15"}),
            (8, "dip", {"name": "A"}),
            (9, "move", {"to": "rack 2"}),
        ):
            at = datetime(2024, 3, day, 12, tzinfo=UTC)
            ward.add_care(CareEvent(specimen="amber", at=at, what=what, detail=detail))
        folder = build_report(ward).parent
    [page] = [path for path in (folder / "specimens").glob("amber*.html")]
    html = page.read_text("utf-8")
    marks = re.findall(
        r"<title>([^<]+)</title>", "".join(re.findall(r'<g class="caremark">.*?</g>', html))
    )
    assert list(dict.fromkeys(marks)) == [
        "2024-03-06: heavy feeding",
        "2024-03-07: water change 15 %",
        "2024-03-08: dip, A",
        "2024-03-09: move to rack 2",
    ]
    assert html.count('class="chart food"') == 1
    assert "Response to food" in html
