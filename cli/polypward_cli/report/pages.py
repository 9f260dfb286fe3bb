"""From views to HTML files: the only place of the report that knows the templates."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from markupsafe import Markup, escape

from polypward_cli.report.views import IndexView, SpecimenView, WardView
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
        values = {"ward": self._ward, "up": up, "here": "", "row_of": row_of, **values}
        self._put(file, templates_of(__package__).get_template(template).render(values))

    def _put(self, file: str, text: str) -> None:
        (self._folder / file).write_text(text, encoding="utf-8", errors="replace", newline="\n")
