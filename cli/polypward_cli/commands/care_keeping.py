"""`polypward care list`, `tick`, `amend` and `cautions`: what was noted, and putting it right."""

from datetime import datetime, time
from pathlib import Path
from typing import Annotated

import typer

from polypward_cli.commands.options import (
    WARD,
    AtOption,
    ByOption,
    JsonOption,
    WardOption,
    ring_at,
)
from polypward_cli.terminal import print_json

__all__ = ["app"]

app = typer.Typer()


@app.command("list")
def list_(
    what: Annotated[
        str,
        typer.Argument(
            help="feedings, treatments, inspections, changes, mixes, foods, places, ticks, signs."
        ),
    ],
    where: Annotated[str, typer.Option(help="Only of this place, specimen or mix.")] = "",
    since: Annotated[str | None, typer.Option(help="Only from this day on.")] = None,
    csv: Annotated[Path | None, typer.Option(help="Write it to this CSV file.")] = None,
    ward: WardOption = WARD,
    as_json: JsonOption = False,
) -> None:
    """List what was noted of care.

    Example:

        polypward care list feedings --since 2026-01-12
    """
    from polypward_cli.caring.lists import as_csv, as_rows, in_words
    from polypward_cli.dates import parse_day
    from polypward_cli.files import write_text
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened:
        start = datetime.combine(parse_day(since), time(), opened.settings.zone) if since else None
        rows = as_rows(opened, what, since=start, where=where)
    if csv is not None:
        write_text(csv, as_csv(rows))
        typer.echo(f"{csv}: {len(rows)} rows")
    elif as_json:
        print_json(rows)
    else:
        typer.echo("\n".join(in_words(what, row) for row in rows) or f"No {what} yet.")


@app.command()
def tick(
    what: Annotated[
        str | None, typer.Argument(help="A number, feeding:12, or all; left out: what is open.")
    ] = None,
    disposal: Annotated[str, typer.Option(help="Where bath water went.")] = "",
    wait: Annotated[
        bool, typer.Option("--wait", help="Count down to the first that is open, then ring.")
    ] = False,
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Tick off what ends a feeding or a bath: cover off and flow on, left-over food out.

    Example:

        polypward care tick feeding:1
    """
    from polypward.errors import BadInputError
    from polypward_cli.caring.lists import as_rows, in_words
    from polypward_cli.caring.ticks import open_ticks, tick_off
    from polypward_cli.life.common import moment, who
    from polypward_cli.ward import Ward

    if wait and what is not None:
        raise BadInputError("--wait goes alone: it waits for the first that is open")
    with Ward.open(ward) as opened:
        if what is None:
            rows = as_rows(opened, "ticks")
            typer.echo("\n".join(in_words("ticks", row) for row in rows) or "Nothing to tick.")
            waiting = open_ticks(opened)[:1] if wait else []
    if what is None:
        for one in waiting:
            ring_at(one.due, f"{one.where}: {one.what}")
        return
    with Ward.open(ward) as opened, opened.working("care"):
        done = tick_off(opened, what, at=moment(opened, at), by=who(opened, by), disposal=disposal)
    for one in done:
        typer.echo(f"[x] {one.what}, {one.where}")


@app.command()
def amend(
    entry: Annotated[
        str, typer.Argument(help="feeding:12, treatment:3, inspection:5, change:4, mix:2.")
    ],
    setting: Annotated[
        list[str] | None, typer.Option("--set", help="name=value; may be given several times.")
    ] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Take the whole entry back.")] = False,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Correct an entry of care, or take it back; the old values stay in the audit.

    Example:

        polypward care amend treatment:1 --set lot=A17 --set bath_l=4
    """
    from polypward.errors import BadInputError
    from polypward_cli.caring.amending import amend as correct
    from polypward_cli.caring.entries import parse_about, take_back
    from polypward_cli.life.common import who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    if undo == bool(setting):
        raise BadInputError("say what to correct, --set name=value, or --undo; one of them")
    with Ward.open(ward) as opened, opened.working("care"):
        person = who(opened, by)
        if undo:
            kind, number = parse_about(entry)
            take_back(opened, kind, number, by=person)
            told = [f"{kind}:{number} taken back"]
        else:
            before, after = correct(opened, entry, setting or [], by=person)
            told = [
                f"{name}: {_told(before[name])} -> {_told(after[name])}"
                for name in after
                if before[name] != after[name]
            ] or ["nothing changed"]
        refresh(opened)
    typer.echo("\n".join(told))


@app.command()
def cautions(
    task: Annotated[str | None, typer.Argument(help="Only those of this task.")] = None,
    again: Annotated[
        bool, typer.Option("--again", help="Show them once more from now on.")
    ] = False,
    ward: WardOption = WARD,
    as_json: JsonOption = False,
) -> None:
    """Show all cautions with their tasks, and who has seen which.

    Example:

        polypward care cautions treat
    """
    from textwrap import fill

    from polypward.care import NOTE, cautions_of, every_caution
    from polypward_cli.caring.cautions import seen, show_again
    from polypward_cli.ward import Ward

    shown = cautions_of(task) if task else tuple(every_caution().values())
    people: dict[str, list[str]] = {}
    if ward.exists() or again:
        with Ward.open(ward) as opened:
            if again:
                with opened.working("care"):
                    show_again(opened, task or "")
            for key, of, who, at in seen(opened):
                people.setdefault(key, []).append(f"{who or 'somebody'} {at[:10]} ({of})")
    if as_json:
        told = [
            {"key": c.key, "title": c.title, "text": c.text, "tasks": c.tasks, "note": NOTE}
            | {"seen": people.get(c.key, [])}
            for c in shown
        ]
        print_json(told)
        return
    for one in shown:
        typer.echo(fill(f"{one.title}: {one.text}", 96, subsequent_indent="  "))
        by = "; ".join(people.get(one.key, ["not yet"]))
        typer.echo(fill(f"  for {', '.join(one.tasks)}; seen: {by}", 96, subsequent_indent="  "))
    typer.echo(f"({NOTE})")


def _told(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d %H:%M}"
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value or "empty")
