"""The page of all commands, from the same source as --help: ``python -m polypward_cli.reference``.

Writes docs/reference.md, or the file named; a test holds that the page is up to date.
"""

import re
import sys
from collections.abc import Iterator
from enum import Enum
from pathlib import Path
from typing import Any, get_args

__all__ = ["reference_page"]

_HEAD = """\
# Every command

Written from the same words as `--help`. `polypward COMMAND --help` shows them in the terminal.

The ward is the folder `ward` unless `--ward` names another. `--by` says who did something, `--at`
when (`2026-01-12T10:30`, or a day). `--json` prints for programs. Exit status: 0 done, 2 wrong use
or input that cannot be read, with a sentence that says what to do; nothing was written then.

`polypward --install-completion`, once, lets the Tab key complete commands and options in bash,
zsh, fish and PowerShell.
"""


def reference_page() -> str:
    """Return docs/reference.md: every command with its example, arguments and options."""
    import typer

    from polypward_cli.main import app

    root = typer.main.get_command(app)
    parts, panel = [_HEAD], ""
    for name, command in root.commands.items():  # type: ignore[attr-defined]
        if command.rich_help_panel != panel:
            panel = command.rich_help_panel
            parts.append(f"## {panel}\n")
        parts += _described(command, f"polypward {name}")
    return "\n".join(parts)


def _described(command: Any, path: str) -> Iterator[str]:
    """Yield the parts on a command and on those below it."""
    text, _, example = (command.help or "").partition("Example:\n")
    yield f"### {path}\n\n{_prose(text)}\n"
    yield "```sh\n" + "\n".join(line.strip() for line in example.split("\n") if line) + "\n```\n"
    rows = [_row(parameter) for parameter in command.params if parameter.name != "help"]
    if rows:
        yield "| written | what it is |\n| --- | --- |\n" + "\n".join(rows) + "\n"
    for name, below in getattr(command, "commands", {}).items():
        yield from _described(below, f"{path} {name}")


def _prose(text: str) -> str:
    """Markdown of a docstring: signs that mean something there are escaped outside of code."""
    parts = re.split(r"(`[^`]*`)", text.strip().replace(r"\[", "["))
    return "".join(
        part if part.startswith("`") else re.sub(r"([<*\[])", r"\\\1", part) for part in parts
    )


def _row(parameter: Any) -> str:
    """Return a row of the table: how a parameter is written, what it is, what it is without."""
    kind = parameter.type_descriptor.annotation
    if parameter.param_type_name == "argument":
        written = parameter.name.upper() + (" ..." if parameter.nargs == -1 else "")
    elif isinstance(kind, type) and issubclass(kind, Enum):
        written = f"{parameter.opts[0]} {'|'.join(one.value for one in kind)}"
    elif parameter.is_flag:
        written = ", ".join(parameter.opts)
    else:
        written = " ".join([parameter.opts[0], *[_value(kind)] * parameter.nargs])
    told, default = _prose(parameter.help or ""), parameter.default
    if parameter.required:
        told += " **Needed.**"
    elif default not in (None, "", False):
        told += f" Without it: `{getattr(default, 'value', default)}`."
    cells = (f"`{written}`", told)
    return "| " + " | ".join(cell.replace("|", r"\|") for cell in cells) + " |"


def _value(kind: Any) -> str:
    """Say in a word what is to be written for a parameter of this type."""
    kinds = {kind, *get_args(kind)}
    if Path in kinds:
        return "PATH"
    return "NUMBER" if kinds & {int, float} else "TEXT"


if __name__ == "__main__":
    page = Path(sys.argv[1] if len(sys.argv) > 1 else "docs/reference.md")
    page.write_text(reference_page(), encoding="utf-8")
