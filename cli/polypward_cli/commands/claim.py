"""`polypward claim`: what arrived dead or poor, with dated evidence in time."""

from pathlib import Path
from typing import Annotated

import typer

from polypward_cli.commands.options import WARD, ByOption, CsvOption, JsonOption, WardOption
from polypward_cli.terminal import print_json, write_csv

__all__ = ["app"]

app = typer.Typer()

Several = list[str] | None


@app.command()
def claim(
    batch: Annotated[
        str | None, typer.Argument(help="The batch; left out, every claim is listed.")
    ] = None,
    dead: Annotated[
        Several, typer.Option(help="A specimen you found dead; may be given several times.")
    ] = None,
    poor: Annotated[
        Several, typer.Option(help="A specimen you found poor; may be given several times.")
    ] = None,
    note: Annotated[
        str,
        typer.Option(
            help="What you saw of those named, or else of the batch; it stands in the sheet."
        ),
    ] = "",
    withdraw: Annotated[
        Several,
        typer.Option(help="A specimen that is claimed no longer; may be given several times."),
    ] = None,
    landed: Annotated[str | None, typer.Option(help="When the batch landed.")] = None,
    delivered: Annotated[str | None, typer.Option(help="When it was delivered.")] = None,
    opened: Annotated[str | None, typer.Option(help="When it was opened.")] = None,
    proof: Annotated[
        str | None,
        typer.Option(help='What the photos named by --photo show: "sealed bag", "box label" ...'),
    ] = None,
    photo: Annotated[
        Several, typer.Option(help="A photo of the ward; may be given several times.")
    ] = None,
    of: Annotated[
        Several,
        typer.Option(
            help="Whose proof it is, the whole batch's if left out; may be given several times."
        ),
    ] = None,
    no_proof: Annotated[
        Several,
        typer.Option(help="A photo that is no proof after all; may be given several times."),
    ] = None,
    photos: Annotated[
        list[Path] | None,
        typer.Option(
            help="Folder with the original photos, which is remembered; may be given several times."
        ),
    ] = None,
    sent: Annotated[bool, typer.Option("--sent", help="You sent the sheet.")] = False,
    answered: Annotated[bool, typer.Option("--answered", help="The supplier answered.")] = False,
    credited: Annotated[
        str | None, typer.Option(help="What the supplier credited for it in all.")
    ] = None,
    closed: Annotated[bool, typer.Option("--closed", help="Nothing more will come.")] = False,
    reopen: Annotated[bool, typer.Option("--reopen", help="Back to open.")] = False,
    at: Annotated[str | None, typer.Option(help="When that was; now if left out.")] = None,
    by: ByOption = "",
    as_json: JsonOption = False,
    csv: CsvOption = None,
    ward: WardOption = WARD,
) -> None:
    """Claim what arrived dead or poor: your verdict, the photos that support it, the hours left.

    Writes a sheet to send (PDF and HTML), the message and copies of the photos it cites into the
    ward's folder claims/. The supplier's terms stand in ward.toml.

    Example:

        polypward claim B7 --delivered 2026-01-12T09:30 --dead LAM-03 --poor LAM-05
    """
    from polypward_cli.amounts import amount_of
    from polypward_cli.claim.desk import Said, do_claim
    from polypward_cli.claim.words import ROWS, claim_lines, claim_rows, list_claims
    from polypward_cli.ward import Ward

    states = [name for name, said in (("sent", sent), ("answered", answered), ("closed", closed))
              if said]  # fmt: skip
    states += ["open"] if reopen else []
    if len(states) > 1:
        raise typer.BadParameter("give one of --sent, --answered, --closed and --reopen")
    if bool(proof) != bool(photo) or (of and not proof):
        raise typer.BadParameter("--proof, --photo and --of belong together: what, where, whose")
    said = Said(
        dead=dead or (),
        poor=poor or (),
        note=note,
        withdraw=withdraw or (),
        moments={"landing": landed, "delivery": delivered, "opening": opened},
        proof=proof or "",
        proof_photos=photo or (),
        proof_of=of or (),
        no_proof=no_proof or (),
        photos=photos or (),
        state=states[0] if states else "",
        credited=None if credited is None else amount_of(credited, "--credited"),
        at=at,
        by=by,
    )
    if batch is None:
        if said != Said(moments=said.moments) or any(said.moments.values()):
            raise typer.BadParameter("say which batch: polypward claim BATCH ...")
        with Ward.open(ward) as ledger:
            if csv is not None:
                write_csv(csv, ROWS, claim_rows(ledger))
            elif as_json:
                print_json(claim_rows(ledger))
            else:
                typer.echo("\n".join(list_claims(ledger)))
        return
    if csv is not None:
        raise typer.BadParameter("--csv writes the list of all claims; leave the batch out")
    with Ward.open(ward) as ledger, ledger.working("claim"):
        outcome = do_claim(ledger, batch, said)
        lines = claim_lines(ledger, outcome, as_json=as_json)
    typer.echo("\n".join(lines))
