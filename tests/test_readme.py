"""What documents name in passing exists: commands between backticks, make targets, links."""

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.documents import command_of

ROOT = Path(__file__).resolve().parents[1]
DOCUMENTS = (
    *("README.md", "DEVELOPERS.md"),
    *sorted(f"docs/{page.name}" for page in (ROOT / "docs").glob("*.md")),
)


def named(text: str) -> Iterator[str]:
    """Yield every `polypward ...` between backticks; code blocks are tried elsewhere."""
    prose = re.sub(r"^ *```.*?^ *```$", "", text, flags=re.S | re.M)
    for found in re.finditer(r"`(?:\S*[/\\])?(polypward(?: [^`]*)?)`", prose):
        yield " ".join(found[1].split())


@pytest.mark.parametrize("document", DOCUMENTS)
def test_commands_that_documents_name_exist(root: Path, document: str) -> None:
    for line in named((root / document).read_text("utf-8")):
        if "COMMAND" not in shlex.split(line):  # stands for any
            command_of(line)


def test_the_reading_of_commands_finds_them() -> None:
    """The check above sees commands in backticks, also over the end of a line, and checks them."""
    text = "Use `polypward score\n--strict`, not polypward four.\n```\npolypward five\n```\n"
    assert list(named(text)) == ["polypward score --strict"]
    for line in ("polypward nonsense", "polypward score --nonsense", "polypward care nonsense"):
        with pytest.raises(LookupError, match="nonsense"):
            command_of(line)


@pytest.mark.parametrize("document", DOCUMENTS)
def test_make_targets_and_links_exist(root: Path, document: str) -> None:
    text = (root / document).read_text("utf-8")
    targets = set(re.findall(r"^([a-z-]+):", (root / "Makefile").read_text("utf-8"), re.M))
    named = set(re.findall(r"`make ([a-z-]+)`|^make ([a-z-]+) ", text, re.M))
    assert {one or other for one, other in named} <= targets
    for link in re.findall(r"\]\(([^)#]+)\)", text):
        assert ((root / document).parent / link).exists(), link


def test_the_readme_tells_how_to_photograph(root: Path) -> None:
    """The rules that keep the animal unharmed and the figures comparable, in their words."""
    text = " ".join((root / "README.md").read_text("utf-8").split())
    for rule in (
        "two hours or more after lights-on, before feeding",
        "Blue channels off, white light",
        "a timer to put them on again",
        "never lifted out: its own water tears the tissue",
        "Never card in air with coral in water",
        "30-50 cm, main lens; no zoom, flash or filter",
        "the quarantine card stays there",
        "messengers shrink photos and drop dates",
        "the daily look without a camera does",
        "never into natural waters",
        "palytoxin",
        "CITES",
        "residual-current protection",
    ):
        assert rule in text
