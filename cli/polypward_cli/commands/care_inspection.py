"""`polypward care inspect` and `place`: pests and signs, and how places stand."""

from typing import TYPE_CHECKING, Annotated

import typer

from polypward_cli.commands.options import (
    WARD,
    AtOption,
    ByOption,
    JsonOption,
    NoteOption,
    WardOption,
    WhereArgument,
    WorkOption,
    show_cautions,
)
from polypward_cli.terminal import print_json

if TYPE_CHECKING:
    from polypward.care import Shared

__all__ = ["app"]

app = typer.Typer()


@app.command()
def inspect(
    where: WhereArgument,
    found: Annotated[
        list[str] | None,
        typer.Option(help="A pest or sign of the ward's list; may be given several times."),
    ] = None,
    clean: Annotated[bool, typer.Option("--clean", help="Looked closely, found nothing.")] = False,
    treated: Annotated[str, typer.Option(help="What was done about it.")] = "",
    again_on: Annotated[str | None, typer.Option(help="The day to look again.")] = None,
    work_minutes: WorkOption = None,
    note: NoteOption = "",
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
    as_json: JsonOption = False,
) -> None:
    """Note a close look for pests and signs at places or specimens.

    The list begins with flatworm, snail, egg mass, boring sponge, nuisance anemone, brown slime
    and slough; `polypward care place --sign` adds to it.

    Example:

        polypward care inspect "rack 2" --found flatworm --again-on 2026-01-19
    """
    from polypward_cli.caring.inspecting import inspect as keep
    from polypward_cli.caring.lists import flat
    from polypward_cli.caring.places import place_views, water_mates
    from polypward_cli.caring.scope import scope_of
    from polypward_cli.dates import parse_day
    from polypward_cli.life.common import moment, who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    with Ward.open(ward) as opened, opened.working("care"):
        person = who(opened, by)
        scope = scope_of(opened, where)
        row = keep(
            opened,
            scope,
            at=moment(opened, at),
            found=found or [],
            clean=clean,
            treated=treated,
            again_on=parse_day(again_on) if again_on else None,
            by=person,
            work_minutes=work_minutes,
            note=note,
        )
        show_cautions(opened, "inspect", by=person)
        refresh(opened)
        mates = water_mates(opened, scope.specimens) if row["found"] else ()
        homes = {one.place for one in opened.specimens() if one.specimen in scope.specimens}
        views = [view for view in place_views(opened, on=row["at"].date()) if view.place in homes]
    if as_json:
        told = flat("inspection", row) | {"shared_water": [one.specimen for one in mates]}
        print_json(told)
        return
    said = ", ".join(row["found"]) or "nothing found"
    typer.echo(f"inspection:{row['id']}  {scope.words}: {said}")
    if not row["found"]:
        return
    for view in views:
        state = f"stands at {view.standing.state}" if view.standing else "nobody said how it stands"
        if view.standing is None or view.standing.state != "quarantine":
            typer.echo(
                f"{view.place}: {state}; to change it: "
                f'polypward care place "{view.place}" --state quarantine'
            )
    _print_mates(mates)


@app.command()
def place(
    name: Annotated[str | None, typer.Argument(help="A place; without it all are listed.")] = None,
    state: Annotated[
        str | None, typer.Option(help="How it stands from now on: clean, watch, quarantine.")
    ] = None,
    days: Annotated[
        int | None,
        typer.Option(help="Days of quarantine; quarantine_days of ward.toml if left out."),
    ] = None,
    reason: Annotated[str, typer.Option(help="Why; asked for when it leaves too early.")] = "",
    sign: Annotated[
        list[str] | None,
        typer.Option(help="Add a pest or sign to the ward's list; may be given several times."),
    ] = None,
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
    as_json: JsonOption = False,
) -> None:
    """Show how places stand, or set it: clean, watch or quarantine.

    A place leaves quarantine after its days and two clean inspections on different days; else a
    reason is asked. A newcomer starts the days anew.

    Example:

        polypward care place "rack 2" --state quarantine --days 21
    """
    from polypward.errors import BadInputError
    from polypward_cli.caring.inspecting import add_sign
    from polypward_cli.caring.lists import in_words
    from polypward_cli.caring.places import place_views, set_standing, water_mates
    from polypward_cli.life.common import moment, who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    if name is None and (state or reason or days is not None):
        raise BadInputError("name the place: polypward care place NAME --state ...")
    with Ward.open(ward) as opened:
        for text in sign or []:
            with opened.working("care"):
                typer.echo(f"on the list: {add_sign(opened, text)}")
        if sign and name is None:
            return
        if name is not None and state is not None:
            with opened.working("care"):
                view = set_standing(
                    opened,
                    name,
                    state.casefold(),
                    at=moment(opened, at),
                    days=days,
                    by=who(opened, by),
                    reason=reason,
                )
                refresh(opened)
            name = view.place
        views = place_views(opened, on=opened.zone_today)
        if name is not None:
            key = " ".join(name.split()).casefold()
            views = [view for view in views if view.place.casefold() == key]
            if not views:
                raise BadInputError(f'"{name}" is no place of this ward: polypward care place')
        mates = water_mates(opened, views[0].members) if name is not None else ()
    rows = [view.as_json() for view in views]
    if as_json:
        extra = {"shared_water": [one.specimen for one in mates]} if name is not None else {}
        print_json([row | extra for row in rows])
        return
    if not rows:
        typer.echo("No places yet: a place is what a register or a move names.")
    for row in rows:
        typer.echo(in_words("places", row))
    _print_mates(mates)


def _print_mates(mates: "tuple[Shared, ...]") -> None:
    if not mates:
        return
    typer.echo("Shared the water since arrival:")
    for one in mates:
        places = f" ({', '.join(one.places)})" if one.places else ""
        since = one.since.isoformat() if one.since else "not known when"
        until = f" to {one.until}" if one.until else ", still"
        typer.echo(f"  {one.specimen}{places}, {one.water}: from {since}{until}")
