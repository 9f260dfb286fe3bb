"""`polypward batch`: survival, losses and money of batches."""

from typing import Annotated

import typer

from polypward_cli.commands.options import WARD, ByOption, JsonOption, WardOption

__all__ = ["app"]

app = typer.Typer()


@app.command()
def batch(
    name: Annotated[
        str | None, typer.Argument(metavar="[BATCH]", help="One batch; left out, all of them.")
    ] = None,
    group: Annotated[
        str, typer.Option(help="Compare by batch, supplier, kind or plan (care plan).")
    ] = "batch",
    cost: Annotated[
        list[str] | None,
        typer.Option(help="A cost of the whole batch, as freight=120; may be given several times."),
    ] = None,
    at: Annotated[str | None, typer.Option(help="When that was; now if left out.")] = None,
    by: ByOption = "",
    as_json: JsonOption = False,
    as_csv: Annotated[
        bool, typer.Option("--csv", help="Print a row per specimen: days, end, worth.")
    ] = False,
    ward: WardOption = WARD,
) -> None:
    """Show who lived, who was lost, who was sold and after how long, and what it was worth.

    Two figures of money stand beside each other and are never added: the result of a batch, and
    the worth of recovery, specimen by specimen. Rates stand in the table money of ward.toml.

    Example:

        polypward batch B7 --cost freight=120 --cost permits=35
    """
    from polypward_cli.batches import batch_csv, batch_json, batch_lines
    from polypward_cli.claim.ledger import batch_called
    from polypward_cli.life.common import moment, who
    from polypward_cli.terminal import plain
    from polypward_cli.ward import Ward
    from polypward_cli.worth import batch_money, note_cost, survival_by

    if cost and name is None:
        raise typer.BadParameter("--cost is of one batch: name it")
    with Ward.open(ward) as ledger:
        one = batch_called(ledger, name)[0] if name is not None else None
        if cost and one:
            when, says = moment(ledger, at), who(ledger, by)
            with ledger.working("batch"), ledger.db.atomic():
                for text in cost:
                    note_cost(ledger, one, text, at=when, by=says)
        told = survival_by(ledger, group, batches=(one,) if one else ())
        money = batch_money(ledger, batch=one)
    show = batch_json if as_json else batch_csv if as_csv else batch_lines
    # `echo` takes escape codes out of what is no terminal's: what stood behind one led its cell.
    typer.echo(plain(show(told, money, whole=one is not None)), nl=not as_csv)
