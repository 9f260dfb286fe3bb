"""`polypward card`: a colour card to print, its print scale, its measured colours."""

from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from polypward.errors import BadInputError

if TYPE_CHECKING:
    from polypward.records import Card
    from polypward_cli.ward import Ward

__all__ = ["NAME", "app"]

NAME = "card"

app = typer.Typer(invoke_without_command=True)


class Layout(StrEnum):
    """The card layouts."""

    FRAME = "frame"
    STRIP = "strip"


class Paper(StrEnum):
    """The papers a card is laid out for."""

    A4 = "a4"
    LETTER = "letter"


WardOption = Annotated[Path, typer.Option(help="The ward's folder; made if it is not there.")]
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
    ward: WardOption = Path("ward"),
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
    ward: WardOption = Path("ward"),
    layout: LayoutOption = None,
) -> None:
    """Store the measured colours of a card; its readings are then graded "measured".

    Example:

        polypward card measure patches.txt --serial F7KX4DX --ward ward
    """
    from polypward.cards import read_measurements, with_measurements
    from polypward_cli.ward import Ward

    try:
        text = file.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        text = file.read_text(encoding="latin-1")
    except OSError as error:
        raise BadInputError(f"{file}: cannot be read ({error.strerror})") from error
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
