"""`polypward demo`: the sample ward, scored and reported."""

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["app"]

app = typer.Typer()


@app.command()
def demo(
    photos: Annotated[
        Path | None,
        typer.Option(help="Folder of the sample photos; the packaged ones if left out."),
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder for the demo's ward.")] = Path("polypward-demo"),
) -> None:
    """Score the sample photos of an invented ward and write its report.

    Example:

        polypward demo --out polypward-demo
    """
    from polypward_cli.demo import run_demo, sample_photos
    from polypward_cli.terminal import progress_bar

    with sample_photos(photos) as folder, progress_bar() as progress:
        done = run_demo(folder, out, progress=progress)
    for line in done.lines:
        typer.echo(line)
    typer.echo(f"report: {done.report}")
