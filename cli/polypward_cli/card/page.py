"""The page for printing: the card true to size, two bars to measure, and what to do with it."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from io import BytesIO
from typing import TYPE_CHECKING, Literal, cast

from polypward.records import Card
from polypward_cli.card.artwork import card_shapes, polyp_shapes
from polypward_cli.card.profile import srgb_profile
from polypward_cli.card.scenes import SCENE_MM, SCENES, scene_shapes
from polypward_cli.card.shapes import Box, Cells, Line, Polygon, Rgb, Shape, Text

if TYPE_CHECKING:
    from fpdf import FPDF

__all__ = ["BAR_MM", "PAPERS_MM", "Page", "card_pdf", "page_of"]

# ISO 216 A4; ANSI/ASME Y14.1 A (Letter).
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
BAR_MM = 100.0
_MARGIN_MM = 7.0  # office printers leave 3 to 6 mm of the sheet white: common practice, no source
_ORIGIN_MM = (17.0, 7.0)  # of the (first) card; the bar along y stands left of it
_GAP_MM = 4.0  # between copies
_BAR_WIDTH_MM = 2.0
_SIZES_PT = (10.5, 10.0, 9.5, 9.0, 8.5)  # of the instructions: the largest that fits
_INK: Rgb = (30, 30, 30)
_GREY: Rgb = (110, 110, 110)
_CUT: Rgb = (150, 150, 150)


@dataclass(frozen=True, slots=True)
class Page:
    """Where things stand on the sheet, millimetres from its top left corner, y down.

    `cards_mm` are the top left corners of the copies, `bar_x_mm` and `bar_y_mm` the left, top,
    width and height of the two bars.
    """

    size_mm: tuple[float, float]
    cards_mm: tuple[tuple[float, float], ...]
    bar_x_mm: tuple[float, float, float, float]
    bar_y_mm: tuple[float, float, float, float]
    text_top_mm: float


def page_of(card: Card, paper: Literal["a4", "letter"]) -> Page:
    """Lay out the sheet: as many copies as fit above the text, the bars outside every trim."""
    width, height = PAPERS_MM[paper]
    x0, y0 = _ORIGIN_MM
    card_width, card_height = card.size_mm
    across = int((width - _MARGIN_MM - x0 + _GAP_MM) // (card_width + _GAP_MM))
    down = max(1, int((190 - y0 + _GAP_MM) // (card_height + _GAP_MM)))
    cards = tuple(
        (x0 + column * (card_width + _GAP_MM), y0 + row * (card_height + _GAP_MM))
        for row in range(down)
        for column in range(across)
    )
    below = max(y for _, y in cards) + card_height
    return Page(
        size_mm=(width, height),
        cards_mm=cards,
        bar_x_mm=(x0, below + 4.0, BAR_MM, _BAR_WIDTH_MM),
        bar_y_mm=(x0 - 4.0 - _BAR_WIDTH_MM, y0, _BAR_WIDTH_MM, BAR_MM),
        text_top_mm=below + 14.0,
    )


def card_pdf(card: Card, *, paper: Literal["a4", "letter"]) -> bytes:
    """Give card.pdf: one page, true to size, print scaling switched off.

    Parameters
    ----------
    card : Card
        A layout with its serial set.
    paper : {"a4", "letter"}

    Raises
    ------
    CardError
        If the card cannot be drawn.
    """
    from fpdf import FPDF, ViewerPreferences
    from fpdf.enums import OutputIntentSubType
    from fpdf.output import PDFICCProfile

    page = page_of(card, paper)
    pdf = FPDF(unit="mm", format=page.size_mm)
    pdf.viewer_preferences = ViewerPreferences(print_scaling="None")
    pdf.add_output_intent(
        OutputIntentSubType.PDFA,
        "sRGB IEC61966-2.1",
        registry_name="http://www.color.org",
        dest_output_profile=PDFICCProfile(srgb_profile(), 3, "DeviceRGB"),
        info="sRGB IEC61966-2.1",
    )
    pdf.set_title(f"polypward card {card.layout} {card.serial}")
    pdf.set_creator("polypward")
    pdf.set_margin(0)
    pdf.set_auto_page_break(False)
    pdf.c_margin = 0
    pdf.add_page()
    for origin in page.cards_mm:
        _paint(pdf, card_shapes(card), origin)
        pdf.set_draw_color(*_CUT)
        pdf.set_line_width(0.1)
        pdf.rect(*origin, *card.size_mm)
    _paint(pdf, _bars(page), (0.0, 0.0))
    _instructions(pdf, card, page)
    return bytes(pdf.output())


def _bars(page: Page) -> list[Shape]:
    shapes: list[Shape] = []
    for x, y, width, height in (page.bar_x_mm, page.bar_y_mm):
        shapes.append(Box(x_mm=x, y_mm=y, width_mm=width, height_mm=height, fill=_INK))
    x, y, width, _ = page.bar_x_mm
    shapes.append(
        Text(
            at_mm=(x + width + 2, y + 2),
            text="measure me (X): 100 mm when true to size",
            size_mm=3.2,
            colour=_INK,
        )
    )
    x, y, _, height = page.bar_y_mm
    shapes.append(
        Text(
            at_mm=(x + _BAR_WIDTH_MM, y + height + 2),
            text="measure me (Y): 100 mm when true to size",
            size_mm=3.2,
            colour=_INK,
            align="end",
            turned=True,
        )
    )
    return shapes


def _paint(pdf: "FPDF", shapes: Sequence[Shape], origin: tuple[float, float]) -> None:
    x0, y0 = origin
    for shape in shapes:
        match shape:
            case Box():
                box = (x0 + shape.x_mm, y0 + shape.y_mm, shape.width_mm, shape.height_mm)
                if shape.patch:
                    pdf.image(BytesIO(_swatch(shape.fill)), *box)
                else:
                    pdf.set_fill_color(*shape.fill)
                    pdf.rect(*box, style="F")
            case Cells():
                _paint_cells(pdf, shape, origin)
            case Line():
                pdf.set_draw_color(*shape.colour)
                pdf.set_line_width(shape.width_mm)
                (x1, y1), (x2, y2) = shape.start_mm, shape.end_mm
                pdf.line(x0 + x1, y0 + y1, x0 + x2, y0 + y2)
            case Polygon():
                pdf.set_fill_color(*shape.fill)
                pdf.polygon([(x0 + x, y0 + y) for x, y in shape.points_mm], style="F")
            case Text():
                _write(pdf, shape, origin)


def _swatch(colour: Rgb) -> bytes:
    """Give a patch as a small one-coloured PNG that carries the sRGB profile into the PDF."""
    from PIL import Image

    buffer = BytesIO()
    Image.new("RGB", (8, 8), colour).save(buffer, "PNG", icc_profile=srgb_profile())
    return buffer.getvalue()


def _paint_cells(pdf: "FPDF", cells: Cells, origin: tuple[float, float]) -> None:
    """Fill all modules as one path, for neighbours painted one by one show seams."""
    x0, y0 = origin[0] + cells.x_mm, origin[1] + cells.y_mm
    with pdf.new_path() as path:
        path.style.fill_color = "#{:02x}{:02x}{:02x}".format(*cells.fill)
        path.style.stroke_color = None
        for row, columns in enumerate(cells.rows):
            top, bottom = y0 + row * cells.module_mm, y0 + (row + 1) * cells.module_mm
            column = 0
            while column < len(columns):
                end = column
                while end < len(columns) and columns[end]:
                    end += 1
                if end > column:
                    left, right = x0 + column * cells.module_mm, x0 + end * cells.module_mm
                    path.move_to(left, top)
                    path.line_to(right, top)
                    path.line_to(right, bottom)
                    path.line_to(left, bottom)
                    path.close()
                column = max(end, column + 1)


def _write(pdf: "FPDF", text: Text, origin: tuple[float, float]) -> None:
    pdf.set_font("Helvetica", size=text.size_mm / 25.4 * 72)
    pdf.set_text_color(*text.colour)
    x, y = origin[0] + text.at_mm[0], origin[1] + text.at_mm[1]
    share = {"start": 0.0, "middle": 0.5, "end": 1.0}[text.align]
    back = share * pdf.get_string_width(text.text)
    if text.turned:
        with pdf.rotation(90, x, y):
            pdf.text(x - back, y, text.text)
    else:
        pdf.text(x - back, y, text.text)


def _instructions(pdf: "FPDF", card: Card, page: Page) -> None:
    """Write what to do with the card, as large as fits, and draw it where there is room."""
    x, y = _ORIGIN_MM[0], page.text_top_mm
    width = page.size_mm[0] - _MARGIN_MM - x
    column = (width - 8) / 2
    _paint(pdf, tuple(polyp_shapes((5.2, 0.5))), (x, y))
    pdf.set_text_color(*_INK)
    pdf.set_font("Helvetica", "B", 13)
    pdf.text(x + 13, y + 2.2, "polypward card")
    pdf.set_font("Helvetica", size=10)
    pdf.text(x + 50, y + 2.2, f"{card.layout}, serial {card.serial}")
    top = y + 8
    room = page.size_mm[1] - _MARGIN_MM - top
    columns = [
        partial(_column, pdf, head, lines, (x + index * (column + 8), top), column)
        for index, (head, lines) in enumerate(_words(card))
    ]

    def height(size: float) -> float:
        return max(write(size, draw=False) for write in columns)

    scenes = height(_SIZES_PT[-1]) + _GAP_MM + SCENE_MM[1] <= room
    if scenes:
        room -= _GAP_MM + SCENE_MM[1]
    size = next((size for size in _SIZES_PT if height(size) <= room), _SIZES_PT[-1])
    for write in columns:
        write(size, draw=True)
    if scenes:
        step = (width - SCENE_MM[0] - 0.5) / 2  # a stroke is as wide beyond its end
        below = top + height(size) + _GAP_MM
        for index, name in enumerate(SCENES):
            _paint(pdf, scene_shapes(name, (x + index * step, below)), (0.0, 0.0))


def _column(
    pdf: "FPDF",
    head: str,
    lines: Sequence[str],
    at_mm: tuple[float, float],
    width: float,
    size_pt: float,
    *,
    draw: bool,
) -> float:
    """Write a heading and numbered lines, or only measure them; the height in mm."""
    from fpdf.enums import MethodReturnValue

    left, top = at_mm
    step = 0.44 * size_pt
    if draw:
        pdf.set_xy(left, top)
        pdf.set_font("Helvetica", "B", size_pt + 0.5)
        pdf.set_text_color(*_GREY)
        pdf.cell(width, step, head)
        pdf.set_text_color(*_INK)
    y = top + step + 1
    number = 0
    for line in lines:
        if line.startswith("polypward "):  # a command, to be typed as it stands
            # A letter of Courier is 0.6 em wide.
            fit = (width - 5) / (0.6 * len(line)) / 25.4 * 72
            pdf.set_font("Courier", size=min(size_pt, fit * 0.99))
        else:
            number += 1
            pdf.set_font("Helvetica", size=size_pt)
            if draw:
                pdf.set_xy(left, y)
                pdf.cell(5, step, str(number))
        pdf.set_xy(left + 5, y)
        y += 0.8 + cast(
            "float",
            pdf.multi_cell(
                width - 5, step, line, align="L", dry_run=not draw, output=MethodReturnValue.HEIGHT
            ),
        )
    return y - top


def _words(card: Card) -> tuple[tuple[str, tuple[str, ...]], ...]:
    if card.layout == "frame":
        cut = "Cut along the thin outer line. The window may be cut out or left as paper."
        lay = (
            "Lay it flat under water, the coral in the window, the card at half the coral's height."
        )
    else:
        cut = "Cut along the thin lines: every copy is the same card, with the same serial."
        lay = (
            "Lay it flat under water beside the coral, the arrow pointing at it, at half the "
            "coral's height."
        )
    return (
        (
            "Print and check",
            (
                'Print at 100 % ("actual size", never "fit to page") on matte waterproof paper. '
                "Glossy paper and glossy laminate mirror the lamp.",
                "Let it dry for a day. Measure both black bars with a steel rule, end to end.",
                "Tell polypward what you measured, in place of X and Y:",
                f"polypward card check --serial {card.serial} --bar-mm X Y",
                cut,
            ),
        ),
        (
            "Use",
            (
                lay + " Never the card in air and the coral in water.",
                "White light only. Hold the phone straight above; the whole card in view.",
                "One card per water system. The quarantine card stays in quarantine.",
                "Rinse it in fresh water after each coral, let it dry away from the light.",
                "Faded, stained, scratched or bent: print a new one, which gets a new serial.",
            ),
        ),
    )
