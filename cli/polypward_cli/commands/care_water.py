"""`polypward care water`: tests of water, targets, volumes."""

from typing import Annotated

import typer

from polypward_cli.commands import care_water_tables
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

app = typer.Typer()
water = typer.Typer()
app.add_typer(water, name="water")
water.add_typer(care_water_tables.app)

SystemArgument = Annotated[str, typer.Argument(help="The water system.")]
NewOption = Annotated[bool, typer.Option("--new", help="The water system is a new one.")]
UndoOption = Annotated[bool, typer.Option("--undo", help="Take it back; its row is kept.")]
NumberArgument = Annotated[int, typer.Argument(help="Its number, as the list shows it.")]


@water.callback(invoke_without_command=True)
def water_list(
    ctx: typer.Context,
    system: Annotated[str, typer.Option(help="Only this water system.")] = "",
    on: Annotated[str | None, typer.Option(help="Another day, as 2026-01-12.")] = None,
    ward: WardOption = WARD,
    as_json: JsonOption = False,
) -> None:
    """Show the water of every system: latest tests, their age, trends, what is out of its target.

    "Not tested" is never fine, and a test that is too old says nothing of today.

    Example:

        polypward care water --system main
    """
    if ctx.invoked_subcommand is not None:
        return
    from polypward.errors import BadInputError
    from polypward_cli.dates import parse_day
    from polypward_cli.ward import Ward
    from polypward_cli.water import words
    from polypward_cli.water.systems import (
        system_named,
        systems_of,
        targets_of,
        volume_of_system,
    )
    from polypward_cli.water.testing import states_of

    with Ward.open(ward) as opened:
        names = (system_named(opened, system),) if system else systems_of(opened)
        day = parse_day(on) if on else opened.zone_today
        if not names:
            raise BadInputError(
                "no water system is known yet; the first test names it: "
                "polypward care water log main dkh=8.4 ca=430 --new"
            )
        found = []
        for position, name in enumerate(names):
            states = states_of(opened, name, on=day)
            volume = volume_of_system(opened, name)
            if as_json:
                litres = volume.litres if volume else None
                tests = [words.state_json(state) for state in states]
                found.append({"system": name, "volume_l": litres, "states": tests})
                continue
            if position:
                typer.echo("")
            has_targets = bool(targets_of(opened, name))
            for line in words.system_lines(name, states, volume=volume, targets=has_targets):
                typer.echo(line)
    if as_json:
        told = {"on": day.isoformat(), "systems": found}
        print_json(told)


@water.command("log")
def water_log(
    system: SystemArgument,
    tests: Annotated[
        list[str],
        typer.Argument(
            help='NAME=VALUE: dkh=8.4, ca=430, mg=1300, no3=5, no3-n=1.1, po4=0.03, "po4=<0.02", '
            'po4=nd, temp=25.2, psu=35, sg25/25=1.0264, ph=8.1, "alkalinity=3 meq/L" ...'
        ),
    ],
    kit: Annotated[str, typer.Option(help="The kit or instrument.")] = "",
    kit_expires: Annotated[str | None, typer.Option(help="Its last day, as 2026-08-31.")] = None,
    new: NewOption = False,
    note: NoteOption = "",
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Note tests of a water system, in the unit and basis that the kit shows.

    What could mean two things is asked, never guessed: nitrate as NO3 or NO3-N, specific gravity.
    The first test of a new water system: --new.

    Example:

        polypward care water log main dkh=8.4 ca=430 no3-n=1.1 sg25/25=1.0264 --by Kim
    """
    from zoneinfo import ZoneInfo

    from polypward.errors import BadInputError
    from polypward.water import parameter, read_entries
    from polypward_cli.dates import parse_day
    from polypward_cli.life.common import moment, moment_in, who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.settings import local_zone_name
    from polypward_cli.water import words
    from polypward_cli.water.systems import offer_targets, system_named
    from polypward_cli.water.testing import add_tests, states_of

    if not new and not (ward / "ward.db").exists():
        raise BadInputError(f"{ward}: no ward here; --new makes it, with this water system")
    # All that can be wrong is told before a ward is made.
    read_entries(tests)
    expires = parse_day(kit_expires) if kit_expires else None
    if not (ward / "ward.db").exists():
        moment_in(ZoneInfo(local_zone_name()), at)
    with Ward.open(ward, create=new) as opened, opened.working("care water"):
        name = system_named(opened, system, new=new)
        person = who(opened, by)
        when = moment(opened, at)
        kept = add_tests(
            opened, name, tests, at=when, kit=kit, kit_expires=expires, by=person, note=note
        )
        show_cautions(opened, "water", by=person)
        states = states_of(opened, name, on=when.date())
        offered = offer_targets(opened, name)
    typer.echo(f"{name}, {when:%Y-%m-%d %H:%M}" + (f", {person}" if person else "") + ":")
    for test, is_new in kept:
        known = "" if is_new else "; known already"
        words_of = parameter(test.parameter).words
        typer.echo(f"  {words_of} {test.text()} ({test.entered}{known})")
    logged = {test.parameter for test, _ in kept}
    mine = [state for state in states if state.parameter in logged]
    for state in mine:
        if state.nh3 is not None:
            typer.echo(f"  {state.nh3.text()}")
    for line in words.remark_lines(mine):
        typer.echo(f"  {line}")
    if offered:
        typer.echo("")
        for line in words.offer_lines(name):
            typer.echo(line)


@water.command("amend")
def water_amend(
    number: NumberArgument,
    value: Annotated[str, typer.Argument(help="NAME=VALUE as it should be.")] = "",
    undo: UndoOption = False,
    at: Annotated[str | None, typer.Option(help="The time as it should be.")] = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Correct a test, or take it back; what stood before is kept in the audit.

    Example:

        polypward care water amend 1 dkh=8.1
    """
    from polypward_cli.life.common import moment, who
    from polypward_cli.ward import Ward
    from polypward_cli.water.testing import amend_test, undo_test

    with Ward.open(ward) as opened, opened.working("care water"):
        if undo:
            if value or at:
                raise typer.BadParameter("--undo goes alone")
            test = undo_test(opened, number, by=who(opened, by))
            typer.echo(f"Taken back: {test.system}, {test.parameter} {test.text()}.")
            return
        when = moment(opened, at) if at else None
        before, after = amend_test(opened, number, value=value, at=when, by=who(opened, by))
    typer.echo(
        f"Test {number}, {after.parameter} of {after.system}: {before.text()} at "
        f"{before.at:%Y-%m-%d %H:%M} is now {after.text()} at {after.at:%Y-%m-%d %H:%M}."
    )


@water.command("targets")
def water_targets(
    system: SystemArgument,
    accept: Annotated[
        bool, typer.Option("--accept", help="Take the usual ones where none is set.")
    ] = False,
    limits: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            help="NAME=LOW-HIGH, as dkh=7.5-9.5; up to HIGH without LOW, as no3=-10; may be given "
            "several times.",
        ),
    ] = None,
    aims: Annotated[
        list[str] | None,
        typer.Option(
            "--aim", help="NAME=VALUE that corrections go to; may be given several times."
        ),
    ] = None,
    a_day: Annotated[
        list[str] | None,
        typer.Option(
            "--a-day", help="NAME=VALUE, the largest change a day; may be given several times."
        ),
    ] = None,
    drop: Annotated[
        list[str] | None,
        typer.Option(
            "--drop", help="NAME: no target, and no call to test it; may be given several times."
        ),
    ] = None,
    new: NewOption = False,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Show, accept or set the targets of a water system; they start as not set.

    Example:

        polypward care water targets main --accept --set no3=1-10
    """
    from polypward_cli.life.common import who
    from polypward_cli.ward import Ward
    from polypward_cli.water import words
    from polypward_cli.water.systems import (
        accept_targets,
        drop_targets,
        set_targets,
        system_named,
        targets_of,
    )

    with Ward.open(ward, create=new) as opened:
        name = system_named(opened, system, new=new)
        if accept or limits or aims or a_day or drop:
            with opened.working("care water"):
                person = who(opened, by)
                set_targets(
                    opened, name, limits=limits or [], aims=aims or [], a_day=a_day or [], by=person
                )
                if accept:
                    accept_targets(opened, name, by=person)
                drop_targets(opened, name, drop or [])
        targets = targets_of(opened, name)
    if not targets:
        for line in words.offer_lines(name):
            typer.echo(line)
        return
    typer.echo(f"Targets of {name}:")
    for line in words.target_lines(targets.values()):
        typer.echo(line)


@water.command("volume")
def water_volume(
    system: SystemArgument,
    inside: Annotated[
        str, typer.Option(help="Length x width x depth of the water inside: 120x60x45cm.")
    ] = "",
    rock: Annotated[
        str, typer.Option(help='What rock and sand displace: "20 L", none or unknown.')
    ] = "",
    sump: Annotated[str, typer.Option(help='Water in the sump: "80 L", none or unknown.')] = "",
    measured: Annotated[
        str,
        typer.Option(help='Instead: measured by filling, "430 L", "110 US gal", or unknown.'),
    ] = "",
    new: NewOption = False,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Say how much water there really is; a tank's printed size is not its water. Rounded down.

    Example:

        polypward care water volume main --inside 120x60x45cm --rock "20 L" --sump "25 US gal"
    """
    from polypward.errors import BadInputError
    from polypward.water import measured_volume, says_unknown, volume_of
    from polypward_cli.life.common import who
    from polypward_cli.ward import Ward
    from polypward_cli.water.systems import set_volume, system_named, volume_of_system

    said = [bool(one) for one in (inside, rock, sump)]
    if (measured and any(said)) or (any(said) and not all(said)):
        raise BadInputError(
            "give --inside, --rock and --sump together (none and unknown are answers), "
            "or --measured alone"
        )
    found = None
    if measured and not says_unknown(measured):
        found = measured_volume(measured)
    elif all(said):
        found = volume_of(inside=inside, rock=rock, sump=sump)
    with Ward.open(ward, create=new) as opened:
        name = system_named(opened, system, new=new)
        if measured or all(said):
            with opened.working("care water"):
                set_volume(opened, name, found, by=who(opened, by))
        volume = volume_of_system(opened, name)
    told = f"{volume.litres:g} L ({volume.how}; rounded down)" if volume else "not known: no dose"
    typer.echo(f"{name}: {told}")
