"""What a command prints: JSON for machines; while it works, a bar on a terminal."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import typer

__all__ = ["json_text", "print_json", "progress_bar"]


def json_text(value: object) -> str:
    """Return a value as JSON that a person can read too."""
    return json.dumps(value, indent=1, ensure_ascii=False)


def print_json(value: object) -> None:
    """Print a value as JSON."""
    typer.echo(json_text(value))


@contextmanager
def progress_bar() -> Iterator[Callable[[str, int, int], None]]:
    """Show how far each part of the work is, on standard error if that is a terminal.

    Gives a function of what is being done, how many are done, and of how many.
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

        def show(what: str, done: int, of: int) -> None:
            if what not in tasks:
                tasks[what] = bar.add_task(f"{what} photos", total=of)
            bar.update(tasks[what], completed=done, total=of)

        yield show
