"""`polypward care treat` and `change`: dips, treatments without a dose of ours, water changes."""

from datetime import timedelta
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
def treat(
    where: WhereArgument,
    agent: Annotated[str, typer.Option(help="The product, as its label calls it.")] = "",
    course: Annotated[
        bool, typer.Option("--course", help="Not a bath: goes on until --done.")
    ] = False,
    done: Annotated[bool, typer.Option("--done", help="End the treatment that goes on.")] = False,
    substance: Annotated[str, typer.Option(help="Its active substance.")] = "",
    lot: Annotated[str, typer.Option(help="Its lot number.")] = "",
    concentration: Annotated[
        str, typer.Option(help="As the label or veterinarian says, with its unit.")
    ] = "",
    source: Annotated[str, typer.Option(help="Who says so: label or veterinarian.")] = "",
    prescriber: Annotated[str, typer.Option(help="The veterinarian's name.")] = "",
    bath_l: Annotated[float | None, typer.Option(help="Volume of the bath, litres.")] = None,
    bath_minutes: Annotated[float | None, typer.Option(help="Minutes in the bath.")] = None,
    temperature_c: Annotated[
        float | None, typer.Option(help="Temperature of the bath, degrees Celsius.")
    ] = None,
    disposal: Annotated[str, typer.Option(help="Where the bath water went.")] = "",
    wait: Annotated[bool, typer.Option("--wait", help="Count the bath's minutes down.")] = False,
    without: WithoutOption = None,
    cost: CostOption = None,
    work_minutes: WorkOption = None,
    again: AgainOption = False,
    note: NoteOption = "",
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
    as_json: JsonOption = False,
) -> None:
    """Note a dip, or a treatment that goes on until --done; whoever had one lately is named first.

    polypward knows no dose of any medicine or dip: the label or a veterinarian says it.

    Example:

        polypward care treat LAM-03 --agent "the dip" --bath-l 4 --bath-minutes 10 --wait
    """
    from polypward.errors import BadInputError
    from polypward_cli.caring.lists import flat
    from polypward_cli.caring.scope import scope_of
    from polypward_cli.caring.treating import BATH_OVER, end_treatment
    from polypward_cli.caring.treating import treat as keep
    from polypward_cli.life.common import moment, who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    if course and (done or bath_minutes is not None):
        raise BadInputError("--course is a treatment that goes on: without --done, --bath-minutes")
    with Ward.open(ward) as opened, opened.working("care"):
        person = who(opened, by)
        scope = scope_of(opened, where, without=without or [])
        when = moment(opened, at)
        remarks: list[str] = []
        if done:
            rows = end_treatment(opened, scope.specimens, at=when, agent=agent, by=person)
        else:
            row, remarks = keep(
                opened,
                scope,
                at=when,
                agent=agent,
                by=person,
                how="course" if course else "dip",
                substance=substance,
                lot=lot,
                concentration=concentration,
                source=source,
                prescriber=prescriber,
                bath_l=bath_l,
                bath_minutes=bath_minutes,
                temperature_c=temperature_c,
                disposal=disposal,
                cost=cost,
                work_minutes=work_minutes,
                note=note,
                again=again,
            )
            rows = [row]
            show_cautions(opened, "treat", by=person)
        refresh(opened)
    if as_json:
        told = [flat("treatment", row) | {"remarks": remarks} for row in rows]
        print_json(told)
    else:
        for row in rows:
            did = "ended" if done else "begun" if course else "dip"
            names = ", ".join(row["places"] or row["specimens"])
            typer.echo(f"treatment:{row['id']}  {names}: {row['agent']}, {did} {when:%H:%M}")
        for remark in remarks:
            typer.echo(remark)
    if wait and bath_minutes is not None and not done:
        ring_at(when + timedelta(minutes=bath_minutes), f"{scope.words}: {BATH_OVER}")


@app.command()
def change(
    system: Annotated[str, typer.Argument(help="The water system.")],
    litres: Annotated[float | None, typer.Option(help="Litres of new water.")] = None,
    percent: Annotated[float | None, typer.Option(help="Per cent of the real volume.")] = None,
    cost: CostOption = None,
    work_minutes: WorkOption = None,
    note: NoteOption = "",
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Note a water change; it stands in the history of every specimen in that water.

    Example:

        polypward care change main --litres 60 --percent 15
    """
    from polypward_cli.caring.changing import change_water
    from polypward_cli.life.common import moment, who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    with Ward.open(ward) as opened, opened.working("care"):
        person = who(opened, by)
        row = change_water(
            opened,
            system,
            at=moment(opened, at),
            litres=litres,
            percent=percent,
            by=person,
            cost=cost,
            work_minutes=work_minutes,
            note=note,
        )
        show_cautions(opened, "water", by=person)
        refresh(opened)
    count = len(row["specimens"])
    whom = "1 specimen" if count == 1 else f"{count} specimens"
    typer.echo(f"change:{row['id']}  {row['water_system']}: {whom}")
