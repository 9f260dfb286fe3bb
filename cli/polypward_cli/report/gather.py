"""What a report takes from the ledger beside the courses: water, batches, money, doses."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from polypward.batch import ClaimMoney, Clock, clock_of
from polypward.errors import BadInputError
from polypward.records import CareEvent
from polypward.water import Dose, State, Volume, WaterTest, water_state

if TYPE_CHECKING:
    from polypward_cli.claim.ledger import Claim
    from polypward_cli.edges import EdgeStep
    from polypward_cli.ward import Ward
    from polypward_cli.worth import BatchMoney, Survival

__all__ = ["Beside", "ToldClaim", "Water", "gather"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """A water system: its volume, how each parameter stands, its tests, what was given to it."""

    system: str
    volume: Volume | None
    states: tuple[State, ...]
    tests: tuple[WaterTest, ...] = ()
    given: tuple[Dose, ...] = ()  # doses and water changes, by time


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldClaim:
    """A claim with its supplier and how long it may still be sent."""

    claim: "Claim"
    supplier: str
    clock: Clock


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """All of it; empty for a ward of which nothing but photos is known.

    `doses` are the doses that the water of a specimen was given while it stood in it, by specimen;
    `edges` the steps of its live edge that were worked out so far.
    """

    claim_money: ClaimMoney = field(default_factory=ClaimMoney)
    claims: tuple[ToldClaim, ...] = ()
    waters: tuple[Water, ...] = ()
    survivals: tuple["Survival", ...] = ()
    money: "BatchMoney | None" = None
    doses: Mapping[str, Sequence[CareEvent]] = field(default_factory=dict)
    edges: "Mapping[str, Sequence[EdgeStep]]" = field(default_factory=dict)


def gather(ward: "Ward") -> Beside:
    """Read it from a ward.

    Raises
    ------
    BadInputError
        If ward.toml's money or suppliers cannot be read.
    """
    from polypward_cli.claim.ledger import money_claimed
    from polypward_cli.edges import kept_edges
    from polypward_cli.water.history import doses_by_specimen
    from polypward_cli.worth import GROUPS, batch_money, survival_by

    waters = tuple(_waters(ward))
    survivals = (survival_by(ward, by) for by in GROUPS)
    return Beside(
        claim_money=money_claimed(ward),
        claims=tuple(_claims(ward)),
        waters=waters,
        survivals=tuple(told for told in survivals if told.groups or told.not_counted),
        money=batch_money(ward),
        doses=doses_by_specimen(ward),
        edges=kept_edges(ward),
    )


def _waters(ward: "Ward") -> list[Water]:
    from polypward_cli.water.dosing import changes_of, doses_of
    from polypward_cli.water.systems import systems_of, targets_of, volume_of_system
    from polypward_cli.water.testing import water_tests_of

    found = []
    for system in systems_of(ward):
        tests = water_tests_of(ward, system)
        given = [*doses_of(ward, system), *changes_of(ward, system)]
        found.append(
            Water(
                system=system,
                volume=volume_of_system(ward, system),
                states=water_state(
                    tests,
                    targets=targets_of(ward, system),
                    on=ward.zone_today,
                    zone=ward.settings.zone,
                ),
                tests=tuple(tests),
                given=tuple(sorted(given, key=lambda dose: dose.at)),
            )
        )
    return found


def _claims(ward: "Ward") -> list[ToldClaim]:
    from polypward_cli.claim.ledger import batch_called, claims, supplier_of, terms_for

    # The day of the ward may be another than the clock's: hours are left as of that day's end.
    now = datetime.now(ward.settings.zone)
    if ward.zone_today != now.date():
        now = datetime.combine(
            ward.zone_today + timedelta(days=1), datetime.min.time(), ward.settings.zone
        )
    told = []
    for claim in claims(ward):
        try:
            supplier = supplier_of(*batch_called(ward, claim.batch))
            clock = clock_of(terms_for(ward, supplier), claim.moments, now=now, supplier=supplier)
        except BadInputError as error:  # a report goes on without it, and says why
            supplier, clock = "", Clock(why_not=str(error))
        told.append(ToldClaim(claim=claim, supplier=supplier, clock=clock))
    return told
