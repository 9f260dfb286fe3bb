"""A claim sheet as a record: what it says, in the order it says it, and the hash over the whole.

What is not in this record is not in a sheet: no place where a photo was taken, no file name, no
price but that of the pieces claimed, nobody's name but the supplier's and the ward owner's.
"""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from polypward.batch.claims import Clock, Verdict
from polypward.batch.shares import Share

__all__ = [
    "WHAT_THE_HASH_SHOWS",
    "Sheet",
    "SheetPhoto",
    "SheetPiece",
    "amount_words",
    "unbroken",
]

WHAT_THE_HASH_SHOWS = (
    "The hash shows whether anything here was changed after the sheet was made. It does not show "
    "when a photo was taken: the times are those that the cameras wrote. Send the sheet within "
    "the supplier's window; the date of the message is the proof."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetPhoto:
    """A photo as a sheet cites it: its number, time, SHA-256, what it shows and its reading."""

    number: int
    sha256: str
    taken: str
    shows: tuple[str, ...]
    reading: str
    note: str = ""  # where the picture is not the whole photo


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetPiece:
    """A piece claimed: the person's verdict, what is asked for it, its photos by number."""

    specimen: str
    kind: str
    verdict: Verdict
    note: str
    price: float | None
    asked: float | None
    missing: tuple[str, ...]
    photos: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """Everything a claim sheet says; times are text, ISO 8601 with offset."""

    batch: str
    supplier: str
    owner: str
    currency: str
    made_at: datetime
    moments: tuple[tuple[str, str], ...]
    clock: Clock
    window: str
    dead: Share
    poor: Share
    together: Share
    pieces: tuple[SheetPiece, ...]
    photos: tuple[SheetPhoto, ...]
    shared_photos: tuple[int, ...]  # those that serve the whole batch
    short_of: str = ""
    note: str = ""

    @property
    def asked(self) -> float:
        """What is asked for all pieces whose price is known."""
        return sum(piece.asked or 0.0 for piece in self.pieces)

    @property
    def unpriced(self) -> int:
        """Pieces without a known price."""
        return sum(piece.asked is None for piece in self.pieces)

    @property
    def counts_words(self) -> str:
        """How many were found dead and poor, with their intervals."""
        found = [
            share.words(what)
            for share, what in ((self.dead, "dead"), (self.poor, "poor"))
            if share.count
        ]
        return "; ".join([self.together.words("claimed"), *found] if len(found) > 1 else found)

    @property
    def window_rows(self) -> tuple[tuple[str, str], ...]:
        """The claim window and its end, as far as they are known, each with its name."""
        if not self.clock.deadline:
            return ()
        until = self.clock.deadline.isoformat(timespec="minutes")
        return (("Claim window", self.window), ("Window ends", until))

    @property
    def asked_words(self) -> str:
        """What is asked, with the pieces that have no price."""
        words = amount_words(self.asked, self.currency)
        if self.unpriced:
            words += f" and {self.unpriced} without a known price"
        return words

    def photos_of(self, numbers: Sequence[int]) -> list[SheetPhoto]:
        """Return the photos with these numbers."""
        return [photo for photo in self.photos if photo.number in numbers]

    def contents(self) -> str:
        """Return the whole as plain text, a fact a line; `sha256` is the hash of its UTF-8 bytes.

        The time at which it was made and the hours left then are not in it: made again from the
        same facts it is the same text.
        """
        return "".join(f"{' '.join(line.split())}\n" for line in self._facts())

    @property
    def sha256(self) -> str:
        """The hash over the whole."""
        return hashlib.sha256(self.contents().encode()).hexdigest()

    def _facts(self) -> Iterator[str]:
        yield f"claim for batch {self.batch}"
        yield f"supplier: {self.supplier}"
        yield f"from: {self.owner}"
        for moment, at in self.moments:
            yield f"{moment}: {at}"
        yield f"window: {self.window}"
        for share, what in ((self.dead, "dead"), (self.poor, "poor"), (self.together, "claimed")):
            yield share.words(what)
        yield f"asked: {self.asked_words}"
        yield f"note: {self.note}"
        for piece in self.pieces:
            price = "not known" if piece.price is None else amount_words(piece.price, self.currency)
            asked = "not known" if piece.asked is None else amount_words(piece.asked, self.currency)
            photos = " ".join(map(str, piece.photos))
            yield (
                f"piece {piece.specimen}: {piece.kind}; verdict {piece.verdict}; {piece.note}; "
                f"price {price}; asked {asked}; photos {photos}"
            )
        yield f"photos of the whole batch: {' '.join(map(str, self.shared_photos))}"
        for photo in self.photos:
            shows = ", ".join(photo.shows)
            yield (
                f"photo {photo.number}: sha256 {photo.sha256}; taken {photo.taken}; shows {shows}; "
                f"{photo.reading}"
            )


def amount_words(amount: float, currency: str) -> str:
    """Return an amount of money with its currency, if one is set."""
    text = f"{amount:,.2f}".replace(",", "\N{NARROW NO-BREAK SPACE}")
    return f"{text} {currency}".strip()


def unbroken(text: str) -> str:
    """Return text whose numbers are not parted from their per cent sign at the end of a line."""
    return text.replace(" %", "\N{NO-BREAK SPACE}%")
