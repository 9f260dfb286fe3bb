"""`polypward intake`: a box is unpacked, its specimens are registered."""

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["app"]

app = typer.Typer()


@app.command()
def intake(
    register: Annotated[
        Path,
        typer.Argument(
            help="CSV with any of: specimen, batch, supplier, kind, count, cost, arrived_on, "
            "place, water_system, height_mm, expected_price, as_is_price, parent."
        ),
    ],
    ward: Annotated[Path, typer.Option(help="The ward's folder; made on first use.")] = Path(
        "ward"
    ),
) -> None:
    """Register batches and specimens from a table; a row with a count gets that many new ids.

    A faulty row stops the whole register, and the same register taken twice adds nothing.

    Example:

        polypward intake register.csv --ward ward
    """
    from polypward_cli.register import take_register
    from polypward_cli.ward import Ward
    from polypward_cli.ward.courses import refresh

    with Ward.open(ward, create=True) as opened, opened.working("intake"):
        taken = take_register(opened, register)
        if taken.new or taken.changed:
            refresh(opened)
    typer.echo(f"{len(taken.new)} new, {len(taken.changed)} changed, {taken.known} known already.")
    if taken.new:
        typer.echo("New: " + " ".join(taken.new))
    for remark in taken.remarks:
        typer.echo(f"{register}, {remark}", err=True)
    for column in taken.unknown_columns:
        typer.echo(f'{register}: the column "{column}" was not used.', err=True)
