"""Feedings: what a portion costs, and how a specimen answered to food."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from polypward.errors import BadInputError
from polypward.records import CareEvent

__all__ = [
    "AMOUNTS",
    "RESPONSES",
    "Part",
    "PortionCost",
    "eaten_word",
    "portion_cost",
    "refusals_in_a_row",
    "response_of",
]

Response = Literal["took", "part", "refused", "spat"]
# How a specimen answered to food, best first, with what a keeper sees.
RESPONSES: Final[dict[str, str]] = {
    "took": "took it",
    "part": "took part of it",
    "refused": "refused it",
    "spat": "spat it out",
}
# A heavy feeding inflates the polyps for hours; the course leaves such visits' colour out.
AMOUNTS: Final = ("light", "usual", "heavy")
_REFUSED: Final = frozenset({"refused", "spat"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """So much of one food in a mix, in the food's own unit."""

    food: str
    quantity: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PortionCost:
    """Cost of one portion in the ward's money; None with the foods whose price is not known."""

    cost: float | None
    unpriced: tuple[str, ...] = ()


def portion_cost(
    parts: Sequence[Part], *, prices: Mapping[str, float | None], portions: float
) -> PortionCost:
    """Return what one portion of a mix costs.

    Parameters
    ----------
    parts : sequence of Part
        What the whole mix holds.
    prices : mapping of food to price
        Price of one unit of each food in the ward's money; None = not known.
    portions : float
        How many portions the mix makes, over 0.

    Returns
    -------
    PortionCost
        Without a cost if any price is missing: a sum that leaves a food out would look cheap.

    Raises
    ------
    BadInputError
        If `portions` is not over 0.
    """
    if not portions > 0:
        raise BadInputError(f"portions must be over 0, got {portions:g}")
    unpriced = tuple(part.food for part in parts if prices.get(part.food) is None)
    if unpriced or not parts:
        return PortionCost(cost=None, unpriced=unpriced)
    whole = sum(part.quantity * (prices[part.food] or 0.0) for part in parts)
    return PortionCost(cost=whole / portions)


def eaten_word(response: str) -> str:
    """Return "yes" or "no", what the advice rules read as `eaten`; taking part of it is eating.

    Raises
    ------
    BadInputError
        If it is none of `RESPONSES`.
    """
    if response not in RESPONSES:
        raise BadInputError(
            f'response "{response}": it is one of {", ".join(RESPONSES)}, or left out if nobody saw'
        )
    return "no" if response in _REFUSED else "yes"


def response_of(event: CareEvent) -> str:
    """Return how the specimen answered in a feeding; "" where nobody said.

    A feeding noted only with ``eaten=yes`` or ``eaten=no`` counts as took or refused.
    """
    if event.what != "feeding":
        return ""
    said = event.detail.get("response", "")
    if said in RESPONSES:
        return said
    return {"yes": "took", "no": "refused"}.get(event.detail.get("eaten", ""), "")


def refusals_in_a_row(events: Iterable[CareEvent]) -> tuple[CareEvent, ...]:
    """Return the refused feedings up to the newest one, oldest first.

    Feedings that nobody watched say nothing: they neither count nor break the row. The length is
    what the round looks at: two in a row are worth a look (common practice, no source).
    """
    row: list[CareEvent] = []
    for event in sorted(events, key=lambda event: event.at):
        said = response_of(event)
        if said:
            row = [*row, event] if said in _REFUSED else []
    return tuple(row)
