"""`polypward course`: a specimen through time, and what a person says of it."""

from typing import Annotated

import typer

from polypward_cli.commands.options import (
    WARD,
    AtOption,
    ByOption,
    JsonOption,
    NameArgument,
    WardOption,
)
from polypward_cli.terminal import print_json

__all__ = ["NAME", "app"]

NAME = "course"

app = typer.Typer(no_args_is_help=True)


@app.callback()
def course() -> None:
    """Look at a specimen through time; start a new baseline; say that a flag is known.

    Example:

        polypward course show LAM-03
    """


@app.command()
def show(
    name: NameArgument,
    visits: Annotated[
        bool, typer.Option("--visits", help="Each visit too, and its marks.")
    ] = False,
    as_json: JsonOption = False,
    ward: WardOption = WARD,
) -> None:
    """Show condition, recovery, trends, flags with their evidence and dates, and the advice.

    With --visits also each visit: its figures, how open the polyps were, and why its colour was not
    compared (handled shortly before, another hour, another light).

    Example:

        polypward course show LAM-03 --visits --ward ward
    """
    import json

    from polypward_cli.course_words import as_json as values_of
    from polypward_cli.course_words import told_course, told_visits
    from polypward_cli.life.common import named
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import course_of

    with Ward.open(ward) as opened:
        found = course_of(opened, named(opened, name))
    if as_json:
        typer.echo(json.dumps(values_of(found), indent=1, ensure_ascii=False, default=str))
        return
    for line in told_course(found):
        typer.echo(line)
    for line in told_visits(found) if visits else ():
        typer.echo(line)


@app.command()
def repeat(as_json: JsonOption = False, ward: WardOption = WARD) -> None:
    """Show for each measure the smallest change between two visits that is not noise.

    From the ward's own repeat photos and visits: 1.96 times the root of 2 times their standard
    deviation (Bland & Altman 1996, BMJ 313:744).

    Example:

        polypward course repeat --ward ward
    """
    from polypward.course import pool_sd
    from polypward_cli.course_words import repeat_rows, told_repeat
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened:
        readings = [one for one in opened.readings() if one.specimen]
        pooled = pool_sd(readings, zone=opened.settings.zone)
        settings = opened.settings.course_settings()
    if as_json:
        print_json(repeat_rows(pooled, settings))
        return
    typer.echo("Smallest change between two visits that can be told from noise:")
    for line in told_repeat(pooled, settings):
        typer.echo(line)


@app.command()
def edge(
    name: NameArgument,
    last: Annotated[int, typer.Option(min=1, help="How many of the newest steps.")] = 4,
    as_json: JsonOption = False,
    ward: WardOption = WARD,
) -> None:
    """Show how far the live edge moved between visits, mm a week, on the rigid skeleton.

    Not available where the skeleton of two visits cannot be laid over each other, or where only one
    tissue map shows a patch that comes or goes. What is worked out is kept for the report.

    Example:

        polypward course edge LAM-03 --last 2
    """
    from polypward_cli.edges import edge_steps
    from polypward_cli.life.common import named
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened, opened.working("course"):
        steps = edge_steps(opened, named(opened, name).specimen, last=last)
    if as_json:
        print_json([step.as_json() for step in steps])
        return
    if not steps:
        typer.echo("not available before two visits with a cut-out")
    for step in steps:
        typer.echo(step.words())


@app.command()
def baseline(
    name: NameArgument,
    reason: Annotated[str, typer.Option(help="Why; it is kept in the ward.")],
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Start a new baseline: the first visit from then on begins it, in every chart.

    A cut or a split does so by itself, and a move after one last comparison with the old one.

    Example:

        polypward course baseline LAM-03 --reason "dead branch taken off" --at 2026-01-12
    """
    from polypward_cli.course_notes import start_baseline
    from polypward_cli.life.common import moment, who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    with Ward.open(ward) as opened, opened.working("course"):
        event = start_baseline(
            opened, name, reason=reason, at=moment(opened, at), by=who(opened, by)
        )
        refresh(opened)
    typer.echo(
        f"{event.specimen}: a new baseline begins at the first visit from {event.at:%Y-%m-%d}."
    )


@app.command()
def acknowledge(
    name: NameArgument,
    flag: Annotated[str, typer.Argument(help="The flag; all of them if left out.")] = "",
    reason: Annotated[str, typer.Option(help="Why; it is kept in the ward.")] = "",
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Say that a flag is known: it clears, and further loss raises it anew.

    Example:

        polypward course acknowledge LAM-03 recession --reason "cut back, healing"
    """
    from polypward_cli.course_notes import acknowledge as note
    from polypward_cli.life.common import moment, who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    with Ward.open(ward) as opened, opened.working("course"):
        event = note(
            opened, name, flag=flag, reason=reason, at=moment(opened, at), by=who(opened, by)
        )
        refresh(opened)
        standing = [one["name"] for one in opened.summaries()[event.specimen]["flags"]]
    left = f"still standing: {', '.join(standing)}" if standing else "no flag stands"
    typer.echo(f"{event.specimen}: {flag or 'every flag'} acknowledged; {left}.")


@app.command()
def reference(
    kind: Annotated[str, typer.Argument(help="The kind.")],
    of: Annotated[
        list[str], typer.Option(help="A healthy specimen of it; may be given several times.")
    ],
    reason: Annotated[str, typer.Option(help="Why these; it is kept in the ward.")] = "",
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Take the colour of healthy specimens as the reference of their kind.

    The paling of every specimen of that kind is then counted from it.

    Example:

        polypward course reference "button coral" --of LAM-03 --of LAM-07
    """
    from polypward_cli.course_notes import name_kind_colour
    from polypward_cli.life.common import moment, who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    with Ward.open(ward) as opened, opened.working("course"):
        light, red, yellow = name_kind_colour(
            opened, kind, of, reason=reason, at=moment(opened, at), by=who(opened, by)
        )
        refresh(opened)
    typer.echo(
        f"{kind}: the reference is L {light:.0f}, a {red:.0f}, b {yellow:.0f} from {', '.join(of)}."
    )
