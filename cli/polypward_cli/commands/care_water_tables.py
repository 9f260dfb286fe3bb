"""`polypward care water import`, `export` and `units`: tests as tables, and the table of units."""

from pathlib import Path
from typing import Annotated

import typer

from polypward_cli.commands.options import WARD, JsonOption, WardOption
from polypward_cli.terminal import print_json

__all__ = ["app"]

app = typer.Typer()


@app.command("import")
def water_import(
    table: Annotated[
        Path,
        typer.Argument(help="CSV: system, at, what, value, unit, kit, kit_expires, by, note."),
    ],
    new: Annotated[bool, typer.Option("--new", help="Take in new water systems too.")] = False,
    ward: WardOption = WARD,
) -> None:
    """Take in a table of tests; a faulty row stops it whole, and twice adds nothing.

    Example:

        polypward care water import tests.csv --new
    """
    from polypward_cli.ward import Ward
    from polypward_cli.water.testing import import_tests

    with Ward.open(ward, create=new) as opened, opened.working("care water"):
        fresh, known, unknown = import_tests(opened, table, new_systems=new)
    typer.echo(f"{fresh} new, {known} known already.")
    for column in unknown:
        typer.echo(f'{table}: the column "{column}" was not used.', err=True)


@app.command("export")
def water_export(
    out: Annotated[Path, typer.Argument(help="The CSV to write.")],
    system: Annotated[str, typer.Option(help="Only this water system.")] = "",
    ward: WardOption = WARD,
) -> None:
    """Write the tests as a table, in one unit for each parameter.

    Example:

        polypward care water export tests.csv
    """
    from polypward_cli.ward import Ward
    from polypward_cli.water.systems import system_named
    from polypward_cli.water.testing import export_tests

    with Ward.open(ward) as opened:
        name = system_named(opened, system) if system else None
        count = export_tests(opened, out, system=name)
    typer.echo(f"{count} tests: {out}")


@app.command("units")
def water_units(
    what: Annotated[str, typer.Argument(help="Only of this parameter: nitrate, no3 ...")] = "",
    as_json: JsonOption = False,
) -> None:
    """Show every unit that tests may be written in: its factor and where it comes from.

    Example:

        polypward care water units nitrate
    """
    from polypward.units import CANONICAL, units
    from polypward.water import parameter, parameter_of

    keys = (parameter_of(what),) if what else tuple(CANONICAL)
    if as_json:
        print_json(
            [
                {"parameter": key, "unit": one.name, "factor": one.factor, "offset": one.offset}
                | {"to": CANONICAL[key], "source": one.source}
                for key in keys
                for one in units(key).values()
            ]
        )
        return
    for key in keys:
        typer.echo(f"{parameter(key).words}, kept in {CANONICAL[key] or 'no unit'}")
        for one in units(key).values():
            offset = f" {one.offset:+.6g}" if one.offset else ""
            name = one.name or "no unit"
            typer.echo(f"  {name:<14} x {one.factor:<10.6g}{offset}  ({one.source})")
