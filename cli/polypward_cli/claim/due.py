"""Claims that can still be sent: batches whose window is open."""

from datetime import datetime

from polypward.batch.claims import clock_of
from polypward.errors import BadInputError
from polypward_cli.claim.ledger import batch_called, claim_of, supplier_of, terms_for
from polypward_cli.ward import Ward

__all__ = ["claims_due"]


def claims_due(ward: Ward, *, now: datetime) -> list[str]:
    """Return a line for each batch that may still be claimed, the shortest time first.

    A batch whose landing, delivery or opening was noted counts, whether a piece of it is claimed
    yet or not; one whose claim was sent does not.
    """
    if not ward.settings.suppliers:
        return []
    begun = {row["batch"]: row["state"] for row in ward.db.query("select * from claims")}
    opened = {row["batch"] for row in ward.db.query("select distinct batch from unpackings")}
    found: list[tuple[float, str]] = []
    for batch in sorted({*begun, *opened}):
        if begun.get(batch, "open") != "open":
            continue
        try:
            _, specimens = batch_called(ward, batch)
            supplier = supplier_of(batch, specimens)
            terms = terms_for(ward, supplier)
        except BadInputError as error:  # a round goes on without it, and says why
            found.append((0.0, f"Claim on batch {batch}: {error}"))
            continue
        claim = claim_of(ward, batch)
        clock = clock_of(terms, claim.moments, now=now, supplier=supplier)
        if clock.hours_left is not None and clock.hours_left > 0:
            count = len(claim.pieces)
            what = (
                f"{count} piece{'' if count == 1 else 's'} claimed, not sent"
                if count
                else ("nothing claimed yet")
            )
            line = f"Claim on batch {batch}: {clock.words()}; {what}. polypward claim {batch}"
            found.append((clock.hours_left, line))
    return [line for _, line in sorted(found)]
