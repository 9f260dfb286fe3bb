"""The code blocks of the documents, and the small ward in which they are tried.

A block is tried as it stands, in a copy of that ward, block after block of a page. What a remark
above a block says:

    <!-- file: NAME -->         the block is the file NAME, or is added to the ward.toml there is
    <!-- not run: REASON -->    only its commands' names and options are checked
    <!-- exit: 2 -->            the last of its commands ends with this status

The documents' today is Monday, 12 January 2026. Here it is yesterday, so that no hour of it is in
the future; every other day of that month is as far from it as it says.
"""

import os
import re
import shlex
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from unittest import mock

import typer
from PIL import Image
from typer.testing import CliRunner

from polypward.cards import load_layout
from polypward_cli.main import app

TODAY = date(2026, 1, 12)
# Names of the ward's specimens and what is said of them; documents and help use these.
_REGISTER = """\
specimen,batch,supplier,kind,cost,arrived_on,place,water_system,expected_price
LAM-03,B7,Blue Crate,button coral,60,2026-01-02,rack 2,main,180
LAM-05,B7,Blue Crate,button coral,60,2026-01-02,rack 2,main,160
LAM-07,B7,Blue Crate,lobed brain,75,2026-01-02,rack 2,main,190
LAM-09,B1,Ondriva,lobed brain,70,2026-01-02,rack 1,main,175
"""
TABLES = {
    "register.csv": _REGISTER,
    "care.csv": "specimen,at,what,detail,by\nLAM-03,2026-01-11T18:00,feeding,eaten=yes,mo\n",
    "tests.csv": "system,at,what,value,unit\nmain,2026-01-11T09:00,alkalinity,8.4,dKH\n",
}
# Where the ward's photos come from, and when they are said to be from.
PHOTOS = {
    "LAM-03/IMG_0021.jpg": ("LAN-01/2025-09-08.jpg", "2026-01-05T10:30"),
    "LAM-03/IMG_0031.jpg": ("LAN-01/2025-09-15.jpg", "2026-01-11T10:30"),
    "LAM-07/IMG_0022.jpg": ("LAN-02/2025-09-08.jpg", "2026-01-05T10:36"),
    "LAM-07/IMG_0032.jpg": ("LAN-02/2025-09-15.jpg", "2026-01-11T10:36"),
    "IMG_0077.jpg": ("LAN-01/2025-09-22.jpg", "2026-01-11T10:41"),
}


@dataclass(frozen=True)
class Block:
    """A code block: its language, its text, and what the remark above it says."""

    line: int
    language: str
    text: str
    remark: str = ""

    def said(self, key: str) -> str:
        """Return what the remark says of `key`, "" if nothing."""
        found = re.search(rf"{key}: *(.*)", self.remark)
        return found[1].strip() if found else ""


def blocks(text: str) -> Iterator[Block]:
    """Yield every fenced block of a document, also of a list's items."""
    fence = re.compile(
        r"^(?P<indent> *)```(?P<language>\w*)[^\n`]*\n(?P<text>.*?)^ *```$", re.M | re.S
    )
    for found in fence.finditer(text):
        before = text[: found.start()].rstrip()
        remark = re.search(r"<!--((?:(?!-->).)*)-->$", before, re.S)
        indent = len(found["indent"])
        lines = [line[indent:] for line in found["text"].splitlines()]
        yield Block(
            line=text.count("\n", 0, found.start()) + 1,
            language=found["language"],
            text="\n".join(lines) + "\n",
            remark=remark[1].strip() if remark else "",
        )


def moved(text: str) -> str:
    """Move the days of January 2026 so that the 12th was yesterday."""
    shift = date.today() - timedelta(days=1) - TODAY
    return re.sub(
        r"\b2026-01-\d\d(?!\d)", lambda day: str(date.fromisoformat(day[0]) + shift), text
    )


def commands(block: str) -> Iterator[str]:
    """Yield the command lines of a block, without remarks; a backslash joins two lines."""
    for line in block.replace("\\\n", " ").splitlines():
        bare = re.sub(r"(^|\s)#.*$", "", line).strip()
        if bare:
            yield bare


def run(line: str) -> tuple[int, str]:
    """Run one `polypward ...` in this process, in the current folder; its status and words.

    No browser is opened, and no timer is waited for.
    """
    words = shlex.split(moved(line).replace("/media/disk/", ""))
    assert words[0] == "polypward", line
    assert words[1] not in ("phone", "demo"), f"{line} does not end, or not soon"
    with mock.patch("webbrowser.open"), mock.patch("polypward_cli.caring.timer.wait_until"):
        result = CliRunner().invoke(app, words[1:], prog_name="polypward")
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise AssertionError(f"{line}\n{result.output}") from result.exception
    return result.exit_code, result.output


def build_world(folder: Path, samples: Path) -> None:
    """Make the small ward: four specimens, five photos, one of them without a name."""
    folder.mkdir()
    for name, (source, taken) in PHOTOS.items():
        path = folder / "photos" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        _redated(samples / source, path, datetime.fromisoformat(moved(taken)))
    for name, text in TABLES.items():
        (folder / name).write_text(moved(text), "utf-8")
    _write_patches(folder / "patches.txt")
    here = Path.cwd()
    os.chdir(folder)
    try:
        for line in (
            "polypward intake register.csv",
            'polypward score photos/ --workers 1 --lamp "white 5000 K"',
            "polypward labels put 17 LAM-03 --at 2026-01-02",
        ):
            status, words = run(line)
            assert status == 0, words
    finally:
        os.chdir(here)


def _write_patches(path: Path) -> None:
    """Write measured colours of a frame: nominal ones, a little off as every print is."""
    patches = load_layout("frame").patches
    rows = [(one.name, *(value + 0.5 for value in one.lab_d50)) for one in patches]
    lines = ["name,L,a,b", *(f"{name},{L:.2f},{a:.2f},{b:.2f}" for name, L, a, b in rows)]
    path.write_text("\n".join(lines) + "\n", "utf-8")


def _redated(source: Path, path: Path, taken: datetime) -> None:
    """Copy a JPEG with another time in its EXIF data."""
    with Image.open(source) as picture:
        exif = picture.getexif()
        exif.get_ifd(0x8769)[0x9003] = taken.strftime("%Y:%m:%d %H:%M:%S")  # DateTimeOriginal
        picture.save(path, "JPEG", quality="keep", exif=exif.tobytes())


def command_of(line: str) -> tuple[list[str], typer.core.TyperCommand, set[str]]:
    """Return the names, the command and the options that a command line asks for.

    Raises
    ------
    LookupError
        If there is no such command.
    """
    words = shlex.split(line)[1:]
    command = typer.main.get_command(app)
    names: list[str] = []
    rest = [word for word in words if not word.startswith("-")]
    while (under := getattr(command, "commands", {})) and rest:
        if rest[0] not in under:
            if command.invoke_without_command and names:  # type: ignore[attr-defined]
                break  # an argument of the group's own
            raise LookupError(f"{line}: no command {rest[0]!r}")
        names.append(rest[0])
        command = under[rest.pop(0)]
    options = {word.split("=")[0] for word in words if word.startswith("--")}
    known = {name for parameter in command.params for name in parameter.opts} | {"--help"}
    if options - known:
        raise LookupError(f"{line}: no option {sorted(options - known)}")
    return names, command, options  # type: ignore[return-value]


def copy_world(world: Path, folder: Path) -> Path:
    """Copy the small ward for one page or one example."""
    shutil.copytree(world, folder)
    return folder
