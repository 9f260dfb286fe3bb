"""`polypward camera`: calibrated lenses, for tilt, distance and heights that can be trusted."""

from pathlib import Path
from typing import Annotated

import typer

from polypward_cli.commands.options import WARD, ByOption, WardOption
from polypward_cli.terminal import print_json

__all__ = ["NAME", "app"]

NAME = "camera"

app = typer.Typer(invoke_without_command=True)


@app.callback()
def camera(
    ctx: typer.Context,
    ward: WardOption = WARD,
    as_json: Annotated[bool, typer.Option("--json", help="Print them as JSON.")] = False,
) -> None:
    """List the calibrated cameras of the ward.

    Example:

        polypward camera --ward ward
    """
    if ctx.invoked_subcommand is not None:
        return
    import json

    from polypward_cli.cameras.calibrating import camera_rows
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened:
        rows = camera_rows(opened)
    if as_json:
        kept = [{**row, "lens": json.loads(row["lens"])} for row in rows]
        print_json(kept)
        return
    for row in rows:
        typer.echo(
            f"{row['camera']}: focal length {row['focal_35mm']:.2f} mm (35 mm equivalent), from "
            f"{row['photos']} photos, corners within {row['rms_px']:.2f} pixels"
        )
    if not rows:
        typer.echo("No calibrated camera; photos go by the focal length in their own data.")
        typer.echo("To calibrate one: polypward camera calibrate FOLDER")


@app.command()
def calibrate(
    folder: Annotated[Path, typer.Argument(help="Photos of a card, taken with the camera.")],
    ward: Annotated[Path, typer.Option(help="The ward's folder; made if it is not there.")] = Path(
        "ward"
    ),
    by: ByOption = "",
) -> None:
    """Calibrate the cameras with which the photos in a folder were taken.

    Take 8 to 20 photos of a card that lies flat and dry, the card filling most of the picture, the
    phone tilted by 20 to 30 degrees to a different side each time; one zoom, one size, no filter.

    Example:

        polypward camera calibrate card-photos/ --ward ward
    """
    from polypward_cli.cameras.calibrating import calibrate_cameras
    from polypward_cli.terminal import progress_bar
    from polypward_cli.ward import Ward

    with (
        Ward.open(ward, create=True) as opened,
        opened.working("camera calibrate"),
        progress_bar() as progress,
    ):
        who = by or opened.settings.owner
        done = calibrate_cameras(opened, folder, progress=progress, by=who)
    for name, lens in done.lenses.items():
        said = "" if lens.exif_35mm is None else f" (its photos say {lens.exif_35mm:.0f})"
        typer.echo(
            f"{name}: focal length {lens.focal_35mm:.2f} ± {lens.focal_sd * lens.focal_35mm:.2f} "
            f"mm{said}, corners within {lens.rms_px:.2f} pixels, {lens.photos} photos"
        )
    for name, why in done.failed.items():
        typer.echo(f"{name}: not calibrated: {why}.", err=True)
    for photo, why in done.unused:
        typer.echo(f"    {photo} was not used: {why}", err=True)
    if done.lenses:
        typer.echo("The next polypward score of their photos uses it.")
    else:
        raise typer.Exit(2)


@app.command()
def forget(
    name: Annotated[str, typer.Argument(help="The camera as polypward camera lists it.")],
    ward: WardOption = WARD,
    by: ByOption = "",
) -> None:
    """Forget a calibrated camera; it is kept in the audit.

    Example:

        polypward camera forget "Acme Pocket 3, 26 mm" --ward ward
    """
    from polypward_cli.cameras.calibrating import forget_camera
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened, opened.working("camera forget"):
        forget_camera(opened, name, by=by or opened.settings.owner)
    typer.echo(f"{name}: forgotten; score the photos' folder to measure them anew.")
