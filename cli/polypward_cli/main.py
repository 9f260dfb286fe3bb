"""The polypward command: joins the commands, and turns errors into one line."""

from typing import Annotated

import typer

from polypward import __version__
from polypward.errors import PolypwardError
from polypward_cli.commands import add_commands
from polypward_cli.terminal import plain

__all__ = ["app"]

FIRST_STEPS = (
    ("print a card", "polypward card --out card"),
    ("unpack a box", "polypward intake REGISTER.csv"),
    ("take in photos", "polypward score FOLDER"),
    ("today", "polypward rounds"),
    ("open the report", "polypward report --open"),
)


class _Desk(typer.core.TyperGroup):
    """The group of commands; a PolypwardError becomes a line on stderr and exit status 2."""

    def invoke(self, ctx: typer.Context) -> object:  # type: ignore[override]
        """Run the command that was asked for."""
        try:
            return super().invoke(ctx)
        except PolypwardError as error:
            typer.echo(f"polypward: {plain(str(error))}", err=True)
            raise typer.Exit(2) from error
        except BrokenPipeError:
            raise
        except OSError as error:
            where = f"{error.filename}: " if error.filename else ""
            typer.echo(f"polypward: {where}{error.strerror or error}", err=True)
            raise typer.Exit(2) from error
        except Exception as error:
            if type(error).__module__ != "sqlite3":
                raise
            typer.echo(f"polypward: the ward's ledger cannot be used: {error}", err=True)
            if "readonly" in str(error):
                typer.echo("It is read-only here. Nothing was noted.", err=True)
            if "locked" in str(error):
                typer.echo(
                    "Another program, perhaps a synchronisation or a backup, holds it. What was "
                    "not finished is not kept; try again in a moment.",
                    err=True,
                )
            raise typer.Exit(2) from error


app = typer.Typer(
    cls=_Desk,
    no_args_is_help=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _show_version(asked: bool) -> None:
    if asked:
        typer.echo(f"polypward {__version__}")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def desk(
    ctx: typer.Context,
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Nurse imported large-polyp corals by the numbers: photos, a printed card, a ward.

    Example:

        polypward score photos/ --ward ward
    """
    if ctx.invoked_subcommand is None:
        width = max(len(what) for what, _ in FIRST_STEPS)
        for what, command in FIRST_STEPS:
            typer.echo(f"{what:<{width}}  {command}")


add_commands(app)
