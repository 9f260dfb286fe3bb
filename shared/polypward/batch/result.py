"""What a batch came to: sales and credits, less what it cost to land it, less its care."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from polypward.batch.lives import families
from polypward.batch.worth import Worth, carried
from polypward.records import Specimen

__all__ = ["BatchResult", "batch_result"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchResult:
    """The money of a batch; `result` is None, with what is missing, where it cannot be told.

    It stands beside the worth of its specimens and is never added to it: both hold the sales.
    `credited_and_sold` are pieces a supplier credited and that were sold later.
    """

    batch: str
    sales: float
    credits: float
    pieces: float | None
    shared: Mapping[str, float] = field(default_factory=dict)
    care: float | None
    result: float | None
    on_the_tables: int
    missing: tuple[str, ...] = ()
    credited_and_sold: tuple[str, ...] = ()

    @property
    def landed(self) -> float | None:
        """Pieces, freight, permits, broker and tests together."""
        return None if self.pieces is None else self.pieces + sum(self.shared.values())


def batch_result(
    batch: str,
    specimens: Sequence[Specimen],
    worths: Sequence[Worth],
    *,
    credited: float,
    credited_pieces: Collection[str],
    shared: Mapping[str, float],
) -> BatchResult:
    """Return the result of a batch.

    Result = sales + credits - landed cost (pieces, freight, permits, broker, tests) - care.

    Parameters
    ----------
    batch : str
        Its name.
    specimens : sequence of Specimen
        Those that came with it, and what was split from them.
    worths : sequence of Worth
        One for each that came with it.
    credited : float
        What the supplier credited.
    credited_pieces : collection of str
        The pieces of a claim that was credited.
    shared : mapping of str to float
        Costs of the whole batch by name: freight, permits, broker, tests ...
    """
    costs_of = {
        root: carried(one.cost for one in family) for root, family in families(specimens).items()
    }
    unpriced = [root for root, cost in costs_of.items() if cost is None]
    pieces = None if unpriced else sum(cost or 0.0 for cost in costs_of.values())
    costs = [worth.cost for worth in worths]
    care = None if any(cost is None for cost in costs) else sum(cost or 0.0 for cost in costs)
    missing = [f"the cost of {name}" for name in unpriced]
    # Landing a batch does not depend on what its pieces would have fetched as they were.
    for worth in worths:
        missing += [what for what in worth.missing if "as_is_price" not in what]
    missing = list(dict.fromkeys(missing))
    sales = sum(worth.received for worth in worths)
    result = None
    if pieces is not None and care is not None and not missing:
        result = sales + credited - pieces - sum(shared.values()) - care
    sold = {one.specimen for one in specimens if one.state == "sold"}
    return BatchResult(
        batch=batch,
        sales=sales,
        credits=credited,
        pieces=pieces,
        shared=dict(shared),
        care=care,
        result=result,
        on_the_tables=sum(one.state == "held" for one in specimens),
        missing=tuple(missing),
        credited_and_sold=tuple(sorted(sold & set(credited_pieces))),
    )
