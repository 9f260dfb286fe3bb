"""Charts drawn after scoring: the report finds them."""

from datetime import timedelta

import pytest
from tests.cli.conftest import NOW, Desk
from tests.cli.fakes import photo

from polypward.records import CareEvent
from polypward_cli.ahead import draw_ahead
from polypward_cli.report import build_report, drawn, gather
from polypward_cli.ward.kept_courses import kept_courses, refresh

NAMES = ("amber", "birch", "cedar")


def score(desk: Desk, name: str, *, fewest: int) -> None:
    """Photograph a specimen for three weeks, score as the command does, after some care."""
    for week in range(3):
        day = NOW - timedelta(weeks=3 - week)
        photo(desk.photos / name / f"{week}.jpg", day.isoformat(), cover=0.9 - 0.1 * week)
    desk.score()
    with desk.ward() as ward, ward.working("test"):
        at = NOW - timedelta(days=9)
        for what, detail in (("feeding", {"response": "took"}), ("move", {"to": "rack 2"})):
            ward.add_care(CareEvent(specimen=name, at=at, what=what, detail=detail))
        draw_ahead(ward, refresh(ward), fewest=fewest)


def drawn_by_the_report(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> int:
    """Return how many charts of specimens the report had to draw itself."""
    asked = []
    draw = drawn.draw
    monkeypatch.setattr(drawn, "draw", lambda texts: asked.extend(texts) or draw(texts))
    with desk.ward() as ward:
        build_report(ward, beside=gather(ward), kept=kept_courses(ward))
    monkeypatch.setattr(drawn, "draw", draw)
    return len(asked)


def test_the_report_draws_nothing_that_was_drawn_ahead(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two specimens wait, the third makes them enough: care, food and values of all are drawn."""
    for name in NAMES:
        score(desk, name, fewest=3)
    assert drawn_by_the_report(desk, monkeypatch) == 0
    for file in (desk.path / drawn.CHARTS).iterdir():
        file.unlink()
    (desk.path / "report" / "pages.json").unlink()
    assert drawn_by_the_report(desk, monkeypatch) == 5 * len(NAMES)


def test_too_few_wait_for_the_report(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    score(desk, "amber", fewest=3)
    assert not (desk.path / drawn.CHARTS).exists()
    assert drawn_by_the_report(desk, monkeypatch) == 5
    assert drawn_by_the_report(desk, monkeypatch) == 0
