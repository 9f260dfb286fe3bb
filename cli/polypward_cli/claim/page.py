"""The claim sheet as one HTML file: pictures inside, no script, nothing fetched."""

from base64 import b64encode
from collections.abc import Mapping

from jinja2 import Environment, PackageLoader, StrictUndefined

from polypward_cli.claim.pictures import Picture
from polypward_cli.claim.sheet import WHAT_THE_HASH_SHOWS, Sheet, amount_words

__all__ = ["sheet_html"]


def sheet_html(sheet: Sheet, pictures: Mapping[str, Picture]) -> str:
    """Return the sheet as HTML; `pictures` are by the photos' SHA-256."""
    environment = Environment(
        loader=PackageLoader("polypward_cli.claim"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    shown = {
        sha256: {
            "b64": b64encode(picture.jpeg).decode(),
            "width": picture.width,
            "height": picture.height,
            "note": picture.note,
        }
        for sha256, picture in pictures.items()
    }

    def money(amount: float | None) -> str:
        return "not known" if amount is None else amount_words(amount, sheet.currency)

    return environment.get_template("sheet.html.j2").render(
        s=sheet, pictures=shown, money=money, what_the_hash_shows=WHAT_THE_HASH_SHOWS
    )
