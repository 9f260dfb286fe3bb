"""`polypward assign`: mends whose a photo is, or when it was taken."""

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["app"]

app = typer.Typer()


@app.command()
def assign(
    photos: Annotated[
        list[str],
        typer.Argument(help="Photos as in readings.csv: path, file name if unique, or sha256."),
    ],
    to: Annotated[str | None, typer.Option(help="The specimen they show.")] = None,
    drop: Annotated[bool, typer.Option("--drop", help="Take them out of every figure.")] = False,
    shift: Annotated[
        str | None, typer.Option(help="Move their time: HH:MM later, -HH:MM earlier.")
    ] = None,
    ward: Annotated[Path, typer.Option(help="The ward's folder.")] = Path("ward"),
) -> None:
    """Say whose photos these are, take them out, or shift their time; no photo is measured again.

    What stood before is kept in the audit of the ward. A photo taken out comes back with --to.

    Example:

        polypward assign IMG_0077.jpg --to LAM-03 --ward ward
    """
    from polypward_cli.assigning import assign_photos
    from polypward_cli.dates import parse_shift
    from polypward_cli.ward import Ward
    from polypward_cli.ward.courses import refresh

    if (to is None) + (not drop) + (shift is None) != 2:
        raise typer.BadParameter("give one of --to, --drop and --shift")
    span = parse_shift(shift) if shift is not None else None
    with Ward.open(ward) as opened, opened.working("assign"):
        for line in assign_photos(opened, photos, to=to, drop=drop, shift=span):
            typer.echo(line)
        refresh(opened)
