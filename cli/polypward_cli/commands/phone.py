"""`polypward phone`: the page for a phone at the tables."""

from typing import Annotated

import typer

from polypward_cli.commands.options import WARD, WardOption

__all__ = ["app"]

app = typer.Typer()


@app.command()
def phone(
    ward: WardOption = WARD,
    share: Annotated[
        bool, typer.Option("--share", help="Let phones in the local network in, by a pairing code.")
    ] = False,
    address: Annotated[
        str | None, typer.Option(help="With --share: this computer's address in that network.")
    ] = None,
    port: Annotated[int, typer.Option(min=1024, max=65535, help="The port.")] = 8765,
    forget: Annotated[
        bool, typer.Option("--forget", help="Phones that were paired before must pair again.")
    ] = False,
) -> None:
    """Serve a page for the phone: photos, today's round, the daily look, care, settings.

    Without --share only this computer can open it. Share it in a network of your own people: who
    listens in that network can read what passes. Ctrl+C ends it.

    Example:

        polypward phone --ward ward --share
    """
    import sys

    from polypward.errors import BadInputError
    from polypward_cli.phone.serve import (
        lan_address,
        link,
        make_phone,
        open_door,
        serve,
        spelled,
    )

    if address and not share:
        raise BadInputError("--address is for --share; without it only this computer is let in")
    host = (address or lan_address()) if share else "127.0.0.1"

    def show(code: str) -> None:
        typer.echo(f"Pairing code: {spelled(code)}", err=True)

    made = make_phone(ward, port=port, show_code=show, forget=forget)
    door = open_door("0.0.0.0" if share and not address else host, port)
    if share:
        typer.echo(f"The page: {link(host, port)}")
        if sys.stdout.isatty():
            import segno

            typer.echo("Point the phone's camera here:")
            segno.make(link(host, port, made.pairing.code), error="m").terminal(compact=True)
    else:
        typer.echo(f"On this computer: {link(host, port, made.pairing.code)}")
        typer.echo("To let phones in: --share")
    show(made.pairing.code)
    typer.echo("Never charge a phone at the tables. Ctrl+C ends the page.")
    serve(made, door, names=(host,))
