"""Care of specimens, as rules without files: feeding, treatments, quarantine, cautions."""

from polypward.care.cautions import NOTE, Caution, caution_tasks, cautions_of, every_caution
from polypward.care.feeding import (
    AMOUNTS,
    RESPONSES,
    Part,
    PortionCost,
    eaten_word,
    portion_cost,
    refusals_in_a_row,
    response_of,
)
from polypward.care.given import Given, given
from polypward.care.marks import Tally, history_words, mark_of, tally
from polypward.care.quarantine import (
    SIGNS,
    STANDINGS,
    Inspection,
    PlaceStanding,
    earliest_exit,
    hindrances,
)
from polypward.care.sharing import Shared, Stay, shared_water
from polypward.care.treatment import BathLimits, ago, bath_faults, nearest_bath

__all__ = [
    "AMOUNTS",
    "NOTE",
    "RESPONSES",
    "SIGNS",
    "STANDINGS",
    "BathLimits",
    "Caution",
    "Given",
    "Inspection",
    "Part",
    "PlaceStanding",
    "PortionCost",
    "Shared",
    "Stay",
    "Tally",
    "ago",
    "bath_faults",
    "caution_tasks",
    "cautions_of",
    "earliest_exit",
    "eaten_word",
    "every_caution",
    "given",
    "hindrances",
    "history_words",
    "mark_of",
    "nearest_bath",
    "portion_cost",
    "refusals_in_a_row",
    "response_of",
    "shared_water",
    "tally",
]
