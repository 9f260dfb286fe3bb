"""`polypward teach`: tissue maps corrected by hand, and the ward's own model."""

from pathlib import Path
from typing import Annotated

import typer

from polypward_cli.commands.options import WARD, ByOption, WardOption
from polypward_cli.terminal import print_json

__all__ = ["NAME", "app"]

NAME = "teach"

app = typer.Typer(invoke_without_command=True)


@app.callback()
def teach(
    ctx: typer.Context,
    ward: WardOption = WARD,
    check: Annotated[
        bool,
        typer.Option(
            "--check",
            help="Learn anew; the ward's own model is used only where it does better than "
            "the base model.",
        ),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print what stands as JSON.")] = False,
) -> None:
    """Correct tissue maps in any paint program; the ward's own model learns from them.

    Without a subcommand it shows which maps are corrected and which model is in use.

    Example:

        polypward teach --check --ward ward
    """
    if ctx.invoked_subcommand is not None:
        return
    from polypward_cli.teaching.corrections import map_rows
    from polypward_cli.teaching.learning import in_use, learn
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened:
        if check:
            with opened.working("teach"):
                learned = learn(opened)
            for line in learned.lines():
                typer.echo(line)
            return
        rows, model = map_rows(opened), in_use(opened)
    if as_json:
        maps = [
            {
                "photo": row["path"],
                "specimen": row["specimen"],
                "at": row["corrected_at"],
                "by": row["corrected_by"],
            }
            for row in rows
        ]
        used = bool(model and model["used"])
        print_json({"maps": maps, "ward_model": used})
        return
    for row in rows:
        by = f" by {row['corrected_by']}" if row["corrected_by"] else ""
        typer.echo(f"{row['path']}: {row['specimen']}, corrected {row['corrected_at'][:10]}{by}")
    own = model is not None and model["used"]
    counted = f"{len(rows)} corrected map{'' if len(rows) == 1 else 's'}"
    typer.echo(f"{counted}; in use: the {'ward model' if own else 'base model'}")
    if not rows:
        typer.echo("To correct some: polypward teach export --out maps")


@app.command("export")
def export(
    photos: Annotated[
        list[str] | None,
        typer.Argument(help="Photos as in readings.csv; if left out, the most unsure maps."),
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder for the pairs of pictures.")] = Path("maps"),
    count: Annotated[int, typer.Option(min=1, max=1000, help="How many, if none is named.")] = 6,
    ward: WardOption = WARD,
) -> None:
    """Write cut-outs and their maps as pairs of PNG pictures, to correct in a paint program.

    Example:

        polypward teach export --out maps --count 6 --ward ward
    """
    from polypward_cli.teaching.corrections import READ_ME, export_maps
    from polypward_cli.teaching.painting import legend
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened:
        names = export_maps(opened, out, photos=photos or (), count=count)
    for name in names:
        typer.echo(f"{out / name}.cut-out.png and .map.png")
    typer.echo(f"Colours: {legend()}.")
    typer.echo(f"How to: {out / READ_ME}. Then: polypward teach import {out}")


@app.command("import")
def take_in(
    paths: Annotated[list[Path], typer.Argument(help="Corrected maps, or folders of them.")],
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Take corrected maps in: they replace the model's, and the ward's own model learns anew.

    A map that was not changed counts as confirmed only if it is named itself; in a folder it is
    passed over.

    Example:

        polypward teach import maps --by Ana --ward ward
    """
    from polypward_cli.teaching.corrections import import_maps
    from polypward_cli.teaching.learning import learn
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    with Ward.open(ward) as opened, opened.working("teach import"):
        done = import_maps(opened, paths, by=by or opened.settings.owner)
        changed = [one for one in done if one.changed]
        for one in changed:
            before = "not available" if one.cover_before is None else f"{one.cover_before:.3f}"
            after = "not available" if one.cover_after is None else f"{one.cover_after:.3f}"
            whose = one.specimen or "no specimen"
            typer.echo(f"{one.photo}: {whose}, live cover {before} -> {after}")
        if len(changed) < len(done):
            typer.echo(f"{len(done) - len(changed)} maps were as before and were passed over.")
        if not changed:
            return
        refresh(opened)
        for line in learn(opened, by=by or opened.settings.owner).lines():
            typer.echo(line)


@app.command()
def forget(
    photo: Annotated[str, typer.Argument(help="The photo as in readings.csv.")],
    ward: WardOption = WARD,
) -> None:
    """Take a corrected map away again; it is kept in the audit.

    Example:

        polypward teach forget LAM-03/IMG_0077.jpg --ward ward
    """
    from polypward_cli.teaching.corrections import forget_map
    from polypward_cli.teaching.learning import learn
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened, opened.working("teach forget"):
        path = forget_map(opened, photo)
        learned = learn(opened)
    typer.echo(f"{path}: the corrected map is forgotten; score its folder to read it anew.")
    for line in learned.lines():
        typer.echo(line)
