"""Facts of the trade have no published source here, and every page that gives them says so."""

import re
from pathlib import Path

import pytest

MARK = "common practice, no source"
# Words that only the photographing routine uses: a page with several of them gives that advice.
ADVICE = (
    "lights-on",
    "before feeding",
    "pumps off",
    "blue channels off",
    "mid-height",
    "messengers",
)


def advising_pages(root: Path) -> list[Path]:
    pages = [root / "README.md", *sorted((root / "docs").glob("*.md"))]
    return [
        page
        for page in pages
        if sum(word in page.read_text(encoding="utf-8").lower() for word in ADVICE) >= 3
    ]


def test_the_guide_is_marked_before_its_first_advice(root: Path) -> None:
    text = (root / "docs" / "photographing.md").read_text(encoding="utf-8").lower()
    first = min(text.index(word) for word in ADVICE if word in text)
    assert MARK in text[:first]


def test_every_page_that_gives_the_routine_is_marked(root: Path) -> None:
    pages = advising_pages(root)
    assert root / "docs" / "photographing.md" in pages
    unmarked = [page.name for page in pages if MARK not in page.read_text("utf-8").lower()]
    assert not unmarked


@pytest.mark.parametrize(
    "fact",
    [
        # Each point of the routine, as practice has it; none of these has a source to check.
        r"same hour",
        r"two hours or more after lights-on",
        r"before feeding",
        r"blue channels off",
        r"pumps off",
        r"timer to put them on again",
        r"under water where it stands",
        r"never lift an inflated fleshy coral",
        r"mid-height",
        r"30 to 50 cm",
        r"no zoom, no flash, no filter",
        r"rinse the card",
        r"one card per water system",
        r"quarantine card stays",
        r"copy the originals",
        r"drop dates",
        r"one photo from the top",
        r"from the side",
    ],
)
def test_the_guide_holds_the_routine(root: Path, fact: str) -> None:
    text = (root / "docs" / "photographing.md").read_text(encoding="utf-8").lower()
    plain = re.sub(r"[*\s]+", " ", text)
    assert re.search(fact, plain)
