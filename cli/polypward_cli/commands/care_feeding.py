"""`polypward care feed`, `ate`, `food` and `mix`: food, and how it was taken."""

from typing import Annotated

import typer

from polypward_cli.commands.options import (
    WARD,
    AgainOption,
    AtOption,
    ByOption,
    CostOption,
    JsonOption,
    NoteOption,
    WardOption,
    WhereArgument,
    WithoutOption,
    WorkOption,
    ring_at,
    show_cautions,
)
from polypward_cli.terminal import print_json

__all__ = ["app"]

app = typer.Typer()


@app.command()
def feed(
    where: WhereArgument,
    mix: Annotated[str, typer.Option(help="The mix that was fed.")] = "",
    portions: Annotated[float | None, typer.Option(help="Portions of the mix in all.")] = None,
    food: Annotated[str, typer.Option(help="Instead of a mix, one food of the list.")] = "",
    quantity: Annotated[
        float | None, typer.Option(help="How much of the food in all, in its unit.")
    ] = None,
    amount: Annotated[
        str, typer.Option(help="light, usual or heavy; after heavy the colour of photos waits.")
    ] = "usual",
    response: Annotated[
        list[str] | None,
        typer.Option(
            help="took, part, refused or spat, of all; or NAME=WORD of one; may be given several "
            "times."
        ),
    ] = None,
    without: WithoutOption = None,
    cover_minutes: Annotated[
        float | None, typer.Option(help="Minutes under a cover, with the flow off.")
    ] = None,
    wait: Annotated[bool, typer.Option("--wait", help="Count the cover's minutes down.")] = False,
    left_over_out: Annotated[
        bool, typer.Option("--left-over-out", help="Left-over food is out, or there was none.")
    ] = False,
    cost: CostOption = None,
    work_minutes: WorkOption = None,
    again: AgainOption = False,
    note: NoteOption = "",
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
    as_json: JsonOption = False,
) -> None:
    """Note a feeding of places or specimens; whoever was fed today already is named first.

    Example:

        polypward care feed "rack 2" --mix mash --portions 2 --response took --cover-minutes 20
    """
    from polypward.care import RESPONSES
    from polypward_cli.caring.feeding import feed as keep
    from polypward_cli.caring.feeding import parse_responses
    from polypward_cli.caring.lists import flat
    from polypward_cli.caring.scope import scope_of
    from polypward_cli.life.common import moment, who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    with Ward.open(ward) as opened, opened.working("care"):
        person = who(opened, by)
        scope = scope_of(opened, where, without=without or [])
        row, remarks = keep(
            opened,
            scope,
            at=moment(opened, at),
            by=person,
            mix=mix,
            portions=portions,
            food=food,
            quantity=quantity,
            amount=amount,
            responses=parse_responses(response or [], scope),
            cover_minutes=cover_minutes,
            left_over_out=left_over_out,
            cost=cost,
            work_minutes=work_minutes,
            note=note,
            again=again,
        )
        show_cautions(opened, "feed", by=person)
        refresh(opened)
    if as_json:
        told = flat("feeding", row) | {"remarks": remarks}
        print_json(told)
    else:
        worth = "" if row["cost"] is None else f", cost {row['cost']:.2f}"
        typer.echo(f"feeding:{row['id']}  {scope.words}: {row['food']}{worth}")
        for remark in remarks:
            typer.echo(remark)
        if len(row["responses"]) < len(scope.specimens):
            typer.echo(f"How they took it: polypward care ate NAME {'|'.join(RESPONSES)}")
    if wait and cover_minutes is not None:
        from datetime import timedelta

        from polypward_cli.caring.feeding import COVER_OFF

        ring_at(row["at"] + timedelta(minutes=cover_minutes), f"{scope.words}: {COVER_OFF}")


@app.command()
def ate(
    specimen: Annotated[list[str], typer.Argument(help="Specimens (or places), then the word.")],
    entry: Annotated[
        str, typer.Option(help="Of this feeding, as feeding:12; their last one if left out.")
    ] = "",
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Note how specimens took their last feeding: took, part, refused or spat.

    Two refusals in a row show in the round.

    Example:

        polypward care ate LAM-03 LAM-07 refused
    """
    from polypward.errors import BadInputError
    from polypward_cli.caring.entries import number_of
    from polypward_cli.caring.feeding import answer
    from polypward_cli.caring.scope import scope_of
    from polypward_cli.life.common import moment, who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    *names, response = specimen
    if not names:
        raise BadInputError("name the specimens, then how they took it: LAM-03 refused")
    with Ward.open(ward) as opened, opened.working("care"):
        scope = scope_of(opened, names)
        done = answer(
            opened,
            scope.specimens,
            response.casefold(),
            at=moment(opened, at),
            number=number_of("feeding", entry) if entry else None,
            by=who(opened, by),
        )
        refresh(opened)
    for name, row in done:
        typer.echo(f"{name}: {response.casefold()}, {row['food']} of {row['at']:%Y-%m-%d %H:%M}")


@app.command()
def food(
    name: Annotated[str, typer.Argument(help="The food, in your own words.")],
    unit: Annotated[str, typer.Option(help="What it is counted in: g, mL, piece.")] = "",
    price: Annotated[
        float | None, typer.Option(help="Price of one unit, in the ward's money.")
    ] = None,
    note: NoteOption = "",
    ward: WardOption = WARD,
) -> None:
    """Put a food on the ward's own list, or change its unit or price.

    Example:

        polypward care food krill --unit g --price 0.04
    """
    from polypward_cli.caring.food import save_food
    from polypward_cli.caring.lists import in_words
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened, opened.working("care"):
        row = save_food(opened, name, unit=unit, price=price, note=note)
    typer.echo(in_words("foods", row))


@app.command()
def mix(
    name: Annotated[str, typer.Argument(help="The mix; its last recipe is used again.")],
    portions: Annotated[float, typer.Option(help="How many portions it makes.")],
    use_by: Annotated[str, typer.Option(help="Until when it may be fed: 2026-01-19, or a time.")],
    part: Annotated[
        list[str] | None,
        typer.Option(
            help="A food of the list and how much, as krill=30; may be given several times."
        ),
    ] = None,
    made_at: Annotated[str | None, typer.Option(help="When it was made; now if left out.")] = None,
    note: NoteOption = "",
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Note a freshly made mix: its recipe, portions, use-by time and the cost of a portion.

    Example:

        polypward care mix mash --part krill=30 --part nori=2 --portions 12 --use-by 2026-01-19
    """
    from polypward_cli.caring.food import make_mix, parse_parts
    from polypward_cli.dates import parse_time
    from polypward_cli.life.common import moment, who
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened, opened.working("care"):
        person = who(opened, by)
        until = parse_time(use_by, zone=opened.settings.zone).astimezone(opened.settings.zone)
        if len(use_by.strip()) == len("2026-01-19"):  # a day means its end
            until = until.replace(hour=23, minute=59)
        lot, remarks = make_mix(
            opened,
            name,
            parts=parse_parts(opened, part or []),
            portions=portions,
            made_at=moment(opened, made_at),
            use_by=until,
            by=person,
            note=note,
        )
        show_cautions(opened, "mix", by=person)
    recipe = ", ".join(f"{food} {quantity:g}" for food, quantity in lot["parts"])
    worth = lot["portion_cost"]
    money = "" if worth is None else f", {worth:.2f} a portion"
    typer.echo(
        f"mix:{lot['id']}  {lot['mix']} ({recipe}): {portions:g} portions, use by "
        f"{lot['use_by']:%Y-%m-%d %H:%M}{money}"
    )
    for remark in remarks:
        typer.echo(remark)
