"""What README and docs tell people to type exists, and what they point at is there."""

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer

from polypward_cli.main import app

DOCUMENTS = ("README.md", "DEVELOPERS.md", *(f"docs/{n}.md" for n in ("card", "index", "numbers")))
DOCUMENTS += ("docs/phone.md", "docs/security.md")
DOCUMENTS += ("docs/photographing.md", "docs/specimens.md", "docs/care.md", "docs/water.md")
DOCUMENTS += ("docs/money.md",)


def commands(text: str) -> Iterator[list[str]]:
    """Yield the words of every `polypward ...` that stands in a code block or between backticks."""
    blocks = re.findall(r"```\w*\n(.*?)```", text, re.S)
    lines = [line for block in blocks for line in block.splitlines()]
    lines += re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", text, flags=re.S))
    for line in lines:
        found = re.match(r"\s*(?:\S*[/\\])?polypward( .*|)$", re.split(r"\s+#|\s{2,}", line)[0])
        if found:
            yield shlex.split(found[1])


@pytest.mark.parametrize("document", DOCUMENTS)
def test_commands_that_documents_name_exist(root: Path, document: str) -> None:
    for words in commands((root / document).read_text("utf-8")):
        told = f"{document}: polypward {' '.join(words)}"
        command = typer.main.get_command(app)
        names = [word for word in words if not word.startswith("--")]
        if names[:1] == ["COMMAND"]:  # stands for any
            continue
        while getattr(command, "commands", {}) and names:
            under = command.commands  # type: ignore[attr-defined]
            alone = getattr(command, "invoke_without_command", False)
            if names[0] not in under and alone and command.name:
                break  # the group's own arguments
            assert names[0] in under, told
            command = under[names.pop(0)]
        known = {name for parameter in command.params for name in parameter.opts} | {"--help"}
        assert {word for word in words if word.startswith("--")} <= known, told


def test_the_reading_of_commands_finds_them() -> None:
    """The check above sees commands in blocks and in backticks, without their remarks."""
    text = "Use `polypward one --two 3`, not polypward four.\n```\npolypward five  # six\n```\n"
    assert list(commands(text)) == [["five"], ["one", "--two", "3"]]


def test_every_command_stands_in_the_readme(root: Path) -> None:
    """One line each, in the section that lists them."""
    section = (root / "README.md").read_text("utf-8").split("## Commands")[1].split("\n## ")[0]
    told = {tuple(w for w in words if re.fullmatch("[a-z]+", w)) for words in commands(section)}
    for name, command in typer.main.get_command(app).commands.items():  # type: ignore[attr-defined]
        under = getattr(command, "commands", {})
        alone = not under or getattr(command, "invoke_without_command", False)
        wanted = {(name, one) for one in under} | ({(name,)} if alone else set())
        assert wanted <= told


@pytest.mark.parametrize("document", DOCUMENTS)
def test_make_targets_and_links_exist(root: Path, document: str) -> None:
    text = (root / document).read_text("utf-8")
    targets = set(re.findall(r"^([a-z]+):", (root / "Makefile").read_text("utf-8"), re.M))
    named = set(re.findall(r"`make ([a-z]+)`|^make ([a-z]+) ", text, re.M))
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
