"""`polypward specimen`: a specimen's life, and lists of them."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from datetime import datetime

    from polypward.records import CareEvent
    from polypward_cli.ward import Ward

__all__ = ["NAME", "app"]

NAME = "specimen"

app = typer.Typer(no_args_is_help=True)

WardOption = Annotated[Path, typer.Option(help="The ward's folder.")]
AtOption = Annotated[
    str | None, typer.Option(help="When: 2026-01-12T10:30, or a day; now if left out.")
]
ByOption = Annotated[str, typer.Option(help="Who did it; the ward's owner if left out.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print it as JSON.")]
NameArgument = Annotated[str, typer.Argument(help="The specimen.")]
HERE = Path("ward")
# The tasks that cautions go by.
_TASKS = {"move": "move", "cut": "cut", "split": "cut", "sold": "sell", "discarded": "discard"}


@app.callback()
def specimen() -> None:
    """Look a specimen up, or note what became of it: moved, cut, split, sold, back, lost.

    Example:

        polypward specimen sold LAM-03 --price 180
    """


@app.command()
def show(name: NameArgument, as_json: JsonOption = False, ward: WardOption = HERE) -> None:
    """Show all that is known of a specimen, in the order of time.

    Example:

        polypward specimen show LAM-03 --ward ward
    """
    import json

    from polypward_cli.life.show import life_of
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened:
        life = life_of(opened, name)
    if as_json:
        typer.echo(json.dumps(life.as_json(), indent=1, ensure_ascii=False))
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
    ward: WardOption = HERE,
) -> None:
    """List the specimens on the tables, or others by --state.

    Example:

        polypward specimen list --place "rack 2" --csv rack2.csv
    """
    import json

    from polypward_cli.files import write_text
    from polypward_cli.life.show import Wanted, list_lines, list_specimens, register_csv
    from polypward_cli.ward import Ward

    wanted = Wanted(place=place, kind=kind, batch=batch, supplier=supplier, state=state)
    with Ward.open(ward) as opened:
        rows = list_specimens(opened, wanted)
    if csv is not None:
        write_text(csv, register_csv(rows))
        typer.echo(f"{csv}: {len(rows)} specimens; fill in and: polypward intake {csv}", err=True)
    if as_json:
        typer.echo(json.dumps(rows, indent=1, ensure_ascii=False))
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
    ward: WardOption = HERE,
) -> None:
    """List the specimens of a place that the last round did not see: whose tag may be lost.

    Example:

        polypward specimen find "rack 2" --since 2026-01-12
    """
    import json

    from polypward_cli.dates import parse_day
    from polypward_cli.life.missing import find_missing
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened:
        missing = find_missing(opened, place, since=parse_day(since) if since else None)
    if as_json:
        typer.echo(json.dumps(missing.as_json(), indent=1, ensure_ascii=False))
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
    ward: WardOption = HERE,
) -> None:
    """Correct or add to what the register says of a specimen; the old value is kept. - empties.

    Example:

        polypward specimen change LAM-03 --as-is-price 30 --permit P-77
    """
    from polypward_cli.life.change import CHANGEABLE
    from polypward_cli.life.change import change as change_it
    from polypward_cli.life.common import who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.courses import refresh

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


@app.command()
def move(
    name: NameArgument,
    to: Annotated[str, typer.Option(help="The place it stands at now.")] = "",
    water_system: Annotated[str, typer.Option(help="The water it is in now.")] = "",
    light: Annotated[str, typer.Option(help="The light it is under now.")] = "",
    out: Annotated[str, typer.Option(help="Moved out of this ward: where to.")] = "",
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = HERE,
) -> None:
    """Note that a specimen stands elsewhere, in other water, under other light, or left.

    Example:

        polypward specimen move LAM-03 --to "rack 2" --light dim
    """
    from polypward.errors import BadInputError
    from polypward_cli.life import entries

    def note(opened: "Ward", when: "datetime", by: str) -> "CareEvent":
        if not out:
            return entries.move(
                opened, name, place=to, water_system=water_system, light=light, at=when, by=by
            )
        if to or water_system or light:
            raise BadInputError("--out says it left; give it alone")
        return entries.enter(opened, name, "moved-out", at=when, by=by, detail={"to": out})

    _note(ward, at, by, note)


@app.command()
def cut(
    name: NameArgument,
    why: Annotated[str, typer.Option(help="What was cut away, and why.")] = "",
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = HERE,
) -> None:
    """Note that part of a specimen was cut away: a new baseline begins, and no loss is flagged.

    Example:

        polypward specimen cut LAM-03 --why "dead edge"
    """
    from polypward_cli.life.entries import enter

    _note(ward, at, by, lambda w, when, by: enter(w, name, "cut", at=when, by=by,
                                                  detail={"why": why}))  # fmt: skip


@app.command()
def split(
    name: NameArgument,
    into: Annotated[list[str] | None, typer.Option(help="Name of a piece; once for each.")] = None,
    pieces: Annotated[
        int | None, typer.Option(help="Or their number: that many ids are made.")
    ] = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="The rest lives on under its old name.")
    ] = False,
    share: Annotated[
        list[float] | None,
        typer.Option(help="Share of the cost of each piece, in order; equal if left out."),
    ] = None,
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = HERE,
) -> None:
    """Note that a specimen was split; its pieces keep batch and permit and share its cost.

    Example:

        polypward specimen split LAM-03 --into LAM-03A --into LAM-03B --share 2 --share 1
    """
    from polypward_cli.life import entries

    def note(opened: "Ward", when: "datetime", by: str) -> "CareEvent":
        return entries.split(
            opened,
            name,
            into=into or [],
            pieces=pieces,
            keep=keep,
            shares=share or [],
            at=when,
            by=by,
        )

    _note(ward, at, by, note)


@app.command()
def join(
    name: NameArgument,
    to: Annotated[str, typer.Option(help="The specimen that it became part of.")],
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = HERE,
) -> None:
    """Note that a specimen was joined to another, which takes over its cost.

    Example:

        polypward specimen join LAM-03B --to LAM-03A
    """
    from polypward_cli.life import entries

    _note(ward, at, by, lambda w, when, by: entries.join(w, name, to=to, at=when, by=by)[0])


@app.command()
def sold(
    name: NameArgument,
    price: Annotated[float | None, typer.Option(help="What it fetched.")] = None,
    as_is: Annotated[
        float | None, typer.Option(help="What it would have fetched at unpacking as it was.")
    ] = None,
    note: Annotated[str, typer.Option(help="Anything else; no names of buyers.")] = "",
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = HERE,
) -> None:
    """Note a sale: for survival it is known to have lived until then, no longer.

    Example:

        polypward specimen sold LAM-03 --price 180 --as-is 30
    """
    from polypward_cli.life.entries import sell

    _note(ward, at, by, lambda w, when, by: sell(w, name, price=price, as_is=as_is, note=note,
                                                 at=when, by=by))  # fmt: skip


@app.command()
def back(
    name: NameArgument,
    why: Annotated[str, typer.Option(help="Why it is back, or where it was found.")] = "",
    refund: Annotated[float | None, typer.Option(min=0, help="What was paid back.")] = None,
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = HERE,
) -> None:
    """Note that a specimen is here again: brought back, or found after all.

    Example:

        polypward specimen back LAM-03 --why "buyer's tank leaked" --refund 180
    """
    from polypward_cli.life.entries import enter

    paid = None if refund is None else f"{refund:.2f}"
    _note(ward, at, by, lambda w, when, by: enter(w, name, "returned", at=when, by=by,
                                                  detail={"why": why, "refund": paid}))  # fmt: skip


@app.command()
def lost(
    name: NameArgument,
    cause: Annotated[str, typer.Option(help="What it died of, if you know.")] = "",
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = HERE,
) -> None:
    """Note that a specimen died.

    Example:

        polypward specimen lost LAM-03 --cause "tissue gone overnight"
    """
    from polypward_cli.life.entries import enter

    _note(ward, at, by, lambda w, when, by: enter(w, name, "lost", at=when, by=by,
                                                  detail={"cause": cause}))  # fmt: skip


@app.command()
def discarded(
    name: NameArgument,
    cause: Annotated[str, typer.Option(help="Why.")] = "",
    sure: Annotated[
        bool, typer.Option("--sure", help="Without two looks that say dead, a day apart.")
    ] = False,
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = HERE,
) -> None:
    """Note that a specimen was thrown away; a shrunken one is looked at twice before.

    Example:

        polypward specimen discarded LAM-03 --cause "bare skeleton"
    """
    from polypward_cli.life.entries import discard

    _note(ward, at, by, lambda w, when, by: discard(w, name, cause=cause, sure=sure,
                                                    at=when, by=by))  # fmt: skip


@app.command()
def undo(name: NameArgument, by: ByOption = "", ward: WardOption = HERE) -> None:
    """Take back the last move, cut, split, sale, loss or return of a specimen; it stays on record.

    Example:

        polypward specimen undo LAM-03
    """
    from polypward_cli.life.common import who
    from polypward_cli.life.undo import undo_last
    from polypward_cli.ward import Ward
    from polypward_cli.ward.courses import refresh

    with Ward.open(ward) as opened, opened.working("specimen"):
        event = undo_last(opened, name, by=who(opened, by))
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
    ward: WardOption = HERE,
) -> None:
    """Take out specimens that were registered by mistake; what was said of them stays on record.

    Only those without photos and entries: of the others say what became of them.

    Example:

        polypward specimen withdraw KU7J JR43
    """
    from polypward_cli.life.common import who
    from polypward_cli.life.undo import withdraw as take_out
    from polypward_cli.ward import Ward
    from polypward_cli.ward.courses import refresh

    with Ward.open(ward) as opened, opened.working("specimen"):
        gone = take_out(opened, names, by=who(opened, by))
        refresh(opened)
    typer.echo(f"Taken out: {' '.join(gone)}")


def _note(
    ward: Path,
    at: str | None,
    by: str,
    make: "Callable[[Ward, datetime, str], CareEvent]",
) -> None:
    """Make an entry, bring the figures up to date and say what was noted."""
    from polypward_cli.life.common import moment, show_cautions, who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.courses import refresh

    with Ward.open(ward) as opened, opened.working("specimen"):
        when, by = moment(opened, at), who(opened, by)
        with opened.db.atomic():
            event = make(opened, when, by)
        if event.what in _TASKS:
            show_cautions(opened, _TASKS[event.what], by=by)
        refresh(opened)
        after = opened.specimen(event.specimen)
        pieces = [
            one
            for name in event.detail.get("children", "").split()
            if (one := opened.specimen(name))
        ]
    assert after is not None
    told = "; ".join(f"{key} {value}" for key, value in event.detail.items())
    said = f"{event.specimen}: {event.what}, {event.at:%Y-%m-%d %H:%M}" + (told and f", {told}")
    typer.echo(f"{said}. Now {after.state}.")
    for one in pieces:
        cost = "not known" if one.cost is None else f"{one.cost:.2f}"
        typer.echo(f"  {one.specimen}  cost {cost}")


def _shown(value: object) -> str:
    return "nothing" if value in (None, "") else str(value)
