"""`polypward report`: the ward as pages."""

from typing import Annotated

import typer

from polypward_cli.commands.options import WARD, WardOption

__all__ = ["app"]

app = typer.Typer()


@app.command()
def report(
    ward: WardOption = WARD,
    open_: Annotated[bool, typer.Option("--open", help="Open it in the browser.")] = False,
) -> None:
    """Write the report: a folder of pages that needs no network, start at index.html.

    Example:

        polypward report --ward ward --open
    """
    from polypward_cli.report import build_report, gather
    from polypward_cli.terminal import progress_bar
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import catch_up, kept_courses

    with Ward.open(ward) as opened, progress_bar("pages") as progress:
        if told := catch_up(opened, "report"):
            typer.echo(told, err=True)
        path = build_report(
            opened, beside=gather(opened), kept=kept_courses(opened), progress=progress
        )
    typer.echo(f"report: {path}")
    if open_:
        import webbrowser

        webbrowser.open(path.resolve().as_uri())
