"""What becomes of a specimen: moved, cut, split, joined, sold, back, lost, discarded."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from polypward_cli.commands.options import WARD, AtOption, ByOption, NameArgument, WardOption

if TYPE_CHECKING:
    from datetime import datetime

    from polypward.records import CareEvent
    from polypward_cli.ward import Ward

__all__ = ["app"]

app = typer.Typer()

# The tasks that cautions go by.
_TASKS = {"move": "move", "cut": "cut", "split": "cut", "sold": "sell", "discarded": "discard"}


@app.command()
def move(
    name: NameArgument,
    to: Annotated[str, typer.Option(help="The place it stands at now.")] = "",
    water_system: Annotated[str, typer.Option(help="The water it is in now.")] = "",
    light: Annotated[str, typer.Option(help="The light it is under now.")] = "",
    out: Annotated[str, typer.Option(help="Moved out of this ward: where to.")] = "",
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
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
    ward: WardOption = WARD,
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
    into: Annotated[
        list[str] | None, typer.Option(help="Name of a piece; given once for each.")
    ] = None,
    pieces: Annotated[
        int | None, typer.Option(help="Or their number: that many ids are made.")
    ] = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="The rest lives on under its old name.")
    ] = False,
    share: Annotated[
        list[float] | None,
        typer.Option(
            help="Share of the cost, given once for each piece in order; equal if left out."
        ),
    ] = None,
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
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
    ward: WardOption = WARD,
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
    price: Annotated[str | None, typer.Option(help="What it fetched.")] = None,
    as_is: Annotated[
        str | None, typer.Option(help="What it would have fetched at unpacking as it was.")
    ] = None,
    note: Annotated[str, typer.Option(help="Anything else; no names of buyers.")] = "",
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Note a sale: for survival it is known to have lived until then, no longer.

    Example:

        polypward specimen sold LAM-03 --price 180 --as-is 30
    """
    from polypward_cli.amounts import amount_of
    from polypward_cli.life.entries import sell

    money = {"price": price, "as_is": as_is}
    told = {
        key: None if text is None else amount_of(text, f"--{key.replace('_', '-')}")
        for key, text in money.items()
    }
    _note(ward, at, by, lambda w, when, by: sell(w, name, note=note, at=when, by=by, **told))


@app.command()
def back(
    name: NameArgument,
    why: Annotated[str, typer.Option(help="Why it is back, or where it was found.")] = "",
    refund: Annotated[str | None, typer.Option(help="What was paid back.")] = None,
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Note that a specimen is here again: brought back, or found after all.

    Example:

        polypward specimen back LAM-03 --why "buyer's tank leaked" --refund 180
    """
    from polypward_cli.amounts import amount_of
    from polypward_cli.life.entries import enter

    paid = None if refund is None else f"{amount_of(refund, '--refund'):.2f}"
    _note(ward, at, by, lambda w, when, by: enter(w, name, "returned", at=when, by=by,
                                                  detail={"why": why, "refund": paid}))  # fmt: skip


@app.command()
def lost(
    name: NameArgument,
    cause: Annotated[str, typer.Option(help="What it died of, if you know.")] = "",
    at: AtOption = None,
    by: ByOption = "",
    ward: WardOption = WARD,
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
    ward: WardOption = WARD,
) -> None:
    """Note that a specimen was thrown away; a shrunken one is looked at twice before.

    Example:

        polypward specimen discarded LAM-03 --cause "bare skeleton"
    """
    from polypward_cli.life.entries import discard

    _note(ward, at, by, lambda w, when, by: discard(w, name, cause=cause, sure=sure,
                                                    at=when, by=by))  # fmt: skip


def _note(
    ward: Path,
    at: str | None,
    by: str,
    make: "Callable[[Ward, datetime, str], CareEvent]",
) -> None:
    """Make an entry, bring the figures up to date and say what was noted."""
    from polypward_cli.labels.worn import tags_worn
    from polypward_cli.life.common import moment, show_cautions, who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    with Ward.open(ward) as opened, opened.working("specimen"):
        when, by = moment(opened, at), who(opened, by)
        with opened.db.atomic():
            event = make(opened, when, by)
        if event.what in _TASKS:
            show_cautions(opened, _TASKS[event.what], by=by)
        refresh(opened)
        after = opened.specimen(event.specimen)
        tags = [one for one in tags_worn(opened, specimen=event.specimen) if one.until is None]
        pieces = [
            one
            for name in event.detail.get("children", "").split()
            if (one := opened.specimen(name))
        ]
    assert after is not None
    told = "; ".join(f"{key.replace('_', ' ')} {value}" for key, value in event.detail.items())
    said = f"{event.specimen}: {event.what}, {event.at:%Y-%m-%d %H:%M}" + (told and f", {told}")
    typer.echo(f"{said}. Now {after.state}.")
    if after.state != "held":
        for worn in tags:
            number = worn.tag[1:]
            typer.echo(f"It wears tag {number}; once it is off: polypward labels take {number}")
    for one in pieces:
        cost = "not known" if one.cost is None else f"{one.cost:.2f}"
        typer.echo(f"  {one.specimen}  cost {cost}")
