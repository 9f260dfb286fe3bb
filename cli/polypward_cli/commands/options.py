"""Options that commands have in common, and how those of care show cautions and ring."""

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from polypward_cli.ward import Ward

__all__ = [
    "WARD",
    "AgainOption",
    "AtOption",
    "ByOption",
    "CostOption",
    "CsvOption",
    "JsonOption",
    "NameArgument",
    "NoteOption",
    "WardOption",
    "WhereArgument",
    "WithoutOption",
    "WorkOption",
    "ring_at",
    "show_cautions",
]

WARD = Path("ward")
WardOption = Annotated[Path, typer.Option(help="The ward's folder.")]
AtOption = Annotated[
    str | None, typer.Option(help="When: 2026-01-12T10:30, or a day; now if left out.")
]
ByOption = Annotated[str, typer.Option(help="Who did it; the owner in ward.toml if left out.")]
NoteOption = Annotated[str, typer.Option(help="Any remark.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print it as JSON.")]
CsvOption = Annotated[Path | None, typer.Option(help="Write it to this CSV file.")]
NameArgument = Annotated[str, typer.Argument(help="The specimen.")]
CostOption = Annotated[
    float | None, typer.Option(help="Cost of the whole, in the ward's money; shared out evenly.")
]
WorkOption = Annotated[
    float | None, typer.Option(help="Minutes of work in all, shared out evenly.")
]
AgainOption = Annotated[bool, typer.Option("--again", help="Do it although it was done lately.")]
WhereArgument = Annotated[
    list[str], typer.Argument(help="Places or specimens; a place stands for all on it.")
]
WithoutOption = Annotated[
    list[str] | None,
    typer.Option(
        "--not", help="A specimen of the place that is left out; may be given several times."
    ),
]


def show_cautions(ward: "Ward", task: str, *, by: str) -> None:
    """Print the cautions of a task that this person has not seen yet, once, on standard error."""
    from polypward_cli.caring.cautions import show_cautions as show

    show(ward, task, by=by)


def ring_at(due: datetime, what: str) -> None:
    """Count down to a time on standard error, then ring the terminal's bell and say what to do.

    It may be broken off; what is to be done stays among the open ticks.
    """
    from polypward_cli.caring.timer import wait_until

    def say(left: str) -> None:
        typer.echo(left, err=True)

    def ring(number: int) -> None:
        told = f"{what}. Then: polypward care tick (Ctrl-C stops the bell)" if not number else ""
        typer.echo(f"\a{told}", err=True, nl=not number)

    try:
        wait_until(due, say=say, ring=ring, now=lambda: datetime.now(due.tzinfo))
    except KeyboardInterrupt:
        typer.echo("Timer stopped. Still open: polypward care tick", err=True)
