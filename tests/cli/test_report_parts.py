"""The parts of the report: charts, words, the style sheet."""

import re
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polypward_cli.report import words
from polypward_cli.report.charts import Chart, Mark, Point, drawing_of
from polypward_cli.report.course_charts import STEPS, _range
from polypward_cli.report.drawn import Drawn

DAY = date(2026, 3, 2)


def chart(*points: Point, **more: object) -> str:
    made = Chart(key="k", title="T", summary="S", unit=" %", points=points, **more)  # type: ignore[arg-type]
    return drawn(made, DAY, DAY + timedelta(days=10))


def drawn(made: Chart, first: date, last: date) -> str:
    (view,) = Drawn().views("s", [drawing_of(made, first=first, last=last)])
    return str(view.svg)


def marks(svg: str, role: str) -> list[str]:
    """Return what each group of marks of a class holds."""
    return re.findall(rf'<g class="{role}">(.*?)</g>', svg)


def places(svg: str, role: str) -> list[tuple[float, float]]:
    found = re.findall(r"translate\(([\d.-]+),([\d.-]+)\)", "".join(marks(svg, role)))
    return [(float(x), float(y)) for x, y in found]


def test_dots_stand_where_axis_and_days_say() -> None:
    """Dots run over 284 px from 54 and 130 px up from 150: half the days, 3/4 of the values."""
    svg = chart(
        Point(day=DAY, value=0.0),
        Point(day=DAY + timedelta(days=5), value=75.0),
        Point(day=DAY + timedelta(days=10), value=100.0),
    )
    assert places(svg, "dot") == [(54, 150), (196, 52.5), (338, 20)]
    assert marks(svg, "line") == ['<path d="M54,150L196,52.5L338,20"/>']
    assert "<title>2026-03-07: 75 %</title>" in svg


def test_a_visit_without_a_value_breaks_the_line() -> None:
    days = [DAY + timedelta(days=2 * n) for n in range(4)]
    values = (10.0, None, 10.0, 10.0)
    svg = chart(*[Point(day=d, value=v) for d, v in zip(days, values, strict=True)])
    (line,) = marks(svg, "line")
    assert line.count("M") == 2
    assert len(places(svg, "dot")) == 3


def test_the_expected_range_is_open_where_a_limit_is_missing() -> None:
    """Without an upper limit the range reaches the top of the plot (20)."""
    svg = chart(
        Point(day=DAY, value=90.0, low=50.0),
        Point(day=DAY + timedelta(days=10), value=90.0, low=50.0),
    )
    assert marks(svg, "band") == ['<path d="M54,85L338,85L338,20L54,20Z"/>']


def test_what_a_mark_stands_for_is_told_by_its_form() -> None:
    """Beyond the limit a square, a bound hollow, a flag a pennant on top, care at the axis."""
    days = [DAY + timedelta(days=n) for n in (0, 5, 10)]
    svg = chart(
        Point(day=days[0], value=50.0, sd=10.0),
        Point(day=days[1], value=20.0, low=30.0, out=True),
        Point(day=days[2], value=10.0, hollow=True),
        marks=(
            Mark(day=days[1], text="recession", flag=True),
            Mark(day=days[0], text="dip", flag=False),
        ),
    )
    (out,), (hollow,) = marks(svg, "dot out"), marks(svg, "dot hollow")
    assert "h7.4v7.4h-7.4Z" in out
    assert "<title>2026-03-07: 20 %, beyond the limit</title>" in out
    assert "<title>2026-03-12: under 10 %</title>" in hollow
    assert (places(svg, "cloth"), places(svg, "caremark")) == ([(196, 4)], [(54, 150)])
    (sd,) = re.findall(r'<line transform="translate\(54,([\d.]+)\)" x2="0" y2="([\d.-]+)"', svg)
    assert sorted((float(sd[0]), float(sd[0]) + float(sd[1]))) == [72, 98]  # 60 and 40 of 130 px


def test_text_in_a_chart_is_escaped_and_names_no_address() -> None:
    svg = chart(Point(day=DAY, value=1.0), marks=(Mark(day=DAY, text="<b>&", flag=True),))
    assert "&lt;b&gt;&amp;" in svg
    assert "<b>" not in svg
    assert "http" not in svg


def test_one_visit_alone_stands_in_the_middle() -> None:
    made = Chart(key="k", title="T", summary="S", unit="", points=(Point(day=DAY, value=50.0),))
    assert places(drawn(made, DAY, DAY), "dot") == [(196, 85)]


@given(st.lists(st.one_of(st.none(), st.floats(0, 1)), max_size=8), st.sampled_from([1.0, 100.0]))
def test_an_axis_holds_every_value_and_has_a_round_middle(
    shares: list[float | None], full: float
) -> None:
    values = [None if share is None else share * full for share in shares]
    bottom, top = _range(values, full=full)
    assert 0 <= bottom < top <= full
    assert all(bottom - 1e-6 <= v <= top + 1e-6 for v in values if v is not None)
    middle_steps = (bottom + top) / 2 / (full / STEPS)
    assert middle_steps == pytest.approx(round(middle_steps), abs=1e-6)


@given(st.lists(st.floats(-80, 80), min_size=1, max_size=8))
def test_an_axis_without_ends_holds_every_value(values: list[float]) -> None:
    bottom, top = _range(values, full=None)
    assert all(bottom - 1e-6 <= v <= top + 1e-6 for v in values)
    assert top > bottom


@given(st.lists(st.text(), unique=True, max_size=20))
def test_page_names_are_safe_and_never_meet(specimens: list[str]) -> None:
    """Also on disks that do not tell upper from lower case."""
    names = words.page_names(specimens)
    assert list(names) == specimens
    assert len({name.casefold() for name in names.values()}) == len(specimens)
    assert all(re.fullmatch(r"[a-z0-9][a-z0-9-]{0,79}\.html", name) for name in names.values())


def test_page_names_keep_clear_of_device_names_and_case() -> None:
    names = words.page_names(["torch-3", "Torch-3", "con", "../../etc", "日本"])
    assert names["torch-3"] == "torch-3.html"
    assert names["Torch-3"].startswith("torch-3-")
    assert names["con"] != "con.html"
    assert names["../../etc"].startswith("etc-")
    assert names["日本"].startswith("specimen-")


@pytest.mark.parametrize(
    ("value", "decimals", "said"),
    [(3.6, 0, "+4 %"), (-3.6, 1, "\N{MINUS SIGN}3.6 %"), (-0.04, 1, "0.0 %"), (None, 0, "n/a")],
)
def test_changes_carry_their_sign(value: float | None, decimals: int, said: str) -> None:
    assert words.signed(value, decimals, unit=" %") == said


def test_figures_carry_their_sd() -> None:
    assert words.figure(91.26, 1, sd=0.84, unit=" %") == "91.3 ± 0.8 %"
    assert words.figure(float("nan")) == "n/a"


# Contrast by WCAG 2.1, success criterion 1.4.3 (AA): 4.5 for text, 3 for signs (1.4.11).
PAIRS = (
    *(("paper", text, 4.5) for text in ("ink", "soft", "sea", "clay", "plum")),
    *(("sheet", text, 4.5) for text in ("ink", "soft", "sea", "clay", "plum")),
    ("clay-wash", "clay", 4.5),
    *(("band", sign, 3.0) for sign in ("sea", "plum", "clay")),
    *(("paper", sign, 3.0) for sign in ("focus",)),
)


@pytest.mark.parametrize("scheme", [0, 1, 2])
def test_colours_stand_out_from_their_ground(root: Path, scheme: int) -> None:
    """Light, dark and print; a colour that a later scheme leaves alone is the light one's."""
    style = (root / "cli/polypward_cli/report/templates/style.css").read_text("utf-8")
    blocks = re.findall(r":root \{(.*?)\}", style, re.S)
    assert len(blocks) == 3
    colours = dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]+)", blocks[0]))
    colours |= dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]+)", blocks[scheme]))
    for ground, sign, least in PAIRS:
        light, dark = sorted((luminance(colours[ground]), luminance(colours[sign])), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= least, (ground, sign)


def luminance(colour: str) -> float:
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    shares = [int(digits[n : n + 2], 16) / 255 for n in (0, 2, 4)]
    linear = [s / 12.92 if s <= 0.03928 else ((s + 0.055) / 1.055) ** 2.4 for s in shares]
    return sum(w * v for w, v in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def test_the_style_sheet_needs_no_network(root: Path) -> None:
    style = (root / "cli/polypward_cli/report/templates/style.css").read_text("utf-8")
    assert "url(" not in style
    assert "@import" not in style
    assert "@font-face" not in style
