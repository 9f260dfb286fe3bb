"""A round in words: lines for the terminal, and the same lines on one page to carry along."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from polypward.rounds import WASH, Leg, Round, Stop
from polypward_cli.files import write_bytes

if TYPE_CHECKING:
    from fpdf import FPDF

__all__ = ["Line", "lines_of", "write_page"]

Level = Literal["title", "head", "wash", "item", "note"]

_ODD_WORDS: Final = "closed, slime, gaping, tissue loose, eaten, gone"
_PUT_OFF_SHOWN: Final = 12
_PAGE_MM: Final = (210.0, 297.0)
_MARGIN_MM: Final = 11.0
_GAP_MM: Final = 6.0
# Largest first; the smallest that is still read on a clipboard. From the next on in two columns.
_SIZES_PT: Final = (13.0, 12.0, 11.0, 10.0, 9.0, 8.0, 7.0, 6.0)
_ONE_COLUMN_PT: Final = 10.0
_PT_MM: Final = 25.4 / 72
_LEADING: Final = 1.3
_BOXES: Final = ("[ ] ", "[x] ")
_BOX: Final = 0.75  # its edge in the height of the letters


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a round and what it is."""

    text: str
    level: Level = "item"


def lines_of(planned: Round) -> list[Line]:
    """Return the round in words."""
    due = len(planned.stops)
    if not planned.legs:
        return [Line(f"Round of {planned.on}: nothing due, no specimen is held here.", "title")]
    room = f" of the {planned.photos_per_day} a day has room for" if planned.photos_per_day else ""
    photos = f"{planned.photos} photo{'' if planned.photos == 1 else 's'}{room}"
    told = f"{due} to do, {photos}" if due else "nothing due but the daily look"
    lines = [Line(f"Round of {planned.on}: {told}.", "title")]
    standing = {leg.place.place: leg.place.standing for leg in planned.legs}
    if planned.urgent:
        lines.append(Line("Urgent, today", "head"))
        for stop in planned.urgent:
            lines.append(Line(_said(stop, where=True)))
            if stop.place and standing[stop.place] != "clean":
                lines.append(
                    Line(f"{stop.place} is {standing[stop.place]}: {WASH} after it", "wash")
                )
    for leg in planned.legs:
        lines += _leg(leg)
    if planned.put_off:
        lines += _put_off(planned)
    return lines


def _leg(leg: Leg) -> list[Line]:
    place = leg.place
    lines = [Line(WASH, "wash")] if leg.wash else []
    water = place.water_system if place.water_system != place.place else ""
    about = ", ".join(part for part in (water, place.standing if place.place else "") if part)
    lines.append(Line(f"{place.place or 'no place'}{f' ({about})' if about else ''}", "head"))
    if place.looked:
        lines.append(Line(f"[x] looked at {place.looked}", "note"))
    elif place.held:
        whole = f"all {place.held} as" if place.held > 1 else "as"
        lines.append(Line(f"[ ] {whole} yesterday, or: {_ODD_WORDS}", "note"))
    shown = {stop.specimen for stop in leg.stops if stop.kind == "look again"}
    lines += [
        Line(f"    still odd: {name}, {why}", "note")
        for name, why in place.odd.items()
        if name not in shown
    ]
    return lines + [Line(_said(stop)) for stop in leg.stops]


def _said(stop: Stop, *, where: bool = False) -> str:
    days = "1 day" if stop.late_days == 1 else f"{stop.late_days} days"
    late = f", {days} late" if stop.late_days > 0 else ""
    place = f" ({stop.place})" if where and stop.place else ""
    kind = "see to it" if stop.kind == "urgent" else stop.kind
    return f"[ ] {stop.specimen or 'the place'}{place}  {kind}{late}: {stop.why}"


def _put_off(planned: Round) -> list[Line]:
    count = len(planned.put_off)
    shown = [
        f"{stop.specimen} ({'never seen' if stop.unseen_since is None else stop.unseen_since})"
        for stop in planned.put_off[:_PUT_OFF_SHOWN]
    ]
    more = f" and {count - len(shown)} more" if count > len(shown) else ""
    photos = "1 photo" if count == 1 else f"{count} photos"
    return [
        Line("Put off", "head"),
        Line(
            f"{photos} beyond the {planned.photos_per_day} of a day (photos_per_day in ward.toml); "
            f"with the day last seen: {', '.join(shown)}{more}",
            "note",
        ),
    ]


def write_page(planned: Round, path: Path) -> int:
    """Write the round as a PDF of one A4 page; the number of lines that found no room on it.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    from fpdf import FPDF

    pdf = FPDF(unit="mm", format="A4")
    pdf.set_auto_page_break(False)
    pdf.set_title(f"Round of {planned.on}")
    pdf.add_page()
    lines = lines_of(planned)
    left = 0
    for size in _SIZES_PT:
        columns = 1 if size >= _ONE_COLUMN_PT else 2
        laid = _lay(pdf, lines, size, columns)
        left = len(laid) - _rows(size) * columns
        if left <= 0:
            break
    if left > 0:
        # One line more goes to say so.
        laid = laid[: _rows(size) * columns - 1]
        left += 1
        laid.append(("note", f"and {left} lines more: on the screen, polypward rounds"))
    _draw(pdf, laid, size, columns)
    write_bytes(path, bytes(pdf.output()))
    return max(left, 0)


def _rows(size: float) -> int:
    return int((_PAGE_MM[1] - 2 * _MARGIN_MM) / (size * _PT_MM * _LEADING))


def _width(columns: int) -> float:
    return (_PAGE_MM[0] - 2 * _MARGIN_MM - (columns - 1) * _GAP_MM) / columns


def _font(pdf: "FPDF", level: Level, size: float) -> None:
    pdf.set_font("Helvetica", "B" if level in ("title", "head", "wash") else "", size)


def _lay(pdf: "FPDF", lines: Sequence[Line], size: float, columns: int) -> list[tuple[Level, str]]:
    """Break lines to the width of a column."""
    laid: list[tuple[Level, str]] = []
    for line in lines:
        # What to wash stands with the place that follows it.
        if line.level in ("head", "wash") and laid and laid[-1][0] != "wash":
            laid.append(("note", ""))
        _font(pdf, line.level, size)
        # The page's built-in letters are those of western Europe.
        text = line.text.encode("cp1252", "replace").decode("cp1252")
        row = ""
        for word in text.split(" "):
            longer = f"{row} {word}" if row else word
            if row and pdf.get_string_width(longer) > _width(columns) - 1:
                laid.append((line.level, row))
                longer = f"      {word}"
            row = longer
        laid.append((line.level, row))
    return laid


def _draw(pdf: "FPDF", laid: Sequence[tuple[Level, str]], size: float, columns: int) -> None:
    rows, step = _rows(size), size * _PT_MM * _LEADING
    for position, (level, text) in enumerate(laid):
        column, row = divmod(position, rows)
        _font(pdf, level, size)
        x, y = _MARGIN_MM + column * (_width(columns) + _GAP_MM), _MARGIN_MM + (row + 1) * step
        if text.startswith(_BOXES):
            _box(pdf, x, y, size * _PT_MM * _BOX, ticked=text.startswith(_BOXES[1]))
            x, text = x + pdf.get_string_width(_BOXES[0]), text[len(_BOXES[0]) :]
        if level == "wash":
            pdf.line(x, y - step, x + _width(columns), y - step)
        pdf.text(x, y, text)


def _box(pdf: "FPDF", x: float, y: float, edge: float, *, ticked: bool) -> None:
    """Draw a box to tick that stands on the line of letters at `y`."""
    pdf.set_line_width(0.2)
    pdf.rect(x, y - edge, edge, edge)
    if ticked:
        pdf.polyline(
            [(x + edge * a, y - edge * b) for a, b in ((0.2, 0.5), (0.4, 0.2), (0.85, 0.85))]
        )
