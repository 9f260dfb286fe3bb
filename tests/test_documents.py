"""Every code block of README and docs, and every example of --help, does what it says."""

import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer
from tests.documents import (
    blocks,
    build_world,
    command_of,
    commands,
    copy_world,
    moved,
    run,
)
from typer.testing import CliRunner

from polypward_cli.commands import MODULES
from polypward_cli.main import app
from polypward_cli.reference import reference_page

ROOT = Path(__file__).resolve().parents[1]
PAGES = (
    *("README.md", "DEVELOPERS.md"),
    *sorted(f"docs/{page.name}" for page in (ROOT / "docs").glob("*.md")),
)
# Its blocks are the examples of --help, which are tried below in a ward of their own each.
PAGES = tuple(page for page in PAGES if page != "docs/reference.md")

# What an example needs before it can do what it says.
FOODS = ("polypward care food krill --unit g --price 0.04", "polypward care food nori --unit g")
FED = (*FOODS, 'polypward care feed "rack 2" --food krill --quantity 5 --cover-minutes 20')
MIXED = (
    *FOODS,
    "polypward care mix mash --part krill=30 --part nori=2 --portions 12 --use-by 2026-01-19",
)
SPLIT = ("polypward specimen split LAM-03 --into LAM-03A --into LAM-03B",)
WATER = (
    'polypward care water volume main --measured "430 L"',
    "polypward care water targets main --accept",
    "polypward care water log main dkh=6.5 temp=25 psu=35",
)
CARD = ("polypward card check --serial F7KX4DX --bar-mm 100 100",)
CORRECTED = ("polypward teach export --out maps",)
BACKUP = ("polypward ward backup --to /media/disk/ward-monday.zip",)
BEFORE = {
    "care": MIXED,
    "care amend": ('polypward care treat "rack 2" --agent "the dip"',),
    "care ate": FED,
    "care dose amend": ('polypward care dose log main "sodium bicarbonate" "12 g" --by Kim',),
    "care dose plan": WATER,
    "care feed": MIXED,
    "care mix": FOODS,
    "care tick": FED,
    "care water amend": ("polypward care water log main dkh=8.4",),
    "card retire": CARD,
    "specimen back": ("polypward specimen sold LAM-03 --price 180 --at 2026-01-11",),
    "specimen discarded": (
        "polypward care log LAM-03 look --detail state=dead --at 2026-01-10T10:00",
        "polypward care log LAM-03 look --detail state=dead --at 2026-01-11T10:00",
    ),
    "specimen join": SPLIT,
    "specimen undo": ("polypward specimen sold LAM-03 --price 1",),
    "teach import": CORRECTED,
    "ward restore": BACKUP,
}
# Examples that ask for photos of their own, or that wait: their own tests try them.
TRIED_ELSEWHERE = {
    "camera calibrate": "tests/cli/test_cameras.py",
    "camera forget": "tests/cli/test_cameras.py",
    "card compare": "tests/cli/test_card_history.py",
    "course reference": "tests/cli/test_rounds_and_looks.py",
    "demo": "tests/cli/test_demo.py",
    "phone": "tests/cli/test_phone_browser.py",
    "teach forget": "tests/cli/test_teaching.py",
}


@pytest.fixture(scope="session")
def world(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("documents") / "world"
    build_world(folder, ROOT / "sample_images")
    return folder


@pytest.fixture
def here(world: Path, tmp_path: Path) -> Iterator[Path]:
    """Stand in a copy of the small ward."""
    before = Path.cwd()
    folder = copy_world(world, tmp_path / "here")
    os.chdir(folder)
    yield folder
    os.chdir(before)


def test_the_page_of_commands_is_up_to_date() -> None:
    written = (ROOT / "docs" / "reference.md").read_text("utf-8")
    assert written == reference_page(), "write docs/reference.md anew: make docs"


def test_the_built_pages_ask_for_nothing_from_outside(tmp_path: Path) -> None:
    """Strict: no page left out, no link or anchor that leads nowhere."""
    done = subprocess.run(
        [sys.executable, "-m", "mkdocs", "build", "--quiet", "--site-dir", str(tmp_path)],
        cwd=ROOT,
        env={**os.environ, "NO_MKDOCS_2_WARNING": "1"},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    pages = list(tmp_path.rglob("*.html"))
    assert len(pages) >= len(list((ROOT / "docs").glob("*.md")))
    outside = re.compile(r"""(?:src|href|action)=["']?(?:https?:)?//|url\(["']?(?:https?:)?//""")
    for file in (*pages, *tmp_path.rglob("*.css")):
        assert not outside.search(file.read_text("utf-8")), file


def every_command() -> Iterator[tuple[str, typer.core.TyperCommand]]:
    def below(command, names):  # type: ignore[no-untyped-def]
        yield " ".join(names), command
        for name, under in getattr(command, "commands", {}).items():
            yield from below(under, [*names, name])

    yield from below(typer.main.get_command(app), [])


def test_help_shows_everyday_commands_first_and_all_under_a_heading() -> None:
    shown = CliRunner().invoke(app, ["--help"]).output
    told = re.findall(r"^╭─ (.*?) ─+╮$", shown, re.M)
    assert told == ["Options", *MODULES]
    for name, command in every_command():
        if name and name.split()[0] in ("care", "specimen") and name.count(" ") == 1:
            assert command.rich_help_panel, name


def test_tab_completes_commands() -> None:
    typed = {"COMP_WORDS": "polypward specimen wi", "COMP_CWORD": "2"}
    asked = {"_POLYPWARD_COMPLETE": "complete_bash", **typed}
    assert CliRunner().invoke(app, [], env=asked, prog_name="polypward").output == "withdraw\n"


@pytest.mark.parametrize(
    ("name", "command"),
    [pytest.param(*pair, id=pair[0] or "polypward") for pair in every_command()],
)
def test_the_example_of_every_command_runs(
    name: str, command: typer.core.TyperCommand, here: Path
) -> None:
    told = re.search(r"^Example:\n\n((?: +.*\n?)+)", command.help or "", re.M)
    assert told, f"{name}: no example in --help"
    for line in commands(told[1]):
        assert " ".join(command_of(line)[0]).startswith(name)
        if name in TRIED_ELSEWHERE:
            assert (ROOT / TRIED_ELSEWHERE[name]).exists()
            continue
        for first in BEFORE.get(name, ()):
            status, words = run(first)
            assert status == 0, f"{first}\n{words}"
        status, words = run(line)
        assert status == 0, f"{line}\n{words}"


@pytest.mark.parametrize("page", PAGES)
def test_every_code_block_does_what_it_says(page: str, here: Path) -> None:
    names: dict[str, object] = {}
    for block in blocks((ROOT / page).read_text("utf-8")):
        where = f"{page}, line {block.line}"
        if file := block.said("file"):
            text = moved(block.text)
            path = here / file
            path.parent.mkdir(parents=True, exist_ok=True)
            if path.name == "ward.toml":
                text = path.read_text("utf-8") + "\n" + text
                tomllib.loads(text)
            path.write_text(text, "utf-8")
            if path.name == "ward.toml":
                status, words = run("polypward batch")  # reads every table of it
                assert status == 0, f"{where}\n{words}"
        elif block.language == "python" and not block.remark:
            exec(compile(moved(block.text), where, "exec"), names)
        elif block.language in ("sh", "powershell"):
            wanted = int(block.said("exit") or 0)
            lines = list(commands(block.text))
            for number, line in enumerate(lines, 1):
                _try(
                    line,
                    where,
                    only_read=bool(block.said("not run")),
                    wanted=wanted if number == len(lines) else 0,
                )
        else:
            assert block.said("not run") or block.language == "text", f"{where}: not tried"


def _try(line: str, where: str, *, only_read: bool, wanted: int) -> None:
    """Run a line, or only hold its names and options against the command line."""
    line = re.sub(r"^\S*[/\\]polypward(?=\s|$)", "polypward", line)
    if line.split()[0] == "make":
        targets = re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text("utf-8"), re.M)
        assert set(line.split()[1:]) <= set(targets), where
        return
    if not line.startswith("polypward"):
        assert only_read, f"{where}: {line}"
        return
    command_of(line)
    if not only_read:
        status, words = run(line)
        assert status == wanted, f"{where}: {line}\n{words}"
