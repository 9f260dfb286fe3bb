"""The claim sheet as a PDF: what a mail programme shows and a printer prints."""

from collections.abc import Mapping, Sequence
from io import BytesIO
from typing import TYPE_CHECKING, Final
from unicodedata import normalize

from polypward_cli.claim.pictures import Picture
from polypward_cli.claim.sheet import (
    WHAT_THE_HASH_SHOWS,
    Sheet,
    SheetPhoto,
    amount_words,
    unbroken,
)

if TYPE_CHECKING:
    from fpdf import FPDF

__all__ = ["latin", "sheet_pdf"]

_MARGIN_MM: Final = 15.0
_WIDTH_MM: Final = 180.0  # of A4, ISO 216, between the margins
_COLUMN_MM: Final = 87.0
_PICTURE_MM: Final = 70.0  # tallest
_BOTTOM_MM: Final = 279.0
_HEADING_MM: Final = 20.0  # with the space above it and a note of two lines below it
_CAPTION_MM: Final = 24.0
_PLAIN: Final = {
    "\N{EN DASH}": "-",
    "\N{EM DASH}": "-",
    "\N{MINUS SIGN}": "-",
    "\N{NARROW NO-BREAK SPACE}": " ",
    "\N{RIGHT SINGLE QUOTATION MARK}": "'",
    "\N{LEFT SINGLE QUOTATION MARK}": "'",
    "\N{LEFT DOUBLE QUOTATION MARK}": '"',
    "\N{RIGHT DOUBLE QUOTATION MARK}": '"',
    "\N{HORIZONTAL ELLIPSIS}": "...",
    "\N{EURO SIGN}": "EUR",
    "\N{LATIN SMALL LETTER L WITH STROKE}": "l",
    "\N{LATIN CAPITAL LETTER L WITH STROKE}": "L",
}


def latin(text: str) -> str:
    """Return text in the letters of a PDF's own type (Latin-1).

    A letter with a foreign mark goes without it; "?" stands for any other sign.
    """
    return "".join(_PLAIN.get(sign) or _latin_sign(sign) for sign in text)


def _latin_sign(sign: str) -> str:
    for one in (sign, normalize("NFKD", sign)[:1]):
        if one and ord(one) < 256:
            return one
    return "?"


def sheet_pdf(sheet: Sheet, pictures: Mapping[str, Picture]) -> bytes:
    """Return the sheet as an A4 PDF; `pictures` are by the photos' SHA-256."""
    from fpdf import FPDF

    class _Pdf(FPDF):
        def footer(self) -> None:
            self.set_y(-12)
            self.set_font("Helvetica", size=7)
            batch = latin(f"claim, batch {sheet.batch}, contents sha256 {sheet.sha256}")
            self.cell(0, 4, f"{batch}, page {self.page_no()}", align="C")

    pdf = _Pdf(unit="mm", format="A4")
    pdf.set_margin(_MARGIN_MM)
    pdf.c_margin = 0
    pdf.set_auto_page_break(True, 18)
    pdf.set_title(latin(f"Claim, batch {sheet.batch}"))
    pdf.set_creator("polypward")
    pdf.set_creation_date(sheet.made_at)
    pdf.add_page()
    _head(pdf, sheet)
    _table(pdf, sheet)
    if sheet.shared_photos:
        shared = sheet.photos_of(sheet.shared_photos)
        _heading(pdf, "The whole batch", below_mm=_HEADING_MM + _row_mm(shared[:2], pictures))
        _photos(pdf, shared, pictures)
    for piece in sheet.pieces:
        kind = f", {piece.kind}" if piece.kind else ""
        photos = sheet.photos_of(piece.photos)
        below_mm = _HEADING_MM + _row_mm(photos[:2], pictures)
        _heading(pdf, f"{piece.specimen}{kind}: {piece.verdict}", below_mm=below_mm)
        if piece.note:
            _line(pdf, piece.note)
        if photos:
            _photos(pdf, photos, pictures)
        else:
            _line(pdf, "No photo of this piece.")
    _heading(pdf, "Hash over the whole")
    pdf.set_font("Courier", size=8.5)
    pdf.multi_cell(_WIDTH_MM, 5, f"sha256 {sheet.sha256}", new_x="LMARGIN", new_y="NEXT")
    _line(
        pdf,
        "It is the SHA-256 of the file contents.txt, which holds every line of this sheet and the "
        f"SHA-256 of every photo's original file. {WHAT_THE_HASH_SHOWS}",
    )
    return bytes(pdf.output())


def _head(pdf: "FPDF", sheet: Sheet) -> None:
    pdf.set_font("Helvetica", "B", 17)
    pdf.multi_cell(
        _WIDTH_MM, 9, latin(f"Claim: batch {sheet.batch}"), new_x="LMARGIN", new_y="NEXT"
    )
    rows = [("To", sheet.supplier or "the supplier"), ("From", sheet.owner)]
    rows += [(what.capitalize(), at) for what, at in sheet.moments]
    rows += [*sheet.window_rows, ("Sheet made", sheet.made_at.isoformat(timespec="minutes"))]
    for what, value in rows:
        if value:
            pdf.set_font("Helvetica", "B", 10)
            pdf.cell(30, 5.4, what)
            pdf.set_font("Helvetica", size=10)
            pdf.multi_cell(_WIDTH_MM - 30, 5.4, latin(value), new_x="LMARGIN", new_y="NEXT")
    pdf.ln(2)
    _line(pdf, f"{sheet.counts_words}.", bold=True)
    _line(pdf, "Found so by a person at unpacking; the photos support it.")
    _line(pdf, f"Asked: {sheet.asked_words}. {sheet.note}")


def _table(pdf: "FPDF", sheet: Sheet) -> None:
    pdf.ln(2)
    pdf.set_font("Helvetica", size=9)
    with pdf.table(
        padding=(0, 1),
        col_widths=(34, 50, 18, 26, 26, 26),
        text_align=("LEFT", "LEFT", "LEFT", "RIGHT", "RIGHT", "CENTER"),
        line_height=5,
        borders_layout="HORIZONTAL_LINES",
    ) as table:
        table.row(("Piece", "Kind", "Verdict", "Price", "Asked", "Photos"))
        for piece in sheet.pieces:
            money = [
                "not known" if amount is None else amount_words(amount, sheet.currency)
                for amount in (piece.price, piece.asked)
            ]
            numbers = ", ".join(map(str, piece.photos)) or "none"
            cells = (piece.specimen, piece.kind, piece.verdict, *money, numbers)
            table.row([latin(cell) for cell in cells])


def _heading(pdf: "FPDF", text: str, *, below_mm: float = 40.0) -> None:
    if pdf.get_y() + below_mm > _BOTTOM_MM:
        pdf.add_page()
    pdf.ln(4)
    pdf.set_font("Helvetica", "B", 12)
    pdf.multi_cell(_WIDTH_MM, 7, latin(text), new_x="LMARGIN", new_y="NEXT")


def _line(pdf: "FPDF", text: str, *, bold: bool = False) -> None:
    pdf.set_font("Helvetica", "B" if bold else "", 10)
    pdf.multi_cell(_WIDTH_MM, 5.2, latin(unbroken(text)), align="L", new_x="LMARGIN", new_y="NEXT")


def _photos(pdf: "FPDF", photos: Sequence[SheetPhoto], pictures: Mapping[str, Picture]) -> None:
    """Set photos two a row, each with its caption below; one alone has it at its side."""
    for start in range(0, len(photos), 2):
        row = photos[start : start + 2]
        if pdf.get_y() + _row_mm(row, pictures) > _BOTTOM_MM:
            pdf.add_page()
        top = pdf.get_y()
        tall = max(_box(pictures.get(photo.sha256))[1] for photo in row)
        ends = [top + tall]
        for index, photo in enumerate(row):
            left = _MARGIN_MM + index * (_COLUMN_MM + 6)
            picture = pictures.get(photo.sha256)
            if picture is not None:
                pdf.image(BytesIO(picture.jpeg), left, top, *_box(picture))
            beside = len(row) == 1 and picture is not None
            at = (left + _COLUMN_MM + 6, top) if beside else (left, top + tall + 1)
            ends.append(_set_caption(pdf, _caption(photo, picture), *at))
        pdf.set_xy(_MARGIN_MM, max(ends) + 4)


def _set_caption(
    pdf: "FPDF", lines: Sequence[tuple[str, str, float]], left: float, top: float
) -> float:
    """Set a caption; return where it ends, mm from the top of the page."""
    pdf.set_xy(left, top)
    for line, family, size in lines:
        pdf.set_font(family, size=size)
        pdf.set_x(left)
        text = latin(unbroken(line))
        pdf.multi_cell(_COLUMN_MM, 3.6, text, align="L", new_x="LEFT", new_y="NEXT")
    return pdf.get_y()


def _row_mm(row: Sequence[SheetPhoto], pictures: Mapping[str, Picture]) -> float:
    """Return about how tall a row of photos is with its captions; 0 without photos."""
    if not row:
        return 0.0
    tall = max(_box(pictures.get(photo.sha256))[1] for photo in row)
    return max(tall, _CAPTION_MM) + 4 if len(row) == 1 else tall + _CAPTION_MM + 4


def _box(picture: Picture | None) -> tuple[float, float]:
    if picture is None:
        return (_COLUMN_MM, 8.0)
    scale = min(_COLUMN_MM / picture.width, _PICTURE_MM / picture.height)
    return (picture.width * scale, picture.height * scale)


def _caption(photo: SheetPhoto, picture: Picture | None) -> list[tuple[str, str, float]]:
    shows = f", shows: {', '.join(photo.shows)}" if photo.shows else ""
    lines = [
        (f"Photo {photo.number}{shows}", "Helvetica", 8.0),
        (f"taken {photo.taken}", "Helvetica", 8.0),
        (photo.reading, "Helvetica", 8.0),
        # 64 signs of 0.6 em must fit the column.
        (photo.sha256, "Courier", 6.2),
    ]
    note = "the picture was not at hand" if picture is None else picture.note
    return [*lines, (note, "Helvetica", 8.0)] if note else lines
