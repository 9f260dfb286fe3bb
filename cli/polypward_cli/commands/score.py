"""`polypward score`: a folder of photos becomes figures."""

from pathlib import Path
from typing import Annotated

import typer

from polypward_cli.terminal import print_json

__all__ = ["app"]

app = typer.Typer()


@app.command()
def score(
    folder: Annotated[Path, typer.Argument(help="The folder of photos, with its subfolders.")],
    ward: Annotated[Path, typer.Option(help="The ward's folder; made on first use.")] = Path(
        "ward"
    ),
    manifest: Annotated[
        Path | None,
        typer.Option(
            help="CSV of what you know of single photos: photo (path below FOLDER), specimen, "
            "taken_at, height_mm, water_mm, lamp, mm_per_px, view, open, photographer."
        ),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(
            min=1, help="Photos measured at a time; chosen for this computer if left out."
        ),
    ] = None,
    scheduler: Annotated[
        str, typer.Option(help="Measure on other computers: address of a dask scheduler.")
    ] = "",
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit with 3 if any photo was rejected.")
    ] = False,
    height_mm: Annotated[
        float | None,
        typer.Option(min=-500, max=1000, help="Height of the specimens above the card, mm."),
    ] = None,
    water_mm: Annotated[
        float | None,
        typer.Option(
            min=0, max=2000, help="Depth of water above the card, mm, where the camera is in air."
        ),
    ] = None,
    lamp: Annotated[
        str | None, typer.Option(help="The lamp, in your own words; without it that of ward.toml.")
    ] = None,
    mm_per_px: Annotated[
        float | None,
        typer.Option(
            min=1e-4, max=10, help="Measure without a card, by this scale: mm in a pixel."
        ),
    ] = None,
    outline: Annotated[
        Path | None,
        typer.Option(help="JSON with an outline, mm, of a specimen or photo by its name."),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the closing list as JSON.")
    ] = False,
) -> None:
    """Measure the photos of a folder and score every specimen in them.

    Whose photo it is: the manifest says, else a tag in the photo, else the folder it lies in, else
    its file name's part before the date. Known photos are not measured again, and what was said
    of a photo (manifest, height, lamp) stays until something else is said. A manifest is used only
    when it is named.

    Example:

        polypward score photos/ --ward ward --lamp "white 5000 K"
    """
    from polypward.errors import BadInputError
    from polypward_cli.ahead import draw_ahead
    from polypward_cli.closing import close
    from polypward_cli.edges import keep_edges
    from polypward_cli.life.clocks import tell_clocks
    from polypward_cli.life.common import show_cautions
    from polypward_cli.manifest import Manifest, read_manifest, read_outlines
    from polypward_cli.scan import find_photos
    from polypward_cli.scoring import Options, score_folder
    from polypward_cli.terminal import plain, progress_bar
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    if ward.resolve() == folder.resolve():
        raise BadInputError(f"{ward}: the ward and the folder of photos must be two folders")
    if not find_photos(folder).photos:  # before a ward is made for nothing
        raise BadInputError(f"{folder}: no pictures in this folder")
    with Ward.open(ward, create=True) as opened, opened.working("score"):
        opened.settings.course_settings()  # its faults are told before the work
        zone = opened.settings.zone
        options = Options(
            height_mm=height_mm,
            water_mm=water_mm,
            lamp=lamp,
            mm_per_px=mm_per_px,
            workers=workers,
            scheduler=scheduler,
            manifest=read_manifest(manifest, zone=zone) if manifest else Manifest({}),
            outlines=read_outlines(outline) if outline else {},
        )
        try:
            with progress_bar() as progress:
                outcome = score_folder(opened, folder, options=options, progress=progress)
        except KeyboardInterrupt:
            typer.echo("Stopped. What was measured is kept; run it again to go on.", err=True)
            raise typer.Exit(130) from None
        draw_ahead(opened, refresh(opened))
        closing = close(opened, outcome)
        photographed = {one.specimen for one in closing.accepted}
        keep_edges(opened, closing.flagged, photographed=photographed)
        for sentence in tell_clocks(opened):
            typer.echo(sentence, err=True)
        show_cautions(opened, "photograph", by=opened.settings.owner)
        if as_json:
            print_json(closing.as_json())
        else:
            for line in closing.lines():
                typer.echo(plain(line))
            for column in options.manifest.unknown_columns:
                typer.echo(f'{manifest}: the column "{column}" was not used.', err=True)
            if manifest is None and (folder / "manifest.csv").is_file():
                there = (folder / "manifest.csv").as_posix()
                typer.echo(f"{there} was not used; to use it: --manifest {there}", err=True)
    if strict and closing.rejected:
        raise typer.Exit(3)
