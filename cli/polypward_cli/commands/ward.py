"""`polypward ward`: the upkeep of a ward's folder."""

from pathlib import Path
from typing import Annotated

import typer

from polypward_cli.commands.options import WARD, WardOption

__all__ = ["NAME", "app"]

NAME = "ward"

app = typer.Typer(no_args_is_help=True)

# Exit status of a check that found a fault.
FAULTS = 1


@app.callback()
def ward_group() -> None:
    """Check a ward, keep it in one file, and bring it back.

    Example:

        polypward ward backup --to /media/disk/ward-monday.zip
    """


@app.command()
def check(
    write_tables: Annotated[
        bool, typer.Option("--write-tables", help="Write readings.csv and scores.csv anew first.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the findings as JSON.")] = False,
    ward: WardOption = WARD,
) -> None:
    """Look for damage: the ledger, photos without a cut-out, tables that were not written.

    Nothing is changed without --write-tables. Exits with 1 if there is a fault.

    Example:

        polypward ward check --ward ward
    """
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh
    from polypward_cli.ward.upkeep import DAMAGED, check_ward, count_rows
    from polypward_cli.ward.upkeep import as_json as findings_json

    with Ward.open(ward) as opened:
        if write_tables:
            with opened.working("ward check"):
                refresh(opened)
        findings = check_ward(opened)
        counts = {} if findings and findings[0].what == DAMAGED else count_rows(opened)
    if as_json:
        typer.echo(findings_json(findings))
    else:
        if counts:
            told = ", ".join(f"{name} {count}" for name, count in counts.items())
            typer.echo(f"{ward}: {told}.")
        for finding in findings:
            for line in finding.lines():
                typer.echo(line)
        if not findings:
            typer.echo("All is well.")
    if any(finding.harm for finding in findings):
        raise typer.Exit(FAULTS)


@app.command()
def backup(
    to: Annotated[
        Path | None,
        typer.Option(help="The zip file to write; beside the ward, dated, if left out."),
    ] = None,
    ward: WardOption = WARD,
) -> None:
    """Write the whole ward into one file, and read it back to be sure.

    The report, its small pictures and charts are left out: they are made from the rest. Your photos
    are not in a ward: keep them too.

    Example:

        polypward ward backup --to /media/disk/ward-monday.zip
    """
    from polypward_cli.ward import Ward
    from polypward_cli.ward.backup import back_up, default_name

    with Ward.open(ward) as opened, opened.working("ward backup", only_reads=True):
        done = back_up(opened, to or default_name(opened))
    typer.echo(f"{done.path}: {done.files} files, {done.size / 1e6:.1f} MB, read back and whole.")
    typer.echo("Keep a copy on another disk. Photos outside the ward are not in it.")


@app.command()
def restore(
    archive: Annotated[Path, typer.Argument(help="A file that polypward ward backup wrote.")],
    ward: WardOption = WARD,
) -> None:
    """Bring a ward back from a backup into a new folder; every file is checked.

    Example:

        polypward ward restore /media/disk/ward-monday.zip --ward ward-again
    """
    from polypward_cli.ward import Ward
    from polypward_cli.ward.backup import restore as bring_back
    from polypward_cli.ward.upkeep import check_ward

    done = bring_back(archive, ward)
    with Ward.open(ward) as opened:
        findings = check_ward(opened)
    typer.echo(f"{done.path}: {done.files} files as they were on {done.made_at}.")
    for finding in findings:
        for line in finding.lines():
            typer.echo(line)
    typer.echo(f"The report is not in it: polypward report --ward {ward}")
