"""Claims against a supplier: the terms, the hours left, what proof is missing, what is asked."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final, Literal

__all__ = [
    "CLAIM_STATES",
    "MOMENTS",
    "PROOFS",
    "VERDICTS",
    "ClaimMoney",
    "Clock",
    "Moment",
    "Piece",
    "State",
    "Terms",
    "Verdict",
    "clock_of",
    "missing_proof",
    "money_of_claims",
    "piece_amount",
    "short_of",
]

Verdict = Literal["dead", "poor"]
Moment = Literal["landing", "delivery", "opening"]
State = Literal["open", "sent", "answered", "closed"]
VERDICTS: Final[tuple[Verdict, ...]] = ("dead", "poor")
MOMENTS: Final[tuple[Moment, ...]] = ("landing", "delivery", "opening")
CLAIM_STATES: Final[tuple[State, ...]] = ("open", "sent", "answered", "closed")
# What photos of an arrival show; a supplier may ask for others in words of their own.
PROOFS: Final = ("sealed bag", "box label", "out of bag")
# One photo of these serves every piece that came with it.
SHARED_PROOFS: Final = frozenset({"box label"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What a supplier asks of a claim and gives for it; None = not said.

    Parameters
    ----------
    window_hours : float, optional
        How long a claim may come, counted from the moment `since`.
    proof : tuple of str
        What must be seen in a photo of each piece.
    smallest_loss_percent : float
        Share of the batch's pieces under which nothing is credited, 0 to 100.
    smallest_loss_amount : float
        Money under which nothing is credited.
    credit_dead_percent, credit_poor_percent : float, optional
        Share of a piece's price that is credited, 0 to 100.
    """

    supplier: str
    window_hours: float | None = None
    since: Moment = "delivery"
    proof: tuple[str, ...] = ()
    smallest_loss_percent: float = 0.0
    smallest_loss_amount: float = 0.0
    credit_dead_percent: float | None = None
    credit_poor_percent: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """How long a claim may still be sent; without `deadline`, `why_not` says why."""

    deadline: datetime | None = None
    hours_left: float | None = None
    why_not: str = ""

    def words(self) -> str:
        """Return e.g. "5 h 20 min left" or "closed 3 h ago"."""
        if self.hours_left is None:
            return f"hours left: not available, because {self.why_not}"
        minutes = round(abs(self.hours_left) * 60)
        hours, rest = divmod(minutes, 60)
        span = f"{hours} h" if hours >= 48 or not rest else f"{hours} h {rest} min"
        span = f"{rest} min" if not hours else span
        span = f"{hours // 24} days" if hours > 96 else span
        return f"{span} left" if self.hours_left > 0 else f"the window closed {span} ago"


def clock_of(
    terms: Terms | None, moments: Mapping[str, datetime], *, now: datetime, supplier: str = ""
) -> Clock:
    """Return the hours left on a claim.

    Parameters
    ----------
    terms : Terms or None
        The supplier's terms.
    moments : mapping of str to datetime
        When the batch landed, was delivered and was opened, as far as noted; aware.
    now : datetime
        Aware.
    supplier : str
        Whose terms are missing, for the sentence.
    """
    if terms is None or terms.window_hours is None:
        return Clock(why_not=f"no claim window of {supplier or 'the supplier'} is in ward.toml")
    start = moments.get(terms.since)
    if start is None:
        return Clock(why_not=f"the time of {terms.since} is not noted")
    deadline = start + timedelta(hours=terms.window_hours)
    return Clock(deadline=deadline, hours_left=(deadline - now).total_seconds() / 3600)


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A piece that a person found dead or poor; `proof` is what its photos show."""

    specimen: str
    verdict: Verdict
    price: float | None = None
    proof: frozenset[str] = field(default_factory=frozenset)


def missing_proof(piece: Piece, terms: Terms | None) -> tuple[str, ...]:
    """Return which proof the terms ask for that no photo of the piece shows."""
    wanted = terms.proof if terms is not None else ()
    return tuple(kind for kind in wanted if kind not in piece.proof)


def piece_amount(piece: Piece, terms: Terms | None) -> float | None:
    """Return what is asked for a piece: its price, by the share the terms name; None if no price.

    Without a share in the terms the whole price is asked.
    """
    if piece.price is None:
        return None
    share = None
    if terms is not None:
        dead = piece.verdict == "dead"
        share = terms.credit_dead_percent if dead else terms.credit_poor_percent
    return piece.price if share is None else piece.price * share / 100


def short_of(pieces: Sequence[Piece], terms: Terms | None, *, of: int) -> str:
    """Return why the loss is under the smallest that the supplier credits, or "" if it is not.

    Parameters
    ----------
    pieces : sequence of Piece
        The pieces claimed.
    terms : Terms or None
        The supplier's terms.
    of : int
        Pieces in the batch.
    """
    if terms is None or not pieces:
        return ""
    percent = 100 * len(pieces) / of if of else 0.0
    if percent < terms.smallest_loss_percent:
        return (
            f"{len(pieces)} of {of} is {percent:.0f} %; the supplier credits a loss from "
            f"{terms.smallest_loss_percent:g} %"
        )
    amounts = [piece_amount(piece, terms) for piece in pieces]
    if all(amount is not None for amount in amounts):
        total = sum(amount or 0.0 for amount in amounts)
        if total < terms.smallest_loss_amount:
            return (
                f"{total:.2f} is asked; the supplier credits a loss from "
                f"{terms.smallest_loss_amount:g}"
            )
    return ""


@dataclass(frozen=True, slots=True)
class ClaimMoney:
    """The money of claims: `open` is what was asked and neither credited nor given up yet."""

    claimed: float = 0.0
    credited: float = 0.0
    open: float = 0.0
    without_price: int = 0

    def words(self, currency: str = "") -> str:
        """Return it as a line, with the ward's currency; "" if nothing was claimed."""
        if not (self.claimed or self.credited or self.without_price):
            return ""
        line = (
            f"Claims: {_money(self.claimed, currency)} claimed, "
            f"{_money(self.credited, currency)} credited, {_money(self.open, currency)} still open"
        )
        if self.without_price:
            pieces = "1 piece" if self.without_price == 1 else f"{self.without_price} pieces"
            line += f" (without {pieces} of no known cost)"
        return f"{line}."


def money_of_claims(claims: Iterable[tuple[State, float, float, int]]) -> ClaimMoney:
    """Add up claims, each given as its state, money asked, money credited, pieces of no price."""
    claimed = credited = still_open = 0.0
    without = 0
    for state, asked, got, unpriced in claims:
        claimed += asked
        credited += got
        without += unpriced
        if state != "closed":
            still_open += max(0.0, asked - got)
    return ClaimMoney(claimed, credited, still_open, without)


def _money(amount: float, currency: str) -> str:
    text = f"{amount:,.2f}".replace(",", "\N{NARROW NO-BREAK SPACE}")
    return f"{text} {currency}".strip()
