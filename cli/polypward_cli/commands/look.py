"""`polypward look`: the daily look without a camera."""

from typing import Annotated

import typer

from polypward_cli.commands.options import WARD, ByOption, WardOption

__all__ = ["app"]

app = typer.Typer()


@app.command()
def look(
    places: Annotated[
        list[str] | None, typer.Argument(help="The places looked at; every place if left out.")
    ] = None,
    odd: Annotated[
        list[str] | None,
        typer.Option(
            help="SPECIMEN=closed, slime, gaping, tissue-loose, eaten or gone; may be given "
            "several times. Without one, all are as yesterday."
        ),
    ] = None,
    well: Annotated[
        list[str] | None,
        typer.Option(help="A specimen that was odd and is well again; may be given several times."),
    ] = None,
    at: Annotated[
        str | None, typer.Option(help="When: 2026-01-12T08:10, or a day; now if left out.")
    ] = None,
    by: ByOption = "",
    undo: Annotated[bool, typer.Option("--undo", help="Take the last look back.")] = False,
    ward: WardOption = WARD,
) -> None:
    """Note the daily look at a place: all as yesterday, or who was odd.

    An odd one raises the flag look-again, which a photo, a look that finds nothing odd, or
    `polypward course acknowledge` clears.

    Example:

        polypward look "rack 2" --odd LAM-03=gaping --odd LAM-07=slime
    """
    from polypward_cli.life.common import moment, who
    from polypward_cli.looking import WELL, note_looks, take_back_look
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    with Ward.open(ward) as opened, opened.working("look"):
        if undo:
            place = take_back_look(opened, by=who(opened, by))
            refresh(opened)
            typer.echo(f"The last look at {place} is taken back.")
            return
        looked = note_looks(
            opened,
            places or [],
            odd=odd or [],
            well=well or [],
            at=moment(opened, at),
            by=who(opened, by),
        )
        if looked.odd:
            refresh(opened)
    typer.echo(f"{looked.words}.")
    if set(looked.odd.values()) - {WELL}:
        typer.echo("They are on the round now: polypward rounds")
