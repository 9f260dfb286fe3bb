"""What a command prints or writes: JSON, CSV; while it works, a bar on a terminal."""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import typer

__all__ = ["json_text", "plain", "print_json", "progress_bar", "write_csv"]


def plain(text: str) -> str:
    """Return a text without the signs that a terminal obeys; files may be named by them."""
    return "".join(
        sign if sign.isprintable() or sign in "\n\t" or ord(sign) > 0x9F else "\ufffd"
        for sign in text
    )


def json_text(value: object) -> str:
    """Return a value as JSON that a person can read too."""
    return json.dumps(value, indent=1, ensure_ascii=False)


def print_json(value: object) -> None:
    """Print a value as JSON."""
    typer.echo(json_text(value))


def write_csv(path: Path, columns: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> None:
    """Write rows as CSV, text that a spreadsheet would run guarded, and say how many."""
    from polypward_cli.files import write_text
    from polypward_cli.ward.tables import csv_text

    write_text(path, csv_text(columns, ([row[name] for name in columns] for row in rows)))
    typer.echo(f"{path}: {len(rows)} row{'' if len(rows) == 1 else 's'}")


@contextmanager
def progress_bar(of: str = "photos") -> Iterator[Callable[[str, int, int], None]]:
    """Show how far each part of the work is, on standard error if that is a terminal.

    Gives a function of what is being done, how many are done, and of how many. `of` is what they
    are.
    """
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TaskID,
        TextColumn,
        TimeRemainingColumn,
    )

    console = Console(stderr=True)
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
    )
    with Progress(
        *columns, console=console, transient=True, disable=not console.is_terminal
    ) as bar:
        tasks: dict[str, TaskID] = {}

        def show(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bar.add_task(f"{what} {of}", total=total)
            bar.update(tasks[what], completed=done, total=total)

        yield show
