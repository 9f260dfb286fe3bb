"""The claim sheet as one HTML file: pictures inside, no script, nothing fetched."""

from base64 import b64encode
from collections.abc import Mapping

from polypward_cli.claim.pictures import Picture
from polypward_cli.claim.sheet import WHAT_THE_HASH_SHOWS, Sheet, amount_words, unbroken
from polypward_cli.templates import templates_of

__all__ = ["sheet_html"]


def sheet_html(sheet: Sheet, pictures: Mapping[str, Picture]) -> str:
    """Return the sheet as HTML; `pictures` are by the photos' SHA-256."""
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

    page = templates_of(__package__).get_template("sheet.html.j2")
    return page.render(
        s=sheet,
        pictures=shown,
        money=money,
        unbroken=unbroken,
        what_the_hash_shows=WHAT_THE_HASH_SHOWS,
    )
