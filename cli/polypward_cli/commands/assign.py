"""`polypward assign`: mends whose a photo is, or when it was taken."""

from pathlib import Path
from typing import Annotated

import typer

from polypward_cli.commands.options import WARD, ByOption, WardOption
from polypward_cli.terminal import print_json

__all__ = ["app"]

app = typer.Typer()


@app.command()
def assign(
    photos: Annotated[
        list[str] | None,
        typer.Argument(help="Photos as in readings.csv: path, file name if unique, or sha256."),
    ] = None,
    to: Annotated[str | None, typer.Option(help="The specimen they show.")] = None,
    new: Annotated[
        bool, typer.Option("--new", help="With --to: a specimen that the register does not know.")
    ] = False,
    drop: Annotated[bool, typer.Option("--drop", help="Take them out of every figure.")] = False,
    shift: Annotated[
        str | None, typer.Option(help="Move their time: HH:MM later, -HH:MM earlier.")
    ] = None,
    undo: Annotated[
        bool, typer.Option("--undo", help="Take back what was said last of each of them.")
    ] = False,
    camera: Annotated[
        str | None, typer.Option(help="Instead of photos: all of this camera, by its name.")
    ] = None,
    place: Annotated[
        str, typer.Option(help="Without photos: list those that wait beside this place only.")
    ] = "",
    kind: Annotated[
        str, typer.Option(help="Without photos: list those that wait beside this kind only.")
    ] = "",
    as_json: Annotated[bool, typer.Option("--json", help="Print that list as JSON.")] = False,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Say whose photos these are, take them out, or shift their time; no photo is measured again.

    Without photos it lists those that nobody has named, beside the last cut-outs of the same place
    and kind: a person picks. What stood before is kept, and --undo brings it back, step by step.

    Example:

        polypward assign IMG_0077.jpg --to LAM-03 --ward ward
    """
    from polypward_cli.assigning import assign_photos, photos_of_camera, undo_assignments
    from polypward_cli.dates import parse_shift
    from polypward_cli.life.common import who
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    asked = (to is not None) + drop + (shift is not None) + undo
    if not asked and not photos and camera is None:
        _list_waiting(ward, place=place, kind=kind, as_json=as_json)
        return
    if asked != 1:
        raise typer.BadParameter("give one of --to, --drop, --shift and --undo")
    if bool(photos) == (camera is not None):
        raise typer.BadParameter("name the photos, or a --camera for all of its photos")
    span = parse_shift(shift) if shift is not None else None
    with Ward.open(ward) as opened, opened.working("assign"):
        named = photos or photos_of_camera(opened, camera or "")
        said_by = who(opened, by)
        lines = (
            undo_assignments(opened, named, by=said_by)
            if undo
            else assign_photos(opened, named, to=to, drop=drop, shift=span, new=new, by=said_by)
        )
        for line in lines:
            typer.echo(line)
        refresh(opened)


def _list_waiting(ward: Path, *, place: str, kind: str, as_json: bool) -> None:
    from polypward_cli.life.waiting import waiting_lines, waiting_photos, write_page
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened:
        found = waiting_photos(opened, place=place, kind=kind)
        if as_json:
            print_json([one.as_json() for one in found])
            return
        for line in waiting_lines(found):
            typer.echo(line)
        page = write_page(opened, found)
        if found:
            typer.echo(f"Side by side: {page.as_posix()}")
