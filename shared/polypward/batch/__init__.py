"""Many specimens together: survival, loss shares, claims, and what the work was worth."""

from polypward.batch.claims import (
    CLAIM_STATES,
    PROOFS,
    VERDICTS,
    ClaimMoney,
    Clock,
    Piece,
    Terms,
    clock_of,
    missing_proof,
    money_of_claims,
    piece_amount,
    short_of,
)
from polypward.batch.lives import Life, families, life_of
from polypward.batch.result import BatchResult, batch_result
from polypward.batch.shares import Share, share
from polypward.batch.survival import (
    FEWEST_DEATHS,
    Comparison,
    Step,
    SurvivalCurve,
    compare,
    survival,
)
from polypward.batch.worth import Rates, Rescue, Worth, carried, received_of, rescue_of, worth_of

__all__ = [
    "CLAIM_STATES",
    "FEWEST_DEATHS",
    "PROOFS",
    "VERDICTS",
    "BatchResult",
    "ClaimMoney",
    "Clock",
    "Comparison",
    "Life",
    "Piece",
    "Rates",
    "Rescue",
    "Share",
    "Step",
    "SurvivalCurve",
    "Terms",
    "Worth",
    "batch_result",
    "carried",
    "clock_of",
    "compare",
    "families",
    "life_of",
    "missing_proof",
    "money_of_claims",
    "piece_amount",
    "received_of",
    "rescue_of",
    "share",
    "short_of",
    "survival",
    "worth_of",
]
