"""The report in a real browser, opened from disk as a person opens it."""

import os
import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from tests.cli.conftest import Desk
from tests.cli.fakes import photo

from polypward.records import CareEvent, Specimen
from polypward.water import Volume
from polypward_cli.report import build_report, gather
from polypward_cli.water.dosing import add_dose
from polypward_cli.water.systems import accept_targets, set_volume
from polypward_cli.water.testing import add_tests

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
# .ci/run sets this: there a missing browser is a fault.
WANTED = bool(os.environ.get("POLYPWARD_NEEDS_BROWSER"))
pytestmark = pytest.mark.skipif(
    CHROMIUM is None and not WANTED,
    reason="no Chromium on this machine: the report was not tried in a browser",
)
FIRST = datetime(2026, 4, 13, 10, tzinfo=UTC)
COVERS = [0.95, 0.95, 0.94, 0.95, 0.94, 0.72, 0.60]
WIDTHS = (390, 820, 1440)


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ward of two photographed specimens and a dead one, with water, care and money."""
    desk = Desk(tmp_path_factory.mktemp("report"))
    for name, covers in (("amber", COVERS), ("birch", [0.96] * 7)):
        for week, cover in enumerate(covers):
            day = FIRST + timedelta(weeks=week)
            photo(desk.photos / name / f"{week}.jpg", day.isoformat(), cover=cover)
    desk.score()
    with desk.ward() as ward, ward.working("test"):
        kept = {"batch": "B7", "supplier": "Ondriva", "water_system": "lagoon", "kind": "button"}
        for name, more in (
            ("amber", {"expected_price": 90.0}),
            ("birch", {"expected_price": 120.0, "place": "shelf low"}),
            ("cedar", {"state": "lost", "left_on": FIRST.date() + timedelta(days=3)}),
        ):
            ward.save_specimen(
                Specimen(specimen=name, arrived_on=FIRST.date(), cost=30.0, **kept, **more)  # type: ignore[arg-type]
            )
        accept_targets(ward, "lagoon", by="Kim")
        set_volume(ward, "lagoon", Volume(litres=400, how="measured"), by="Kim")
        for week in range(5):
            entries = [f"dkh={8.8 - 0.3 * week:.1f}", "ca=430", "no3=nd"]
            add_tests(ward, "lagoon", entries, at=FIRST + timedelta(weeks=week), by="Kim")
        day = FIRST + timedelta(weeks=4, hours=1)
        add_dose(ward, "lagoon", "sodium bicarbonate", "20 g", at=day, by="Kim")
        for days, what, detail in (
            (2, "feeding", {"response": "took", "food": "krill"}),
            (9, "feeding", {"response": "refused"}),
            (16, "move", {"to": "shelf high"}),
            (20, "treatment", {"name": "bath A", "status": "open"}),
            (26, "treatment", {"name": "bath A", "status": "done"}),
            (30, "water-change", {"share": "0.2"}),
        ):
            at = FIRST + timedelta(days=days)
            ward.add_care(CareEvent(specimen="amber", at=at, what=what, detail=detail))
    with desk.ward() as ward:
        return build_report(ward, beside=gather(ward)).parent


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    assert CHROMIUM, "POLYPWARD_NEEDS_BROWSER is set, but there is no chromium"
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture
def opened(browser: Any) -> Iterator[Any]:
    """A window; fails if anything but a file of this disk is asked for, or if a script fails."""
    asked, faults = [], []
    contexts = []

    def open_window(width: int = 1440, **more: Any) -> Any:
        context = browser.new_context(viewport={"width": width, "height": 900}, **more)
        contexts.append(context)
        context.on("request", lambda request: asked.append(request.url))
        shown = context.new_page()
        shown.on("pageerror", lambda error: faults.append(str(error)))
        return shown

    yield open_window
    for context in contexts:
        context.close()
    assert asked
    assert not [url for url in asked if not url.startswith(("file://", "data:"))]
    assert not faults


def pages(report: Path) -> list[Path]:
    found = sorted(report.rglob("*.html"))
    assert len(found) == 5 + 3
    return found


def specimen(report: Path, name: str) -> str:
    (found,) = (report / "specimens").glob(f"{name}*.html")
    return found.as_uri()


def line_at(page: Any) -> float:
    """Return where the line between the two visits is drawn, as a share of the stage's width."""
    return float(
        page.evaluate(
            "() => { const stage = document.querySelector('.stage').getBoundingClientRect(),"
            " seam = document.querySelector('.seam').getBoundingClientRect();"
            " return (seam.left + seam.width / 2 - stage.left) / stage.width; }"
        )
    )


def test_by_keyboard_from_the_first_page_to_the_line_between_two_visits(
    opened: Any, report: Path
) -> None:
    """Skip to the page, to the first specimen, its outlines off and on, the line moved."""
    page = opened()
    page.goto((report / "index.html").as_uri())
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the page"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "amber":
            break
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile("specimens/amber"))
    outline = page.locator(".strip .outline .live").first
    page.locator("#cuts").wait_for()
    assert outline.is_visible()
    reach(page, "o-live")
    page.keyboard.press("Space")
    assert not outline.is_visible()
    assert not page.locator(".stage .outline .live").first.is_visible()
    page.keyboard.press("Space")
    assert outline.is_visible()
    reach(page, "range")
    before = line_at(page)
    assert before == pytest.approx(0.5, abs=0.01)
    for _ in range(10):
        page.keyboard.press("ArrowRight")
    assert line_at(page) == pytest.approx(0.6, abs=0.01)
    told = page.evaluate("document.activeElement.getAttribute('aria-valuetext')")
    assert told == "60 % of the width is 13 Apr 2026, the rest 25 May 2026"


def reach(page: Any, field: str) -> None:
    """Tab to the field with this id or of this type."""
    for _ in range(30):
        page.keyboard.press("Tab")
        if field in page.evaluate("[document.activeElement.id, document.activeElement.type]"):
            return
    raise AssertionError(f"the keyboard does not reach {field}")


def test_the_line_follows_the_finger_and_any_two_visits_can_be_laid(
    opened: Any, report: Path
) -> None:
    page = opened(390, has_touch=True)
    page.goto(specimen(report, "amber"))
    stage = page.locator(".stage")
    stage.scroll_into_view_if_needed()
    box = stage.bounding_box()
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 40)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.2 * box["width"], box["y"] + 60)
    page.mouse.up()
    assert line_at(page) == pytest.approx(0.2, abs=0.01)
    page.mouse.move(box["x"] + 0.9 * box["width"], box["y"] + 60)
    assert line_at(page) == pytest.approx(0.2, abs=0.01)  # let go
    left, right = page.locator(".sides select").all()
    assert left.locator("option").all_text_contents()[:2] == ["13 Apr 2026", "20 Apr 2026"]
    right.select_option(label="18 May 2026")
    assert "18 May 2026" in stage.locator(".right").inner_text()
    assert "72 %" in stage.locator(".right").inner_text()
    assert "95 %" in stage.locator(".left").inner_text()
    shown = page.evaluate(
        "() => [...document.querySelectorAll('.stage img')]"
        ".every((one) => one.complete && one.naturalWidth > 0)"
    )
    assert shown


def test_specimens_can_be_searched(opened: Any, report: Path) -> None:
    page = opened()
    page.goto((report / "all.html").as_uri())
    rows = page.locator(".found-in tr")
    assert rows.count() == 2
    page.get_by_label("Show only").fill("shelf LOW")
    assert [row.is_visible() for row in rows.all()] == [False, True]
    assert page.locator(".found").inner_text() == "1 of 2"
    page.get_by_label("Show only").fill("")
    assert all(row.is_visible() for row in rows.all())


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious(opened: Any, report: Path, scheme: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    axe = Axe()
    page = opened(390, color_scheme=scheme)
    shown, options = pages(report), {}
    if scheme == "dark":  # nothing but the colours is another
        shown = [path for path in shown if path.stem[:5] in ("index", "ward", "amber")]
        options = {"runOnly": ["color-contrast"]}
    for path in shown:
        page.goto(path.as_uri())
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        found = axe.run(page, options=options).response["violations"]
        serious = [one for one in found if one["impact"] in ("serious", "critical")]
        assert not [(one["id"], one["nodes"][0]["html"]) for one in serious], path.name


@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_is_cut_at_any_width(opened: Any, report: Path, width: int) -> None:
    """No page is wider than its window; text outside tables is not wider than its box."""
    page = opened(width)
    for path in pages(report):
        page.goto(path.as_uri())
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path.name
        # On a phone the rows of these tables fold, so that none goes on beyond its edge.
        wide = "[...document.querySelectorAll('.scroll')].filter(one =>"
        wide += " one.querySelector('.stack') && one.scrollWidth > one.clientWidth).length"
        assert width > 640 or page.evaluate(wide) == 0, path.name
        cut = page.evaluate(
            "() => [...document.querySelectorAll('main :is(p, li, dd, dt, h1, h2, h3, label)')]"
            ".filter((one) => one.scrollWidth > one.clientWidth + 1 && one.clientWidth)"
            ".map((one) => one.outerHTML.slice(0, 90))"
        )
        assert not cut, path.name


def test_without_scripts_everything_is_there(opened: Any, report: Path) -> None:
    """The strip stands for the slider, the whole table for its search."""
    page = opened(820, java_script_enabled=False)
    page.goto(specimen(report, "amber"))
    assert not page.locator(".compare").first.is_visible()
    assert page.locator(".strip img").count() == len(COVERS)
    assert page.locator(".strip img").first.is_visible()
    assert page.locator("svg.chart").count() >= 4
    page.locator("summary", has_text="Details").click()
    assert page.get_by_role("heading", name="Condition and recovery").is_visible()
    page.goto((report / "all.html").as_uri())
    assert not page.locator("#find").is_visible()
    assert page.locator(".found-in tr").count() == 2


def test_printed_pages_show_the_details_and_no_controls(opened: Any, report: Path) -> None:
    page = opened()
    page.goto(specimen(report, "amber"))
    page.emulate_media(media="print")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.get_by_role("heading", name="Condition and recovery").is_visible()
    assert not page.locator(".compare").first.is_visible()
    assert not page.locator(".toggles").is_visible()
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert ground == "rgb(255, 255, 255)"
