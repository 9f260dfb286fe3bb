"""`polypward care`: what was done to a specimen, or seen on it without a photo."""

from pathlib import Path
from typing import Annotated

import typer

from polypward_cli.commands import (
    care_dose,
    care_feeding,
    care_inspection,
    care_keeping,
    care_treatment,
    care_water,
    put_under_headings,
)
from polypward_cli.commands.options import WARD, AtOption, ByOption, WardOption

__all__ = ["NAME", "app"]

NAME = "care"

app = typer.Typer(no_args_is_help=True)
by_hand = typer.Typer()


@app.callback()
def care() -> None:
    """Food, water, doses, treatments, pests and quarantine: note it, see what is due, list it.

    Example:

        polypward care feed "rack 2" --mix mash --portions 2
    """


@by_hand.command()
def log(
    specimen: Annotated[str, typer.Argument(help="The specimen.")],
    what: Annotated[
        str,
        typer.Argument(
            help="move, dip, cut, feeding, treatment, quarantine, look, acknowledge, split, "
            "sold, lost, discarded, returned, note or a word of your own."
        ),
    ],
    at: AtOption = None,
    detail: Annotated[
        list[str] | None, typer.Option(help="name=value; may be given several times.")
    ] = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Note one thing done to or seen on a specimen.

    Example:

        polypward care log LAM-03 move --detail to="rack 2" --by Kim
    """
    from polypward_cli.care import event_of
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    with Ward.open(ward) as opened, opened.working("care"):
        event = event_of(
            opened, specimen, what, at=at, details=detail or [], by=by or opened.settings.owner
        )
        new = opened.add_care(event)
        if new:
            refresh(opened)
    when = event.at.isoformat(timespec="minutes")
    typer.echo(f"{event.specimen}: {event.what}, {when}" + ("" if new else " (known already)"))


@by_hand.command("import")
def import_(
    table: Annotated[Path, typer.Argument(help="CSV: specimen, at, what, detail, by.")],
    ward: WardOption = WARD,
) -> None:
    """Take in a table of care; the detail is name=value, several parted by semicolons.

    A faulty row stops the whole table, and the same table taken twice adds nothing.

    Example:

        polypward care import care.csv --ward ward
    """
    from polypward_cli.care import read_care
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    with Ward.open(ward) as opened, opened.working("care"):
        events = read_care(opened, table)
        with opened.db.atomic():
            new = sum(opened.add_care(event) for event in events)
        if new:
            refresh(opened)
    typer.echo(f"{new} new, {len(events) - new} known already.")


for part in (
    care_feeding,
    care_water,
    care_dose,
    care_treatment,
    care_inspection,
    care_keeping,
):
    app.add_typer(part.app)
app.add_typer(by_hand)
put_under_headings(
    app,
    {
        "Every day": ("feed", "ate", "tick", "water", "dose"),
        "When it is due or needed": ("change", "treat", "inspect", "place", "mix", "food"),
        "Lists and mending": ("list", "amend", "cautions", "log", "import"),
    },
)
