"""`polypward card`: a colour card to print, its print scale, its measured colours."""

from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from polypward.errors import BadInputError
from polypward_cli.commands.options import WARD, ByOption, WardOption
from polypward_cli.terminal import print_json

if TYPE_CHECKING:
    from polypward.records import Card
    from polypward_cli.ward import Ward

__all__ = ["NAME", "app"]

NAME = "card"
MOST_PATCH_BYTES = 5_000_000

app = typer.Typer(invoke_without_command=True)


class Layout(StrEnum):
    """The card layouts."""

    FRAME = "frame"
    STRIP = "strip"


class Paper(StrEnum):
    """The papers a card is laid out for."""

    A4 = "a4"
    LETTER = "letter"


NewWardOption = Annotated[Path, typer.Option(help="The ward's folder; made if it is not there.")]
SerialOption = Annotated[str, typer.Option(help="The serial printed on the card.")]
LayoutOption = Annotated[
    Layout | None,
    typer.Option(help="The card's layout, where neither ward nor serial tells."),
]


@app.callback()
def card(
    ctx: typer.Context,
    out: Annotated[
        Path | None, typer.Option(help="Folder for card.pdf, card.png and card.json.")
    ] = None,
    layout: Annotated[
        Layout, typer.Option(help="A frame round the specimen, or a strip beside it.")
    ] = Layout.FRAME,
    paper: Annotated[Paper, typer.Option(help="The paper to print on.")] = Paper.A4,
    serial: Annotated[
        str | None, typer.Option(help="Your own serial: letters, digits, hyphens; at most 12.")
    ] = None,
) -> None:
    """Make a colour card to print: card.pdf true to size, card.png, card.json.

    Example:

        polypward card --out card --layout frame --paper a4
    """
    if ctx.invoked_subcommand is not None:
        return
    if out is None:
        raise typer.BadParameter("name a folder to write the card into", param_hint="--out")
    import json
    import secrets

    from polypward.cards import card_to_json, check_serial, load_layout, make_serial
    from polypward_cli.card.page import card_pdf
    from polypward_cli.card.picture import card_png
    from polypward_cli.files import write_bytes, write_text

    if serial is None:
        drawn = make_serial(layout.value, (secrets.randbelow(31) for _ in range(5)))
    else:
        drawn = check_serial(serial)
    made = replace(load_layout(layout.value), serial=drawn)
    try:
        write_bytes(out / "card.pdf", card_pdf(made, paper=paper.value))
        write_bytes(out / "card.png", card_png(made))
        write_text(out / "card.json", json.dumps(card_to_json(made), indent=1) + "\n")
    except OSError as error:
        raise BadInputError(f"{out}: the card cannot be written ({error.strerror})") from error
    typer.echo(f"card: {out / 'card.pdf'} ({made.layout}, serial {made.serial})")
    typer.echo("Print it at 100 % on matte waterproof paper, then measure its two bars:")
    typer.echo(f"    polypward card check --serial {made.serial} --bar-mm X Y")


@app.command()
def check(
    serial: SerialOption,
    bar_mm: Annotated[
        tuple[float, float],
        typer.Option(help="Measured lengths of the bars X (across) and Y (down), mm."),
    ],
    ward: NewWardOption = WARD,
    layout: LayoutOption = None,
) -> None:
    """Store how true to size a card was printed, from its two bars of 100 mm.

    Example:

        polypward card check --serial F7KX4DX --bar-mm 99.5 100.0 --ward ward
    """
    from polypward_cli.ward import Ward

    print_scale = (_print_scale(bar_mm[0], "X"), _print_scale(bar_mm[1], "Y"))
    with Ward.open(ward, create=True) as opened, opened.working("card check"):
        found = _card_of(opened, serial, layout)
        opened.save_card(replace(found, print_scale=print_scale))
    typer.echo(
        f"{found.serial} ({found.layout}): printed at {100 * print_scale[0]:.2f} % across and "
        f"{100 * print_scale[1]:.2f} % down; used for every photo with this card from now on."
    )


@app.command()
def measure(
    file: Annotated[
        Path, typer.Argument(help="CGATS.17 text or CSV (name,L,a,b) of the measured patches.")
    ],
    serial: SerialOption,
    ward: NewWardOption = WARD,
    layout: LayoutOption = None,
) -> None:
    """Store the measured colours of a card; its readings are then graded "measured".

    Example:

        polypward card measure patches.txt --serial F7KX4DX --ward ward
    """
    from polypward.cards import read_measurements, with_measurements
    from polypward_cli.ward import Ward

    text = _text_of(file)
    try:
        measurements = read_measurements(text)
        with Ward.open(ward, create=True) as opened, opened.working("card measure"):
            found = with_measurements(_card_of(opened, serial, layout), measurements)
            opened.save_card(found)
    except BadInputError as error:
        raise BadInputError(f"{file}: {error}") from error
    typer.echo(
        f"{found.serial} ({found.layout}): {len(measurements)} measured colours stored; photos "
        "with this card are graded measured."
    )


def _text_of(file: Path) -> str:
    """Return the text of a file of measured colours."""
    from polypward_cli.files import read_small

    data = read_small(file, most=MOST_PATCH_BYTES)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("latin-1")


@app.command()
def history(
    serial: Annotated[str, typer.Option(help="Only this card.")] = "",
    ward: WardOption = WARD,
    as_json: Annotated[bool, typer.Option("--json", help="Print the charts as JSON.")] = False,
) -> None:
    """Say of each card whether its colours are still as when it was new.

    Example:

        polypward card history --serial F7KX4DX --ward ward
    """
    from polypward_cli.card.history import card_charts, described
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened:
        charts = card_charts(opened, serial=serial)
        lines = described(opened, charts)
    if as_json:
        told = [
            {
                "serial": name,
                "lamp": lamp,
                "photos": chart.photos,
                "changed_since": chart.since.isoformat() if chart.since else None,
                "points": [
                    {"at": one.at.isoformat(), "drift_de": one.drift_de, "limit_de": one.limit_de}
                    for one in chart.points
                ],
            }
            for (name, lamp), chart in charts.items()
        ]
        print_json(told)
        return
    for line in lines or ["No photo with a card whose serial was read and colour corrected yet."]:
        typer.echo(line)


@app.command()
def compare(
    folder: Annotated[Path, typer.Argument(help="Photos that show both cards side by side.")],
    known: Annotated[str, typer.Option(help="Serial of the card whose colours are known.")],
    new: Annotated[str, typer.Option(help="Serial of the card that takes its values.")],
    layout: Annotated[
        Layout | None, typer.Option(help="The new card's layout, where its serial does not tell.")
    ] = None,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Give a new card its colours by an old or measured one, from photos that show both.

    Three photos or more in even white light, the cards side by side and changing places.

    Example:

        polypward card compare both/ --known F7KX4DX --new F2MQ8RA --ward ward
    """
    from polypward_cli.card.bridging import bridge_cards
    from polypward_cli.terminal import progress_bar
    from polypward_cli.ward import Ward

    with (
        Ward.open(ward) as opened,
        opened.working("card compare"),
        progress_bar() as progress,
    ):
        done = bridge_cards(
            opened,
            folder,
            known=known,
            new=_card_of(opened, new, layout),
            progress=progress,
            by=by or opened.settings.owner,
        )
    typer.echo(
        f"{new}: {len(done.card.patches)} colours from {done.photos} photos, which agree within "
        f"{done.spread_de:.1f} dE; its photos are graded "
        f"{'measured' if done.card.values == 'measured' else 'relative'}."
    )
    for photo, why in done.unused:
        typer.echo(f"    {photo} was not used: {why}", err=True)
    typer.echo(f"When {known} goes out of use: polypward card retire {known}")


@app.command()
def retire(
    serial: Annotated[str, typer.Argument(help="The card's serial.")],
    back: Annotated[bool, typer.Option("--back", help="It is in use again.")] = False,
    by: ByOption = "",
    ward: WardOption = WARD,
) -> None:
    """Note that a card is out of use; its photos keep their figures.

    Example:

        polypward card retire F7KX4DX --ward ward
    """
    from polypward_cli.card.history import retire_card
    from polypward_cli.ward import Ward

    with Ward.open(ward) as opened, opened.working("card retire"):
        retire_card(opened, serial, by=by or opened.settings.owner, back=back)
    typer.echo(f"{serial}: {'in use again' if back else 'out of use'}.")


def _print_scale(bar_mm: float, axis: str) -> float:
    from polypward_cli.card.page import BAR_MM

    scale = bar_mm / BAR_MM
    # Beyond a tenth the page was printed "to fit", or something else was measured.
    if not 0.9 <= scale <= 1.1:
        raise BadInputError(
            f"The bar {axis} measures {bar_mm:g} mm, but it is {BAR_MM:g} mm when true to size and "
            "a print that is off by more than a tenth is not used. Measure again, in millimetres, "
            'or print again at 100 % ("actual size").'
        )
    return scale


def _card_of(ward: "Ward", serial: str, layout: Layout | None) -> "Card":
    """Give the ward's card of this serial, or a new nominal one of the layout it must have."""
    from polypward.cards import check_serial, layout_of_serial, load_layout, looks_mistyped

    serial = check_serial(serial)
    for card in ward.cards():
        if card.serial == serial and (layout is None or layout.value == card.layout):
            return card
    name = layout.value if layout is not None else layout_of_serial(serial)
    if name is None and looks_mistyped(serial):
        raise BadInputError(
            f"The serial {serial} does not check: read it again on the card. If it is a serial of "
            "your own making, add --layout frame or --layout strip."
        )
    if name is None:
        name = Layout.FRAME.value
        typer.echo(f"{serial} is taken as a {name} card; if it is another, add --layout.")
    return replace(load_layout(name), serial=serial)
