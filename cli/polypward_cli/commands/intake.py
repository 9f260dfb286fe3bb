"""`polypward intake`: a box is unpacked, its specimens are registered."""

from pathlib import Path
from typing import Annotated

import typer

from polypward_cli.commands.options import ByOption
from polypward_cli.terminal import print_json

__all__ = ["app"]

app = typer.Typer()


@app.command()
def intake(
    register: Annotated[
        Path,
        typer.Argument(
            help="CSV. A line with a count needs batch, supplier, kind and cost (of one piece); "
            "more, now or later: specimen, arrived_on, place, water_system, light, box, permit, "
            "height_mm, unpacked_as, expected_price, as_is_price, parent, note."
        ),
    ],
    more: Annotated[
        bool, typer.Option("--more", help="Lines that look like corrected ones are further boxes.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print what was taken as JSON.")] = False,
    by: ByOption = "",
    ward: Annotated[Path, typer.Option(help="The ward's folder; made on first use.")] = Path(
        "ward"
    ),
) -> None:
    """Register batches and specimens from a table; a line with a count gets that many new ids.

    A faulty row stops the whole register. The same register taken twice adds nothing; with cells
    filled in or corrected it adds those. `polypward specimen list --csv` writes it with the ids.

    Example:

        polypward intake register.csv --ward ward
    """
    from dataclasses import asdict

    from polypward_cli.life.common import show_cautions, who
    from polypward_cli.register import take_register
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    with Ward.open(ward, create=True) as opened, opened.working("intake"):
        by = who(opened, by)
        taken = take_register(opened, register, more=more, by=by)
        show_cautions(opened, "intake", by=by)
        if taken.new or taken.changed:
            refresh(opened)
    if as_json:
        print_json(asdict(taken))
        return
    typer.echo(f"{len(taken.new)} new, {len(taken.changed)} changed, {taken.known} known already.")
    if taken.new:
        typer.echo("New: " + " ".join(taken.new))
    for batch in taken.batches:
        without = f", {batch.without_cost} without a cost" if batch.without_cost else ""
        pieces = f"{batch.pieces} piece{'' if batch.pieces == 1 else 's'}"
        typer.echo(
            f"Batch {batch.batch}: {pieces}, cost {batch.cost:.2f} in all{without}. "
            "Hold it against the invoice."
        )
    for remark in taken.remarks:
        typer.echo(f"{register}, {remark}", err=True)
    for column in taken.unknown_columns:
        typer.echo(f'{register}: the column "{column}" was not used.', err=True)
