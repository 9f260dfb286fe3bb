"""`polypward rounds`: what to photograph, look at and do today."""

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["app"]

app = typer.Typer()


@app.command()
def rounds(
    ward: Annotated[Path, typer.Option(help="The ward's folder.")] = Path("ward"),
    on: Annotated[str | None, typer.Option(help="Another day, as 2026-01-12.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the round as JSON.")] = False,
) -> None:
    """Show what to photograph, look at and do today: urgent things first, then by place.

    Example:

        polypward rounds --ward ward --on 2026-01-12
    """
    import json
    from itertools import groupby

    from polypward_cli.dates import parse_day
    from polypward_cli.rounds import plan_round
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened:
        day = parse_day(on) if on else opened.zone_today
        stops = plan_round(opened, on=day)
    if as_json:
        what = {"on": day.isoformat(), "stops": [stop.as_json() for stop in stops]}
        typer.echo(json.dumps(what, indent=1, ensure_ascii=False))
        return
    typer.echo(f"Round of {day}: {len(stops)} to do." if stops else f"Round of {day}: nothing due.")
    for heading, group in groupby(
        stops, key=lambda stop: "urgent" if stop.kind == "urgent" else stop.place or "no place"
    ):
        typer.echo("")
        typer.echo("Urgent, today" if heading == "urgent" else heading)
        for stop in group:
            days = "1 day" if stop.late_days == 1 else f"{stop.late_days} days"
            late = f", {days} late" if stop.late_days > 0 else ""
            where = f" ({stop.place})" if stop.kind == "urgent" and stop.place else ""
            kind = "see to it" if stop.kind == "urgent" else stop.kind
            typer.echo(f"  [ ] {stop.specimen}{where}  {kind}{late}: {stop.why}")
