"""How long a page takes to open in Chromium, where there is one."""

import shutil
import time
from pathlib import Path
from statistics import median
from typing import Final

__all__ = ["opened_s"]

_TIMES: Final = 5
# Both frames have passed once the page is laid out and painted.
_SHOWN: Final = (
    "() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))"
)


def opened_s(page: Path, *, width: int = 1440) -> float | None:
    """Return the seconds until a page of the disk is loaded and painted, the median of five.

    Each time it is a new profile without cache, in a browser that runs. None where there is no
    Chromium.
    """
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        return None
    from playwright.sync_api import sync_playwright

    found = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for _ in range(_TIMES):
            context = browser.new_context(viewport={"width": width, "height": 900})
            window = context.new_page()
            start = time.perf_counter()
            window.goto(page.resolve().as_uri())
            window.evaluate(_SHOWN)
            found.append(time.perf_counter() - start)
            context.close()
        browser.close()
    return median(found)
