"""The phone page in a real browser, served by the real command, at the width of a phone."""

import os
import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import segno

from polypward_cli.register import take_register
from polypward_cli.scoring import Options, score_folder
from polypward_cli.ward import Ward
from polypward_cli.ward.kept_courses import refresh

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
# .ci/run sets this: there a missing browser is a fault.
WANTED = bool(os.environ.get("POLYPWARD_NEEDS_BROWSER"))
pytestmark = pytest.mark.skipif(
    CHROMIUM is None and not WANTED,
    reason="no Chromium on this machine: the phone page was not tried in a browser",
)
PHONE = {"width": 390, "height": 844}


@dataclass(frozen=True)
class Served:
    """The page as `polypward phone` serves it: its address, its ward, its pairing code."""

    url: str
    ward: Path
    code: str


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A ward of eight registered specimens, two of them photographed once, and its page."""
    root = Path(__file__).resolve().parents[2]
    samples, base = root / "sample_images", tmp_path_factory.mktemp("phone")
    photos = base / "photos"
    for name in ("LAN-02/2025-09-08.jpg", "LAN-04/2025-09-08.jpg"):
        (photos / name).parent.mkdir(parents=True)
        shutil.copy(samples / name, photos / name)
    path = base / "ward"
    with Ward.open(path, create=True, time_zone="Europe/Berlin") as ward, ward.working("test"):
        take_register(ward, samples / "register.csv")
        score_folder(ward, photos, options=Options(workers=1))
        refresh(ward)
    port = _free_port()
    command = [sys.executable, "-c", "from polypward_cli.main import app; app()"]
    command += ["phone", "--ward", str(path), "--port", str(port)]
    paths = os.pathsep.join(str(root / part) for part in ("shared", "vision", "cli"))
    server = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "PYTHONPATH": paths, "PYTHONUNBUFFERED": "1"},
    )
    assert server.stdout is not None
    code = ""
    for line in server.stdout:
        if found := re.search(r"Pairing code: (\S+)", line):
            code = found[1]
            break
    for _ in range(200):
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                break
        time.sleep(0.05)
    yield Served(f"http://127.0.0.1:{port}", path, code)
    server.terminate()
    server.communicate(timeout=20)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    assert CHROMIUM, "POLYPWARD_NEEDS_BROWSER is set, but there is no chromium"
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture
def page(browser: Any, served: Served) -> Iterator[Any]:
    """A paired phone; the test fails if any request leaves the machine or a script fails."""
    context = browser.new_context(viewport=PHONE, has_touch=True, is_mobile=True)
    asked, faults = [], []
    context.on("request", lambda request: asked.append(request.url))
    shown = context.new_page()
    shown.on("pageerror", lambda error: faults.append(str(error)))
    shown.on(
        "console",
        lambda message: (
            faults.append(message.text)
            if message.type == "error" and "Content Security Policy" in message.text
            else None
        ),
    )
    shown.goto(f"{served.url}/pair?code={served.code}")
    shown.get_by_label("Your name").fill("Kim")
    shown.get_by_role("button", name="Pair").click()
    yield shown
    context.close()
    elsewhere = [url for url in asked if not url.startswith((served.url, "blob:", "data:"))]
    assert not elsewhere
    assert not faults


def _sample(name: str) -> Path:
    return Path(__file__).resolve().parents[2] / "sample_images" / name


def _tag(folder: Path, specimen: str) -> Path:
    """A photo of a tag: its square code on a grey table, a little noise."""
    import numpy as np
    from PIL import Image

    code = folder / f"{specimen}.png"
    segno.make_qr(f"PWTAG {specimen}", error="m").save(code, scale=12, border=4)
    with Image.open(code) as drawn:
        square = np.asarray(drawn.convert("RGB"))
    table = np.random.default_rng(7).integers(90, 110, (900, 1200, 3), dtype=np.uint8)
    rows, cols = square.shape[:2]
    table[200 : 200 + rows, 300 : 300 + cols] = square
    photo = folder / f"tag-{specimen}.jpg"
    Image.fromarray(table).save(photo, quality=90)
    return photo


def test_an_accepted_photo_shows_its_reading_beside_the_last_one(page: Any, served: Served) -> None:
    """The second photo of LAN-02 is sent: accepted, its cover beside that of 8 September."""
    page.goto(f"{served.url}/photo?specimen=LAN-02")
    page.locator("#take").set_input_files(_sample("LAN-02/2025-09-15.jpg"))
    page.get_by_role("button", name="Send the photo").click()
    page.get_by_role("heading", name="Accepted", exact=True).wait_for()
    row = page.get_by_role("row", name="Live cover").first
    assert re.fullmatch(r"Live cover, %\s+\d+\s+\d+", row.inner_text().strip())
    assert "8 Sep 2025" in page.locator("main").inner_text()
    assert (
        page.get_by_alt_text("This photo, cut out").evaluate(
            "image => image.decode().then(() => image.naturalWidth)"
        )
        > 50
    )


def test_a_rejected_photo_says_what_to_do_differently_and_can_be_undone(
    page: Any, served: Served, tmp_path: Path
) -> None:
    """A photo without a card is not accepted; undone, it is taken out."""
    from PIL import Image

    path = tmp_path / "plain.jpg"
    Image.effect_noise((640, 480), 60).convert("RGB").save(path)
    page.goto(f"{served.url}/photo?specimen=LAN-03")
    page.locator("#choose").set_input_files(path)
    page.get_by_role("button", name="Send the photo").click()
    page.get_by_role("heading", name="Not accepted").wait_for()
    text = page.locator("main").inner_text()
    assert "No colour card was found." in text
    assert "Lay the whole card beside the specimen" in text
    assert "the time it was sent is taken" in text
    page.get_by_role("button", name=re.compile("Undo")).click()
    page.get_by_role("heading", name="Taken out").wait_for()


def test_a_lot_is_sorted_by_its_tags_and_confirmed(
    page: Any, served: Served, tmp_path: Path
) -> None:
    """Tag of LAN-04, its photo, tag of LAN-02, its photo: each photo goes to the tag before it."""
    lot = [
        _tag(tmp_path, "LAN-04"),
        _sample("LAN-04/2025-09-15.jpg"),
        _tag(tmp_path, "LAN-02"),
        _sample("LAN-02/2025-09-29.jpg"),
    ]
    page.goto(f"{served.url}/lot")
    page.locator("#choose").set_input_files(lot)
    page.get_by_role("button", name="Send the photos").click()
    page.get_by_role("heading", name="Whose photos are these?").wait_for(timeout=30_000)
    chosen = page.locator("select").evaluate_all("all => all.map(one => one.value)")
    assert chosen == ["-tag-", "LAN-04", "-tag-", "LAN-02"]
    page.get_by_role("button", name="Confirm").click()
    page.get_by_role("heading", name="This lot is confirmed").wait_for()
    with Ward.open(served.ward) as ward:
        known = {one.specimen: one for one in ward.readings() if one.photo.startswith("20")}
        days = {
            name: [f"{one.taken_at:%d}" for one in ward.readings(name) if one.taken_at]
            for name in ("LAN-02", "LAN-04")
        }
    assert known
    assert "15" in days["LAN-04"]
    assert "29" in days["LAN-02"]


def test_photos_wait_on_the_phone_while_there_is_no_network(page: Any, served: Served) -> None:
    """Sent without a network, kept through a reload, it arrives when the network is back."""
    page.goto(f"{served.url}/photo?specimen=LAN-05")
    page.locator("#take").set_input_files(_sample("LAN-05/2025-09-08.jpg"))
    page.context.set_offline(True)
    page.get_by_role("button", name="Send the photo").click()
    page.get_by_text("1 photo waits safe on this phone").wait_for()
    page.context.set_offline(False)
    page.goto(f"{served.url}/care")
    page.get_by_role("heading", name="Accepted", exact=True).wait_for(timeout=30_000)
    with Ward.open(served.ward) as ward:
        assert [one.status for one in ward.readings("LAN-05")] == ["accepted"]


def test_the_round_leads_to_the_photo_and_the_look(page: Any, served: Served) -> None:
    page.goto(served.url)
    page.get_by_role("heading", name="shelf low").wait_for()
    page.get_by_role("link", name="Daily look").first.click()
    page.get_by_role("button", name="All as yesterday").first.click()
    page.get_by_text("as yesterday.").wait_for()
    page.get_by_role("button", name="Undo").click()
    page.get_by_text("Taken back: Look").wait_for()


def test_the_caution_for_the_phone_is_shown_once(page: Any, served: Served) -> None:
    page.goto(served.url)
    page.get_by_text("Never charge a phone at the tables").wait_for()
    page.get_by_role("button", name="I have read it").click()
    page.get_by_role("heading", name="Today").wait_for()
    assert page.get_by_text("Never charge").count() == 0


def test_everything_is_reached_with_the_keyboard(page: Any, served: Served) -> None:
    """Tab leads from the skip link through the form; space and enter choose and send."""
    page.goto(f"{served.url}/look")
    seen = []
    for _ in range(60):
        page.keyboard.press("Tab")
        where = page.evaluate("document.activeElement.textContent.trim()")
        seen.append(where)
        if where == "All as yesterday":
            break
    assert seen[0] == "Skip to the page"
    page.keyboard.press("Enter")
    page.get_by_text("as yesterday.").wait_for()
    page.goto(f"{served.url}/photo")
    page.locator("#specimen").focus()
    page.keyboard.press("Tab")
    page.keyboard.press("ArrowRight")
    assert page.locator("input[name=view][value=side]").is_checked()


PAGES = (
    *("/", "/photo", "/lot", "/look", "/look?place=shelf+low", "/care", "/feed", "/treat"),
    *("/water", "/dose", "/inspect", "/settings", "/taps", "/more", "/specimen?name=LAN-02"),
    *("/pair", "/nowhere"),
)
# Visible text under 18 px; things to hit under 48 px either way.
SMALL_TEXT = """() => [...document.querySelectorAll('main *, nav *')].filter(one =>
    [...one.childNodes].some(n => n.nodeType === 3 && n.textContent.trim())
    && parseFloat(getComputedStyle(one).fontSize) < 18).map(one => one.outerHTML)"""
THIN = """() => [...document.querySelectorAll('main a, main button, main select, summary,'
    + 'main input:not([type=hidden]):not([type=radio]):not([type=checkbox]), nav a,'
    + '.choice label, .tick')]
    .filter(one => { const box = one.getBoundingClientRect();
        return box.width && (box.width < 48 || box.height < 47.9); })
    .map(one => one.outerHTML)"""


def test_pages_are_accessible_and_fit_a_thumb(page: Any, served: Served) -> None:
    """No serious finding of axe; no text under 18 px; nothing to hit under 48 px; nothing cut."""
    from axe_playwright_python.sync_playwright import Axe

    axe = Axe()
    for path in PAGES:
        page.goto(served.url + path)
        for details in page.locator("details").all():
            details.evaluate("one => one.open = true")
        found = axe.run(page).response["violations"]
        serious = [one for one in found if one["impact"] in ("serious", "critical")]
        assert not [(one["id"], one["nodes"][0]["html"]) for one in serious], path
        assert not page.evaluate(SMALL_TEXT), path
        assert not page.evaluate(THIN), path
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"], path
