"""`polypward unpack`: what a bag was like when it was opened."""

from pathlib import Path
from typing import Annotated

import typer

from polypward_cli.commands.options import WARD, ByOption, CsvOption, WardOption
from polypward_cli.terminal import print_json, write_csv

__all__ = ["app"]

app = typer.Typer()


@app.command()
def unpack(
    batch: Annotated[
        str | None, typer.Argument(help="The batch; without one, the sheets are listed.")
    ] = None,
    box: Annotated[str, typer.Option(help="The box or bag; the whole batch if left out.")] = "",
    temp_c: Annotated[float | None, typer.Option(help="Temperature in the bag, °C.")] = None,
    salinity: Annotated[
        float | None, typer.Option(help="Practical salinity in the bag (PSU), about 35.")
    ] = None,
    ph: Annotated[float | None, typer.Option(help="pH in the bag, read at once.")] = None,
    transit_hours: Annotated[
        float | None, typer.Option(help="Hours from packing to opening.")
    ] = None,
    note: Annotated[str, typer.Option(help="Anything else: leaks, cloudy water.")] = "",
    table: Annotated[
        Path | None,
        typer.Option(
            help="Instead, a CSV: batch, box, at, bag_temp_c, bag_salinity, bag_ph, transit_hours, "
            "note, by."
        ),
    ] = None,
    at: Annotated[
        str | None, typer.Option(help="When it was opened: 2026-01-12T10:30; now if left out.")
    ] = None,
    by: ByOption = "",
    undo: Annotated[
        bool, typer.Option("--undo", help="Take the last sheet of it back, or that of --at.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="List the sheets as JSON.")] = False,
    csv: CsvOption = None,
    ward: WardOption = WARD,
) -> None:
    """Keep the unpacking sheet of a bag or box: temperature, salinity, pH, hours in transit.

    The same batch, box and time again corrects it; --undo takes it back. Without a reading, the
    sheets are listed.

    Example:

        polypward unpack B1 --box 3 --temp-c 19.5 --salinity 34 --ph 7.1 --transit-hours 38
    """
    from polypward.errors import BadInputError
    from polypward_cli.life.common import moment, show_cautions, who
    from polypward_cli.life.unpacking import (
        COLUMNS,
        ammonia_words,
        sheet_lines,
        sheets,
        take_sheet_back,
        unpack_table,
    )
    from polypward_cli.life.unpacking import unpack as keep
    from polypward_cli.ward import Ward

    readings = {
        "bag_temp_c": temp_c,
        "bag_salinity": salinity,
        "bag_ph": ph,
        "transit_hours": transit_hours,
    }
    told = any(value is not None for value in readings.values())
    if table is not None and (told or batch):
        raise BadInputError("--table says it all; give it alone")
    if told and not batch:
        raise BadInputError("say which batch: polypward unpack BATCH --temp-c ...")
    if note and not told and table is None:
        raise BadInputError("a note goes with a reading: --temp-c, --salinity, --ph, ...")
    if undo and (told or table is not None or not batch):
        raise BadInputError("--undo takes a batch, --box and --at, nothing else")
    with Ward.open(ward) as opened:
        if undo:
            with opened.working("unpack"):
                when = moment(opened, at) if at else None
                gone = take_sheet_back(opened, batch or "", box=box, at=when, by=who(opened, by))
            typer.echo(f"taken back: {next(sheet_lines([gone]))}")
            return
        if not told and table is None:
            rows = sheets(opened, batch or "")
            if csv is not None:
                write_csv(csv, COLUMNS, rows)
            elif as_json:
                print_json(rows)
            else:
                for line in sheet_lines(rows):
                    typer.echo(line)
            return
        with opened.working("unpack"):
            by = who(opened, by)
            if table is not None:
                counts = unpack_table(opened, table, by=by)
                show_cautions(opened, "intake", by=by)
                typer.echo(", ".join(f"{count} {word}" for word, count in counts.items()) + ".")
                return
            when = moment(opened, at).replace(second=0, microsecond=0)
            done = keep(opened, batch or "", box=box, at=when, by=by, note=note, **readings)
            show_cautions(opened, "intake", by=by)
        mine = _of(sheets(opened, batch or ""), box, when)
        typer.echo(f"{done}: {next(sheet_lines(mine))}")
        typer.echo(f"  {ammonia_words(opened, mine[0])}.")


def _of(rows: list[dict[str, object]], box: str, when: object) -> list[dict[str, object]]:
    from datetime import datetime

    return [
        row
        for row in rows
        if row["box"] == box.strip() and datetime.fromisoformat(str(row["at"])) == when
    ]
