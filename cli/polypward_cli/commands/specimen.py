"""`polypward specimen`: a specimen's life, and lists of them."""

from pathlib import Path
from typing import Annotated

import typer

from polypward_cli.commands import put_under_headings, specimen_life
from polypward_cli.commands.options import WARD, ByOption, JsonOption, NameArgument, WardOption
from polypward_cli.terminal import print_json

__all__ = ["NAME", "app"]

NAME = "specimen"

app = typer.Typer(no_args_is_help=True)


@app.callback()
def specimen() -> None:
    """Look a specimen up, or note what became of it: moved, cut, split, sold, back, lost.

    Example:

        polypward specimen sold LAM-03 --price 180
    """


@app.command()
def show(name: NameArgument, as_json: JsonOption = False, ward: WardOption = WARD) -> None:
    """Show all that is known of a specimen, in the order of time.

    Example:

        polypward specimen show LAM-03 --ward ward
    """
    from polypward_cli.life.show import life_of
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened:
        life = life_of(opened, name)
    if as_json:
        print_json(life.as_json())
    else:
        for line in life.lines():
            typer.echo(line)


@app.command("list")
def list_(
    place: Annotated[str, typer.Option(help="Only those of this place.")] = "",
    kind: Annotated[str, typer.Option(help="Only this kind.")] = "",
    batch: Annotated[str, typer.Option(help="Only this batch.")] = "",
    supplier: Annotated[str, typer.Option(help="Only from this supplier.")] = "",
    state: Annotated[
        str,
        typer.Option(help="held, sold, lost, discarded, moved-out, joined, split, or all."),
    ] = "held",
    as_json: JsonOption = False,
    csv: Annotated[
        Path | None,
        typer.Option(help="Write them as a register, to fill in and take in again."),
    ] = None,
    ward: WardOption = WARD,
) -> None:
    """List the specimens on the tables, or others by --state.

    Example:

        polypward specimen list --place "rack 2" --csv rack2.csv
    """
    from polypward.errors import BadInputError
    from polypward_cli.files import write_text
    from polypward_cli.life.show import Wanted, list_lines, list_specimens, register_csv
    from polypward_cli.ward import Ward

    wanted = Wanted(place=place, kind=kind, batch=batch, supplier=supplier, state=state)
    with Ward.open(ward) as opened:
        rows = list_specimens(opened, wanted)
    if csv is not None:
        if csv.exists():
            raise BadInputError(f"{csv}: is there already, perhaps filled in; name another file")
        write_text(csv, register_csv(rows))
        typer.echo(f"{csv}: {len(rows)} specimens; fill in and: polypward intake {csv}", err=True)
    if as_json:
        print_json(rows)
    elif csv is None:
        for line in list_lines(rows):
            typer.echo(line)


@app.command()
def find(
    place: Annotated[str, typer.Argument(help="A place, or a water system.")],
    since: Annotated[
        str | None,
        typer.Option(help="Not seen since this day; the last round there if left out."),
    ] = None,
    as_json: JsonOption = False,
    ward: WardOption = WARD,
) -> None:
    """List the specimens of a place that the last round did not see: whose tag may be lost.

    Example:

        polypward specimen find "rack 2" --since 2026-01-12
    """
    from polypward_cli.dates import parse_day
    from polypward_cli.life.missing import find_missing
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened:
        missing = find_missing(opened, place, since=parse_day(since) if since else None)
    if as_json:
        print_json(missing.as_json())
    else:
        for line in missing.lines():
            typer.echo(line)


@app.command()
def change(
    name: NameArgument,
    kind: Annotated[str | None, typer.Option(help="Its kind.")] = None,
    batch: Annotated[str | None, typer.Option(help="Its batch.")] = None,
    supplier: Annotated[str | None, typer.Option(help="Who sent it.")] = None,
    box: Annotated[str | None, typer.Option(help="The box or bag it came in.")] = None,
    permit: Annotated[str | None, typer.Option(help="Number of its papers.")] = None,
    cost: Annotated[str | None, typer.Option(help="What this piece cost.")] = None,
    expected_price: Annotated[str | None, typer.Option(help="What it may fetch healed.")] = None,
    as_is_price: Annotated[
        str | None, typer.Option(help="What it would have fetched at unpacking; 0 if given up.")
    ] = None,
    height_mm: Annotated[str | None, typer.Option(help="Height above the card.")] = None,
    arrived_on: Annotated[str | None, typer.Option(help="Day of arrival, 2026-01-12.")] = None,
    unpacked_as: Annotated[
        str | None, typer.Option(help="How it was at unpacking: good, poor or dead.")
    ] = None,
    place: Annotated[str | None, typer.Option(help="Where it was put at first.")] = None,
    water_system: Annotated[str | None, typer.Option(help="The water it was put in.")] = None,
    light: Annotated[str | None, typer.Option(help="The light it was put under.")] = None,
    note: Annotated[str | None, typer.Option(help="Anything else.")] = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Correct or add to what the register says of a specimen; the old value is kept.

    A value of - empties it.

    Example:

        polypward specimen change LAM-03 --as-is-price 30 --permit P-77
    """
    from polypward_cli.life.change import CHANGEABLE
    from polypward_cli.life.change import change as change_it
    from polypward_cli.life.common import who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    given = locals()
    values = {field: given[field] for field in CHANGEABLE}
    with Ward.open(ward) as opened, opened.working("specimen"):
        with opened.db.atomic():
            before, after = change_it(opened, name, values, by=who(opened, by))
        refresh(opened)
    for field in CHANGEABLE:
        old, new = getattr(before, field), getattr(after, field)
        if old != new:
            typer.echo(f"{after.specimen}: {field} {_shown(new)} (was {_shown(old)})")
    if before == after:
        typer.echo(f"{after.specimen}: nothing changed")


app.add_typer(specimen_life.app)


@app.command()
def undo(
    name: NameArgument,
    at: Annotated[
        str | None, typer.Option(help="Not the last one, but that of this minute.")
    ] = None,
    what: Annotated[
        str, typer.Option(help="Instead, another entry noted by hand: look, dip, note ...")
    ] = "",
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Take back the last move, cut, split, sale, loss or return of a specimen; it stays on record.

    A wrong price, day or place is put right so: take it back, then note it again.

    Example:

        polypward specimen undo LAM-03
    """
    from polypward_cli.dates import parse_time
    from polypward_cli.life.common import who
    from polypward_cli.life.undo import undo_last
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    with Ward.open(ward) as opened, opened.working("specimen"):
        when = parse_time(at, zone=opened.settings.zone) if at else None
        event = undo_last(opened, name, by=who(opened, by), at=when, what=what)
        refresh(opened)
        after = opened.specimen(event.specimen)
    assert after is not None
    where = f", {after.place}" if after.place else ""
    typer.echo(f"{event.specimen}: taken back: {event.what} of {event.at:%Y-%m-%d %H:%M}. "
               f"Now {after.state}{where}.")  # fmt: skip


@app.command()
def withdraw(
    names: Annotated[list[str], typer.Argument(help="Specimens that never came.")],
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Take out specimens that were registered by mistake; what was said of them stays on record.

    Only those without photos and entries: of the others say what became of them.

    Example:

        polypward specimen withdraw LAM-09
    """
    from polypward_cli.life.common import who
    from polypward_cli.life.undo import withdraw as take_out
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    with Ward.open(ward) as opened, opened.working("specimen"):
        gone = take_out(opened, names, by=who(opened, by))
        refresh(opened)
    typer.echo(f"Taken out: {' '.join(gone)}")


put_under_headings(
    app,
    {
        "Look up": ("show", "list", "find"),
        "What became of it": (
            *("move", "cut", "split", "join", "sold", "back", "lost", "discarded"),
        ),
        "Put it right": ("change", "undo", "withdraw"),
    },
)


def _shown(value: object) -> str:
    return "nothing" if value in (None, "") else str(value)
