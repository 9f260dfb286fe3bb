"""`polypward labels`: reusable tags and name labels to print, and who wears which tag."""

from pathlib import Path
from typing import Annotated

import typer

from polypward_cli.commands.options import (
    WARD,
    AtOption,
    ByOption,
    CsvOption,
    JsonOption,
    WardOption,
)
from polypward_cli.terminal import print_json, write_csv

__all__ = ["NAME", "app"]

NAME = "labels"

app = typer.Typer()


@app.callback(invoke_without_command=True)
def labels(
    ctx: typer.Context,
    out: Annotated[Path, typer.Option(help="The PDF to write.")] = Path("labels.pdf"),
    first: Annotated[int, typer.Option(help="Number of the first tag.")] = 1,
    count: Annotated[
        int | None, typer.Option(help="How many tags; one sheet full if left out.")
    ] = None,
    sheet: Annotated[
        str, typer.Option(help="What to print on: a4-film, letter-film or a4-labels-24.")
    ] = "a4-film",
    names: Annotated[
        bool, typer.Option("--names", help="Name labels of the specimens on the tables instead.")
    ] = False,
    ward: WardOption = WARD,
) -> None:
    """Print reusable tags: a number to read by eye and a mark that photos show.

    A tag goes from specimen to specimen; the ward keeps who wore it when. Put it on in the ward
    before you photograph. Wipe it: a mark with a fifth of its area overgrown is read about nine
    times in ten, one that is covered never. With --names, labels with a square code for dry places.

    Example:

        polypward labels --out tags.pdf --first 1 --count 40
    """
    if ctx.invoked_subcommand is not None:
        return
    from polypward_cli.files import write_bytes
    from polypward_cli.labels.page import labels_pdf, sheet_called, tags_pdf
    from polypward_cli.ward import Ward

    on = sheet_called(sheet)
    if names:
        with Ward.open(ward) as opened:
            held = [one.specimen for one in opened.specimens() if one.state == "held"]
        write_bytes(out, labels_pdf(held, on))
        typer.echo(f"{out}: labels of {len(held)} specimens, on {on.about}.")
        return
    from polypward.errors import BadInputError
    from polypward.tags import LAST_TAG

    last = min(first + (on.count if count is None else count) - 1, LAST_TAG)
    if count is not None and first + count - 1 > LAST_TAG:
        raise BadInputError(
            f"tags are numbered from 1 to {LAST_TAG}; {first} and {count - 1} more go beyond"
        )
    write_bytes(out, tags_pdf(range(first, last + 1), on))
    typer.echo(f"{out}: tags {first} to {last}, on {on.about}. Print at 100 %.")
    typer.echo("Put one on: polypward labels put 1 SPECIMEN")


@app.command()
def put(
    tag: Annotated[str, typer.Argument(help="The tag's number.")],
    specimen: Annotated[str, typer.Argument(help="The specimen that wears it.")],
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Note that a specimen wears a tag from now on; photos of it then name the specimen.

    Example:

        polypward labels put 17 LAM-03
    """
    from polypward.tags import tag_called
    from polypward_cli.labels.worn import put_tag
    from polypward_cli.life.common import moment, named, who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    called = tag_called(tag)
    with Ward.open(ward) as opened, opened.working("labels"):
        one = named(opened, specimen).specimen
        when = moment(opened, at)
        lines = put_tag(opened, called, one, at=when, by=who(opened, by))
        refresh(opened)
    typer.echo("\n".join(lines))


@app.command()
def take(
    tag: Annotated[str, typer.Argument(help="The tag's number.")],
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Note that a tag was taken off, so that it is free for another specimen.

    Example:

        polypward labels take 17
    """
    from polypward.tags import tag_called
    from polypward_cli.labels.worn import take_tag
    from polypward_cli.life.common import moment, who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    called = tag_called(tag)
    with Ward.open(ward) as opened, opened.working("labels"):
        lines = take_tag(opened, called, at=moment(opened, at), by=who(opened, by))
        refresh(opened)
    typer.echo("\n".join(lines))


@app.command()
def undo(
    tag: Annotated[str, typer.Argument(help="The tag's number.")],
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Take back the last thing noted of a tag: that it was put on, or taken off.

    Who wore it before wears it again, and photos that the tag named follow.

    Example:

        polypward labels undo 17
    """
    from polypward.tags import tag_called
    from polypward_cli.labels.worn import undo_tag
    from polypward_cli.life.common import who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    called = tag_called(tag)
    with Ward.open(ward) as opened, opened.working("labels"):
        lines = undo_tag(opened, called, by=who(opened, by))
        refresh(opened)
    typer.echo("\n".join(lines))


@app.command("list")
def list_(
    every: Annotated[bool, typer.Option("--all", help="Earlier wearers too.")] = False,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    ward: WardOption = WARD,
) -> None:
    """Show who wears which tag, and with --all who wore it before.

    Example:

        polypward labels list --all
    """
    from polypward_cli.labels.worn import tags_worn
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened:
        states = {one.specimen: one.state for one in opened.specimens()}
        worn = [one for one in tags_worn(opened) if every or one.until is None]
    if as_json or csv is not None:
        columns = ("tag", "specimen", "since", "until", "by")
        rows = [
            {
                "tag": one.tag,
                "specimen": one.specimen,
                "since": one.since.isoformat(),
                "until": one.until.isoformat() if one.until else None,
                "by": one.by,
            }
            for one in worn
        ]
        if csv is None:
            print_json(rows)
        else:
            write_csv(csv, columns, rows)
        return
    if not worn:
        typer.echo("No tag is worn. polypward labels put 1 SPECIMEN puts one on.")
    for one in worn:
        until = f" until {one.until:%Y-%m-%d %H:%M}" if one.until else ""
        state = states.get(one.specimen, "held")
        gone = f" ({state}: the tag can be used again)" if state != "held" and not until else ""
        number = one.tag[1:]
        typer.echo(f"{number:>4}  {one.specimen}  since {one.since:%Y-%m-%d %H:%M}{until}{gone}")
