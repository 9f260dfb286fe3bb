"""What the library draws, and how it is kept."""

import json
import re
import zlib
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from polypward.batch import Life, share, survival
from polypward.care import given as care_given
from polypward.records import CareEvent
from polypward_cli.report import drawn
from polypward_cli.report.care_chart import care_chart
from polypward_cli.report.charts import Chart, Mark, Point, drawing_of
from polypward_cli.report.drawing import Drawing, clean, draw
from polypward_cli.report.drawn import CHARTS, Drawn
from polypward_cli.report.food_chart import food_chart
from polypward_cli.report.survival_chart import survival_chart
from polypward_cli.worth import Group

FIRST, LAST = date(2026, 3, 2), date(2026, 3, 12)


def chart(value: float = 40.0, said: str = "dip") -> Drawing:
    made = Chart(
        key="k",
        title="T",
        summary="S",
        unit=" %",
        points=(Point(day=FIRST, value=10.0), Point(day=LAST, value=value, low=5.0)),
        marks=(Mark(day=FIRST, text=said, flag=False),),
        limits=("low",),
    )
    return drawing_of(made, first=FIRST, last=LAST)


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Of every call how many charts were drawn."""
    asked: list[int] = []

    def draw_counted(specifications: list[str]) -> list[str]:
        asked.append(len(specifications))
        return draw(specifications)

    monkeypatch.setattr(drawn, "draw", draw_counted)
    return asked


def test_charts_drawn_together_are_those_drawn_one_by_one() -> None:
    texts = [chart(value).specification() for value in (1.0, 50.0, 99.0)]
    together = draw(texts)
    assert together == [draw([text])[0] for text in texts]
    assert len(set(together)) == 3
    assert draw([]) == []


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.text(st.characters(), max_size=12))
def test_any_text_is_drawn_and_none_becomes_a_tag(said: str) -> None:
    """Also what no XML file can hold: control characters, halves of a pair."""
    (view,) = Drawn().views("s", [chart(said=said)])
    assert set(re.findall(r"<(\w+)", view.svg)) <= {
        "svg",
        "title",
        "desc",
        "g",
        "path",
        "line",
        "text",
    }
    assert view.svg.count("<title") == view.svg.count("</title>") == 4


def test_text_keeps_what_it_can() -> None:
    assert (
        clean("5 % \N{DEGREE SIGN}C, 日本 \U0001f41f\n")
        == "5 % \N{DEGREE SIGN}C, 日本 \U0001f41f\n"
    )
    assert clean("a\0b\x1b\ud800\ufffe") == "a\ufffdb\ufffd\ufffd\ufffd"


def test_a_chart_bears_no_colour_and_no_address() -> None:
    """The style sheet alone says colours, so that dark mode and print change them."""
    (svg,) = draw([chart().specification()])
    assert not re.search(r"#[0-9a-f]{3}|rgb|http|xmlns|fill=|stroke=|style=|font", svg)


def test_what_is_kept_is_not_drawn_again(tmp_path: Path, counted: list[int]) -> None:
    first = Drawn(tmp_path).views("s", [chart(1.0), chart(2.0)])
    assert Drawn(tmp_path).views("s", [chart(1.0), chart(2.0)]) == first
    assert counted == [2]
    Drawn(tmp_path).views("s", [chart(1.0), chart(3.0)])
    assert counted == [2, 1]
    Drawn(tmp_path).views("other", [chart(1.0)])
    assert counted == [2, 1, 1]
    assert len(list((tmp_path / CHARTS).iterdir())) == 2


def test_another_process_draws_the_same_in_the_same_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """40 names, more than are on their way at a time; every third is kept already."""
    jobs = [(f"n{n}", [chart(float(n)), chart(n + 0.5)]) for n in range(40)]
    wanted = [Drawn(tmp_path / "one by one").views(*job) for job in jobs]
    for job in jobs[::3]:
        Drawn(tmp_path).views(*job)
    assert list(Drawn(tmp_path).in_turn(jobs, many=True)) == wanted
    monkeypatch.setattr(drawn, "draw", None)  # all are kept now
    assert list(Drawn(tmp_path).in_turn(jobs, many=True)) == wanted


@pytest.mark.parametrize(
    "damage",
    [
        b"",
        b"no archive",
        zlib.compress(b"[]"),
        zlib.compress(b'{"a": 1}'),
        zlib.compress(b"\xff"),
    ],
)
def test_a_damaged_file_is_drawn_anew(tmp_path: Path, counted: list[int], damage: bytes) -> None:
    first = Drawn(tmp_path).views("s", [chart()])
    (file,) = (tmp_path / CHARTS).iterdir()
    file.write_bytes(damage)
    assert Drawn(tmp_path).views("s", [chart()]) == first
    assert counted == [1, 1]


@pytest.mark.parametrize(
    "hostile",
    [
        "<script>alert(1)</script>",
        '<g onclick="alert(1)"></g>',
        '<path d="M0,0" style="fill:url(//a.example)"/>',
        '<image href="//a.example"/>',
        '<g class="a" onload=x>',
        "<g><",
    ],
)
def test_a_kept_chart_that_is_more_than_a_chart_is_not_shown(
    tmp_path: Path, counted: list[int], hostile: str
) -> None:
    (first,) = Drawn(tmp_path).views("s", [chart()])
    (file,) = (tmp_path / CHARTS).iterdir()
    told = json.loads(zlib.decompress(file.read_bytes()))
    file.write_bytes(zlib.compress(json.dumps(dict.fromkeys(told, hostile)).encode()))
    (again,) = Drawn(tmp_path).views("s", [chart()])
    assert again == first
    assert counted == [1, 1]


def test_every_chart_takes_text_that_no_file_can_hold() -> None:
    """The library ends the program on it, so none may reach it."""
    bad = "a\0\x1b\ud800<b>"
    at = datetime(2026, 3, 5, 12, tzinfo=UTC)
    fed = CareEvent(specimen=bad, at=at, what="feeding", detail={"response": "took", "food": bad})
    cut = CareEvent(specimen=bad, at=at, what="cut", detail={"note": bad})
    lives = (Life(bad, 5, "died"), Life(bad, 9, "held"))
    group = Group(
        name=bad,
        lives=lives,
        curve=survival(lives),
        died=share(1, 2),
        dead_on_arrival=share(0, 2),
        sold=0,
        left=0,
        held=1,
        days_to_sale=(),
        care=care_given([]),
    )
    drawings = [
        chart(said=bad),
        care_chart([fed, cut], UTC, first=FIRST, last=LAST),
        food_chart([fed, cut], UTC),
        survival_chart("s", bad, [group]),
    ]
    views = Drawn().views(bad, [one for one in drawings if one is not None])
    assert len(views) == 4
    assert not any("<b>" in view.svg for view in views)
