"""`polypward care dose`: what to give to the water, and what was given."""

from typing import Annotated

import typer

from polypward_cli.commands.care_water import NumberArgument, SystemArgument, UndoOption
from polypward_cli.commands.options import (
    WARD,
    AtOption,
    ByOption,
    JsonOption,
    NoteOption,
    WardOption,
    show_cautions,
)
from polypward_cli.terminal import print_json

__all__ = ["app"]

# An amount like "-4 g" is a wrong amount, no option.
NEGATIVE = {"ignore_unknown_options": True}

app = typer.Typer()
dose = typer.Typer()
app.add_typer(dose, name="dose")


@dose.callback(invoke_without_command=True)
def dose_list(
    ctx: typer.Context,
    system: Annotated[str, typer.Option(help="Only this water system.")] = "",
    days: Annotated[int, typer.Option(min=1, max=3660, help="How many days back.")] = 14,
    ward: WardOption = WARD,
    as_json: JsonOption = False,
) -> None:
    """Show what was given to the water lately: when, what, how much, by whom.

    Example:

        polypward care dose --system main
    """
    if ctx.invoked_subcommand is not None:
        return
    from datetime import timedelta

    from polypward_cli.ward import Ward
    from polypward_cli.water.dosing import doses_of
    from polypward_cli.water.systems import system_named
    from polypward_cli.water.words import dose_json

    with Ward.open(ward) as opened:
        name = system_named(opened, system) if system else None
        first = opened.zone_today - timedelta(days=days)
        zone = opened.settings.zone
        found = [one for one in doses_of(opened, name) if one.at.date() >= first]
    if as_json:
        told = [dose_json(one) for one in found]
        print_json(told)
        return
    if not found:
        typer.echo(f"No dose in {days} days.")
    for one in found:
        note = f"; {one.note}" if one.note else ""
        typer.echo(f"{one.id:>4}  {one.system}: {one.text(zone)}{note}")


@dose.command("plan")
def dose_plan(
    system: SystemArgument,
    what: Annotated[
        str,
        typer.Argument(
            help='alkalinity, calcium, magnesium, salinity, temperature, or an additive ("amino").'
        ),
    ],
    to: Annotated[str, typer.Option(help="The aim; the target's if left out.")] = "",
    compound: Annotated[
        str, typer.Option(help='By name or formula: "sodium bicarbonate", CaCl2.2H2O ...')
    ] = "",
    purity: Annotated[str, typer.Option(help="Per cent, from the label of the compound.")] = "",
    label: Annotated[
        str,
        typer.Option(
            help='A product\'s label, which wins: "5 mL per 100 L", or "10 mL per 100 L raises '
            'alkalinity 0.3 dKH".'
        ),
    ] = "",
    mixed: Annotated[str, typer.Option(help="Salinity of the water that goes in, PSU.")] = "",
    again: Annotated[
        bool, typer.Option("--again", help="Although another substance was given today.")
    ] = False,
    ward: WardOption = WARD,
    as_json: JsonOption = False,
) -> None:
    """Work out a dose from the last test and the measured volume, split over days.

    It stops where a test is missing, old or surprising, where temperature or salinity comes first,
    and where a dose was given today.

    Example:

        polypward care dose plan main alkalinity --compound "sodium bicarbonate" --purity 99
    """
    from polypward_cli.life.common import moment
    from polypward_cli.ward import Ward
    from polypward_cli.water.planning import Wish, make_plan
    from polypward_cli.water.systems import system_named
    from polypward_cli.water.words import plan_json, plan_lines, wish_name

    wish = Wish(
        what=what, to=to, compound=compound, purity=purity, label=label, mixed=mixed, again=again
    )
    with Ward.open(ward) as opened:
        name = system_named(opened, system)
        plan = make_plan(opened, name, wish, at=moment(opened, None))
    if as_json:
        told = plan_json(name, wish_name(what), plan)
        print_json(told)
        return
    for line in plan_lines(name, wish_name(what), plan):
        typer.echo(line)


@dose.command("log", context_settings=NEGATIVE)
def dose_log(
    system: SystemArgument,
    what: Annotated[
        str,
        typer.Argument(
            help='The compound, "calcium: NAME OF THE PRODUCT", or an additive such as amino.'
        ),
    ],
    amount: Annotated[str, typer.Argument(help='How much went in: "12 g", "5 mL".')],
    again: Annotated[
        bool, typer.Option("--again", help="It was given although another was, or will be.")
    ] = False,
    note: NoteOption = "",
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Note what was given to the water; a dose of today stops it and says who gave it when.

    Example:

        polypward care dose log main "sodium bicarbonate" "12 g" --by Kim
    """
    from polypward.facts import load_facts
    from polypward.water import parameter, shown
    from polypward_cli.life.common import moment, who
    from polypward_cli.ward import Ward
    from polypward_cli.water.dosing import add_dose
    from polypward_cli.water.effects import effect_of
    from polypward_cli.water.systems import system_named

    with Ward.open(ward) as opened, opened.working("care dose"):
        name = system_named(opened, system)
        person = who(opened, by)
        given, passed = add_dose(
            opened,
            name,
            what,
            amount,
            at=moment(opened, at),
            by=person,
            again=again,
            note=note,
        )
        show_cautions(opened, "dose", by=person)
        zone = opened.settings.zone
        effect = effect_of(opened, given)
    typer.echo(f"{name}: {given.text(zone)}")
    for one in passed:
        typer.echo(f"  Noted all the same; {one}", err=True)
    if not given.raises and given.what not in load_facts("additives"):
        told = f'"alkalinity: {given.what}"'
        typer.echo(
            "  Kept as an additive. If it raises alkalinity or calcium, take it back "
            f"(care dose amend {given.id} --undo) and note {told}."
        )
    if given.raises:
        words = parameter(given.raises).words
        if effect is not None:
            told = f"{words} by about {shown(given.raises, effect.change)} ({effect.formula})"
            typer.echo(f"  It should raise {told}.")
            if effect.over:
                typer.echo(
                    f"  With it, today's doses are over a day's change: is the amount right? If "
                    f"not: polypward care dose amend {given.id} AMOUNT. If it is: test {words} and "
                    "watch the animals.",
                    err=True,
                )
        typer.echo(f"  Test {words} before the next portion (the round asks for it tomorrow).")


@dose.command("amend", context_settings=NEGATIVE)
def dose_amend(
    number: NumberArgument,
    amount: Annotated[str, typer.Argument(help="The amount as it should be.")] = "",
    undo: UndoOption = False,
    at: Annotated[str | None, typer.Option(help="The time as it should be.")] = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Correct a dose, or take it back; what stood before is kept in the audit.

    Example:

        polypward care dose amend 1 "11 g"
    """
    from polypward_cli.life.common import moment, who
    from polypward_cli.ward import Ward
    from polypward_cli.water.dosing import amend_dose, undo_dose

    with Ward.open(ward) as opened, opened.working("care dose"):
        zone = opened.settings.zone
        if undo:
            if amount or at:
                raise typer.BadParameter("--undo goes alone")
            gone = undo_dose(opened, number, by=who(opened, by))
            typer.echo(f"Taken back: {gone.system}: {gone.text(zone)}.")
            return
        when = moment(opened, at) if at else None
        before, after = amend_dose(opened, number, amount=amount, at=when, by=who(opened, by))
    typer.echo(f"{after.system}: {before.text(zone)} is now {after.text(zone)}.")
