"""`polypward report`: the ward as pages."""

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["app"]

app = typer.Typer()


@app.command()
def report(
    ward: Annotated[Path, typer.Option(help="The ward's folder.")] = Path("ward"),
    open_: Annotated[bool, typer.Option("--open", help="Open it in the browser.")] = False,
) -> None:
    """Write the report: a folder of pages that needs no network, start at index.html.

    Example:

        polypward report --ward ward --open
    """
    from polypward_cli.claim.ledger import money_claimed
    from polypward_cli.report import build_report
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened:
        path = build_report(opened, claims=money_claimed(opened).words())
    typer.echo(f"report: {path}")
    if open_:
        import webbrowser

        webbrowser.open(path.resolve().as_uri())
