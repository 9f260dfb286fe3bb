"""From views to HTML files: the only place of the report that knows the templates."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from markupsafe import Markup, escape

from polypward_cli.report.views import CutOutView, IndexView, SpecimenView, WardView
from polypward_cli.report.ward_views import WardPageView
from polypward_cli.templates import templates_of

__all__ = ["Pages"]

# Files that are copied as they are.
PLAIN = ("style.css", "report.js")
SPECIMENS = "specimens"
_PARTING = "\x1f"  # no text has it, and none keeps it


def row_of(cells: Sequence[str]) -> Markup:
    """Return the cells of a table's row as HTML, the first one its heading.

    Escaped in one go, as a large ward has a million of them.
    """
    joined = _PARTING.join(cell.replace(_PARTING, "") for cell in cells)
    head, _, rest = str(escape(joined)).partition(_PARTING)
    tail = rest.replace(_PARTING, "</td><td>")
    return Markup(f'<th scope="row">{head}</th><td>{tail}</td>')


def cut_of(cut: CutOutView, alt: str, up: str = "", *, framed: bool = False) -> Markup:
    """Return a cut-out under its outlines as HTML; a large ward has a hundred thousand of them.

    `framed` puts it at its place in the square that a strip's cut-outs share; else it is the
    picture alone. `up` leads from the page to the first one.
    """
    width, height = cut.width, cut.height
    ratio, place = f' style="aspect-ratio:{width}/{height}"', ""
    if framed and cut.style:
        ratio, place = "", f' style="{escape(cut.style)}"'
    paths = "".join(
        f'<path class="{name} under" d="{path}"/><path class="{name}" d="{path}"/>'
        for name, path in ((escape(name), escape(path)) for name, path in cut.outlines.items())
    )
    outline = (
        f'<svg class="outline" viewBox="0 0 {width} {height}" preserveAspectRatio="none" '
        f'aria-hidden="true" focusable="false">{paths}</svg>'
    )
    return Markup(
        f'<span class="cut"{ratio}><span class="pic"{place}>'
        f'<img src="{escape(up + cut.src)}" width="{width}" height="{height}" alt="{escape(alt)}" '
        f'loading="lazy" decoding="async">{outline if paths else ""}</span></span>'
    )


class Pages:
    """Writes the pages of one report into a folder.

    Parameters
    ----------
    folder : Path
        An existing folder.
    ward : WardView
        What every page says.
    """

    def __init__(self, folder: Path, ward: WardView) -> None:
        self._folder = folder
        self._ward = ward
        (folder / SPECIMENS).mkdir()

    def write_specimen(self, view: SpecimenView) -> None:
        """Write the specimen's own page."""
        self._write(view.href, "specimen.html.j2", {"s": view}, up="../")

    def write_rest(self, page: IndexView, ward_page: WardPageView) -> None:
        """Write the other pages: today, all specimens, ward, photos, numbers; style and script."""
        values = {"page": page, "w": ward_page}
        for name in ("index", "all", "ward", "photos", "numbers"):
            self._write(f"{name}.html", f"{name}.html.j2", {**values, "here": name})
        loader = templates_of(__package__).loader
        assert loader is not None
        for name in PLAIN:
            text, _, _ = loader.get_source(templates_of(__package__), name)
            self._put(name, text)

    def _write(self, file: str, template: str, values: Mapping[str, Any], *, up: str = "") -> None:
        parts = {"row_of": row_of, "cut_of": cut_of}
        values = {"ward": self._ward, "up": up, "here": "", **parts, **values}
        self._put(file, templates_of(__package__).get_template(template).render(values))

    def _put(self, file: str, text: str) -> None:
        (self._folder / file).write_text(text, encoding="utf-8", errors="replace", newline="\n")
