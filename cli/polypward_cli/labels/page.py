"""Tags and labels as a PDF true to size."""

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final, cast

from polypward.errors import BadInputError
from polypward.tags import MARK_MM, tag_of_number

if TYPE_CHECKING:
    from fpdf import FPDF

__all__ = ["NUMBER_MM", "Sheet", "labels_pdf", "sheet_called", "sheets", "tags_pdf"]

# Height of a tag's number: read by eye at arm's length over water.
NUMBER_MM: Final = 8.0
# Height of a digit of the PDF's own bold type over its em (font metrics of Helvetica-Bold: 710
# of 1000), and the widest digits' advance (556 of 1000).
_DIGIT_HEIGHT: Final = 0.71
_DIGIT_WIDTH: Final = 0.556
_RIM_MM: Final = MARK_MM / 8  # a module of white round the mark
_HOLE_MM: Final = 3.0
_HOLE_RIM_MM: Final = 2.0  # film that is narrower there tears (from memory)
TAGS: Final = "polypward tags"
_USE: Final = (
    f"The black square must be {MARK_MM:g} mm wide. Cut along the lines; leave its white rim. "
    "Punch the hole, tie or clip the tag beside the coral.",
    "Before you photograph: polypward labels put NUMBER SPECIMEN. Keep it in view, and wipe it. "
    "It may go on to another specimen.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A sheet to print on, millimetres; see sheets.toml."""

    name: str
    about: str
    paper_mm: tuple[float, float]
    label_mm: tuple[float, float]
    first_mm: tuple[float, float]
    step_mm: tuple[float, float]
    columns: int
    rows: int
    cut_lines: bool
    edge_mm: float = 1.0  # from a label's edge to what is printed on it

    @property
    def count(self) -> int:
        """Labels on a sheet."""
        return self.columns * self.rows

    def place(self, index: int) -> tuple[float, float]:
        """Return the left and top edge of a label, counted row by row from 0."""
        row, column = divmod(index, self.columns)
        return (
            self.first_mm[0] + column * self.step_mm[0],
            self.first_mm[1] + row * self.step_mm[1],
        )


def sheets() -> dict[str, Sheet]:
    """Return the sheets that are known, by name."""
    text = (files("polypward_cli.labels") / "sheets.toml").read_text("utf-8")
    found = {}
    for name, table in tomllib.loads(text).items():
        values = {key: tuple(v) if isinstance(v, list) else v for key, v in table.items()}
        found[name] = Sheet(name=name, **cast("dict[str, Any]", values))
    return found


def sheet_called(name: str) -> Sheet:
    """Return the sheet of a name.

    Raises
    ------
    BadInputError
        If there is none.
    """
    known = sheets()
    if name not in known:
        told = "; ".join(f"{one.name} ({one.about})" for one in known.values())
        raise BadInputError(f'"{name}" is no sheet; there are: {told}')
    return known[name]


def tags_pdf(numbers: Sequence[int], sheet: Sheet) -> bytes:
    """Return a PDF of reusable tags: a mark of 12 mm and the number, at least 8 mm high.

    Raises
    ------
    BadInputError
        If there are none, or a number is no tag's.
    """
    names = [tag_of_number(number) for number in numbers]
    if not names:
        raise BadInputError("no tags asked for; --count is at least 1")
    pdf = _new(sheet, TAGS)
    for index, number in enumerate(numbers):
        left, top = _next(pdf, sheet, index, TAGS, "On matte waterproof film.")
        middle = top + sheet.label_mm[1] / 2
        _mark(pdf, number, left + sheet.edge_mm + _RIM_MM, middle - MARK_MM / 2)
        size = NUMBER_MM / _DIGIT_HEIGHT
        pdf.set_font("Helvetica", "B", size / 25.4 * 72)
        x = left + sheet.edge_mm + MARK_MM + 2 * _RIM_MM + 1.5
        pdf.text(x, middle + NUMBER_MM / 2, str(number))
        hole = left + sheet.label_mm[0] - max(sheet.edge_mm, _HOLE_RIM_MM) - _HOLE_MM
        if hole > x + 3 * _DIGIT_WIDTH * size:
            pdf.set_line_width(0.1)
            pdf.set_draw_color(150)
            pdf.ellipse(hole, middle - _HOLE_MM / 2, _HOLE_MM, _HOLE_MM)
    return bytes(pdf.output())


def labels_pdf(names: Sequence[str], sheet: Sheet) -> bytes:
    """Return a PDF of name labels for dry places: a square code that holds the name, and the name.

    Raises
    ------
    BadInputError
        If there are no names, or one is too long for a code that photos can show.
    """
    import segno

    from polypward_cli.claim.pdf import latin

    if not names:
        raise BadInputError("no specimen is on the tables: there is nothing to label")
    pdf = _new(sheet, "polypward labels")
    for index, name in enumerate(names):
        left, top = _next(pdf, sheet, index, "polypward labels", "For dry places: boxes, lids.")
        try:
            code = segno.make_qr(f"PWTAG {name}", error="m", version=None)
        except segno.DataOverflowError as error:  # pragma: no cover - names are cut to 80 signs
            raise BadInputError(f'"{name}" is too long for a label') from error
        rows = [[bool(dark) for dark in row] for row in code.matrix]
        side = sheet.label_mm[1] - 2 * sheet.edge_mm
        module = side / (len(rows) + 4)  # two modules of white on each side
        start = sheet.edge_mm + 2 * module
        for y, row in enumerate(rows):
            _runs(pdf, row, left + start, top + start + y * module, module)
        room = sheet.label_mm[0] - side - 3 * sheet.edge_mm
        text = latin(name)
        pdf.set_font("Helvetica", "B", 24)
        points = min(24.0, 24.0 * room / max(pdf.get_string_width(text), 1e-6))
        pdf.set_font("Helvetica", "B", max(points, 5.0))
        pdf.text(left + side + 2 * sheet.edge_mm, top + sheet.label_mm[1] / 2 + points * 0.12, text)
    return bytes(pdf.output())


def _new(sheet: Sheet, title: str) -> "FPDF":
    from fpdf import FPDF, ViewerPreferences

    pdf = FPDF(unit="mm", format=sheet.paper_mm)
    pdf.viewer_preferences = ViewerPreferences(print_scaling="None")
    pdf.set_title(title)
    pdf.set_creator("polypward")
    pdf.set_margin(0)
    pdf.set_auto_page_break(False)
    return pdf


def _next(pdf: "FPDF", sheet: Sheet, index: int, title: str, hint: str) -> tuple[float, float]:
    """Turn the page where it is full, say how to print and use it, and give the label's place."""
    on_page = index % sheet.count
    if not on_page:
        pdf.add_page()
        pdf.set_text_color(60)
        left, first = sheet.first_mm
        if first >= 8:
            pdf.set_font("Helvetica", "B", 10)
            pdf.text(left, first - 3, title)
            pdf.set_font("Helvetica", size=8.5)
            pdf.text(
                left + pdf.get_string_width(title) + 9,
                first - 3,
                f'Print at 100 % ("actual size"), black. {hint}',
            )
        last = sheet.place(sheet.count - 1)[1] + sheet.label_mm[1]
        if sheet.paper_mm[1] - last >= 14:
            for row, line in enumerate(_USE if title == TAGS else ()):
                pdf.text(left, last + 5 + 4 * row, line)
    left, top = sheet.place(on_page)
    if sheet.cut_lines:
        pdf.set_draw_color(170)
        pdf.set_line_width(0.1)
        pdf.rect(left, top, *sheet.label_mm)
    pdf.set_text_color(0)
    pdf.set_fill_color(0)
    return left, top


def _mark(pdf: "FPDF", number: int, left: float, top: float) -> None:
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    dark = cv2.aruco.generateImageMarker(dictionary, number, 8) < 128
    module = MARK_MM / 8
    for row, line in enumerate(dark.tolist()):
        _runs(pdf, line, left, top + row * module, module)


def _runs(pdf: "FPDF", line: Sequence[bool], left: float, top: float, module: float) -> None:
    """Fill the dark modules of a row, each run as one box and a hair taller, so that none parts."""
    column = 0
    while column < len(line):
        end = column
        while end < len(line) and line[end]:
            end += 1
        if end > column:
            pdf.rect(left + column * module, top, (end - column) * module, module + 0.01, "F")
        column = max(end, column + 1)
