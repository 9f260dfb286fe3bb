"""`polypward rounds`: what to photograph, look at and do today."""

from pathlib import Path
from typing import Annotated

import typer

from polypward_cli.commands.options import WARD, WardOption
from polypward_cli.terminal import print_json

__all__ = ["app"]

app = typer.Typer()


@app.command()
def rounds(
    ward: WardOption = WARD,
    on: Annotated[str | None, typer.Option(help="Another day, as 2026-01-12.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the round as JSON.")] = False,
    out: Annotated[
        Path | None, typer.Option(help="Write the round as one page to print (PDF).")
    ] = None,
) -> None:
    """Show what to photograph, look at and do today: urgent things first, then by place.

    The walk leads from clean places to quarantine and says where to wash hands. Note the daily
    look with `polypward look`.

    Example:

        polypward rounds --ward ward --on 2026-01-12 --out round.pdf
    """
    from datetime import datetime

    from polypward.errors import BadInputError
    from polypward.rounds import WASH
    from polypward_cli.claim.due import claims_due
    from polypward_cli.dates import parse_day
    from polypward_cli.round_page import lines_of, write_page
    from polypward_cli.rounds import plan_round
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import catch_up

    if out is not None and out.suffix.lower() != ".pdf":
        raise BadInputError(f"--out {out}: the page is a PDF; give a name that ends in .pdf")
    with Ward.open(ward) as opened:
        if told := catch_up(opened, "rounds"):
            typer.echo(told, err=True)
        day = parse_day(on) if on else opened.zone_today
        planned = plan_round(opened, on=day)
        now = datetime.now(opened.settings.zone)
        claims = claims_due(opened, now=now) if day == now.date() else []
    if as_json:
        print_json(planned.as_json())
    else:
        for claim in claims:
            typer.echo(claim)
        washed = False
        for line in lines_of(planned):
            if line.text == WASH or (line.level == "head" and not washed):
                typer.echo("")
            washed = line.text == WASH
            mark = {"wash": "-- ", "item": "  ", "note": "  "}.get(line.level, "")
            typer.echo(f"{mark}{line.text}{' --' if line.level == 'wash' else ''}")
    if out is not None:
        left = write_page(planned, out)
        what = f"; {left} lines found no room on it" if left else ""
        typer.echo(f"Written: {out}{what}", err=as_json)
