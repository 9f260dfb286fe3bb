"""Batches as a ward has them: who lived how long, what came of it, what it cost."""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from statistics import median
from typing import Final

from polypward.batch import (
    BatchResult,
    ClaimMoney,
    Comparison,
    Life,
    Share,
    SurvivalCurve,
    Worth,
    batch_result,
    compare,
    families,
    life_of,
    share,
    survival,
    worth_of,
)
from polypward.care import Given, Tally, given, tally
from polypward.errors import BadInputError
from polypward.records import CareEvent, Specimen
from polypward_cli.amounts import amount_of
from polypward_cli.claim.ledger import claim_of, credited_pieces, dead_on_arrival, money_claimed
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit
from polypward_cli.ward.money_settings import money_of
from polypward_cli.water.history import doses_by_specimen

__all__ = [
    "GROUPS",
    "NO_NAME",
    "BatchMoney",
    "Group",
    "Survival",
    "batch_money",
    "note_cost",
    "survival_by",
]

GROUPS: Final = ("batch", "supplier", "kind", "plan")
NO_NAME: Final = "not named"
# Words of care that name a specimen's care plan in the detail `name`.
PLANS: Final = frozenset({"plan", "care-plan"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """A group of specimens that came: its lives, its curve, its losses, its days to sale."""

    name: str
    lives: tuple[Life, ...]
    curve: SurvivalCurve
    died: Share
    dead_on_arrival: Share
    sold: int
    left: int
    held: int
    days_to_sale: tuple[int, ...]
    care: Given

    @property
    def median_days_to_sale(self) -> float | None:
        """Median over those sold so far; None if none was."""
        return median(self.days_to_sale) if self.days_to_sale else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Survival:
    """The groups of a ward, how they compare, and who could not be counted and why."""

    by: str
    groups: tuple[Group, ...]
    comparison: Comparison
    not_counted: Mapping[str, str] = field(default_factory=dict)
    dead_but_here: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchMoney:
    """The money of a ward, for a page or a terminal: claims, batches, specimens.

    `results` and `worths` hold the same sales: they stand beside each other and are never added.
    """

    currency: str
    claims: ClaimMoney
    results: tuple[BatchResult, ...]
    worths: tuple[tuple[str, Worth], ...]  # batch, worth


def survival_by(ward: Ward, by: str, *, batches: Sequence[str] = ()) -> Survival:
    """Return the survival of the ward's specimens by batch, supplier, kind or care plan.

    Parameters
    ----------
    ward : Ward
        The ward.
    by : str
        One of `GROUPS`.
    batches : sequence of str
        Only specimens of these batches, as registered; empty = all.

    Raises
    ------
    BadInputError
        If `by` is none of them.
    """
    if by not in GROUPS:
        raise BadInputError(f'"{by}": group by one of {", ".join(GROUPS)}')
    dead = dead_on_arrival(ward)
    plans = _plans(ward.care()) if by == "plan" else {}
    name_of: Callable[[Specimen], str] = partial(_group_name, by=by, plans=plans)
    lives: dict[str, list[Life]] = defaultdict(list)
    not_counted: dict[str, str] = {}
    specimens = [one for one in ward.specimens() if not batches or one.batch in batches]
    done = _care_of_families(ward)
    for root, family in families(specimens).items():
        life = life_of(family, today=ward.zone_today, dead_on_arrival=dead)
        if isinstance(life, str):
            not_counted[root] = life
        else:
            lives[name_of(family[0])].append(life)
    return Survival(
        by=by,
        groups=tuple(_group(name, lives[name], dead, done) for name in sorted(lives)),
        comparison=compare(dict(sorted(lives.items()))),
        not_counted=not_counted,
        dead_but_here=tuple(
            one.specimen for one in specimens if one.specimen in dead and one.state == "held"
        ),
    )


def _plans(events: Sequence[CareEvent]) -> dict[str, str]:
    """Return the first care plan of each specimen: what came after may be a change for a reason."""
    found: dict[str, str] = {}
    for event in events:
        if event.what in PLANS and event.detail.get("name"):
            found.setdefault(event.specimen, event.detail["name"])
    return found


def _group_name(one: Specimen, *, by: str, plans: Mapping[str, str]) -> str:
    if by == "plan":
        return plans.get(one.specimen) or "no care plan noted"
    name: str = getattr(one, by)
    return name or NO_NAME


def _care_of_families(ward: Ward) -> dict[str, Tally]:
    """Return the care of each specimen that came; what its pieces had together counts once."""
    root_of = {
        one.specimen: root for root, family in families(ward.specimens()).items() for one in family
    }
    once: dict[str, dict[tuple[str, datetime], CareEvent]] = defaultdict(dict)
    for event in ward.care():
        root = root_of.get(event.specimen, event.specimen)
        once[root].setdefault((event.what, event.at), event)
    dosed: dict[str, set[str]] = defaultdict(set)
    for name, doses in doses_by_specimen(ward).items():
        dosed[root_of.get(name, name)].update(dose.detail["dose"] for dose in doses)
    told = {root: tally(once[root].values()) for root in {*once, *dosed}}
    return {
        root: replace(one, doses=one.doses + len(dosed.get(root, ()))) for root, one in told.items()
    }


def _group(name: str, lives: Sequence[Life], dead: set[str], done: Mapping[str, Tally]) -> Group:
    count = len(lives)
    ends = [life.ending for life in lives]
    return Group(
        name=name,
        lives=tuple(lives),
        curve=survival(lives),
        died=share(ends.count("died"), count),
        dead_on_arrival=share(sum(one.died and one.specimen in dead for one in lives), count),
        sold=ends.count("sold"),
        left=ends.count("left"),
        held=ends.count("held"),
        days_to_sale=tuple(sorted(life.days for life in lives if life.ending == "sold")),
        care=given((done.get(life.specimen, Tally()), life.days) for life in lives),
    )


def batch_money(ward: Ward, *, batch: str | None = None) -> BatchMoney:
    """Return the money of every batch, or of one (as registered)."""
    money = money_of(ward.settings.money, path=ward.settings.path)
    events: dict[str, list[CareEvent]] = defaultdict(list)
    for event in ward.care():
        events[event.specimen].append(event)
    of_batch: dict[str, list[Specimen]] = defaultdict(list)
    for one in ward.specimens():
        if one.batch and batch in (None, one.batch):
            of_batch[one.batch].append(one)
    credited = credited_pieces(ward)
    results, worths = [], []
    for name, specimens in sorted(of_batch.items()):
        mine = []
        for family in families(specimens).values():
            done = [event for one in family for event in events[one.specimen]]
            done.sort(key=lambda event: event.at)
            mine.append(worth_of(family, done, rates=money.rates, today=ward.zone_today))
        results.append(
            batch_result(
                name,
                specimens,
                mine,
                credited=claim_of(ward, name).credited,
                credited_pieces=credited,
                shared=shared_costs(ward, name),
            )
        )
        worths += [(name, worth) for worth in mine]
    return BatchMoney(
        currency=money.currency,
        claims=money_claimed(ward),
        results=tuple(results),
        worths=tuple(worths),
    )


def shared_costs(ward: Ward, batch: str) -> dict[str, float]:
    """Return what a batch cost as a whole, by what it was for."""
    rows = ward.db.query(
        "select what, amount from batch_costs where batch = ? order by what", [batch]
    )
    return {row["what"]: row["amount"] for row in rows}


def note_cost(ward: Ward, batch: str, text: str, *, at: datetime, by: str) -> tuple[str, float]:
    """Note a cost of a whole batch, written as freight=120; an earlier one goes into the audit.

    Raises
    ------
    BadInputError
        If it is not written so, or is no amount of money.
    """
    what, equals, amount_text = text.partition("=")
    what = " ".join(what.split()).lower()
    if not equals or not what:
        raise BadInputError(
            f'"{text}": write what it was for and an amount of 0 or more, as freight=120 '
            "(freight, permits, broker, tests ...)"
        )
    amount = amount_of(amount_text, what)
    row = {"amount": amount, "at": at.isoformat(), "by": by}
    with ward.db.atomic():
        old = list(
            ward.db.query(
                "select amount, at, by from batch_costs where batch = ? and what = ?", [batch, what]
            )
        )
        if old and old[0]["amount"] != amount:
            audit(ward.db, "batch cost changed", f"{batch}: {what}", old=old[0], new=row)
        ward.db.table("batch_costs").insert(
            {"batch": batch, "what": what, **row}, pk=("batch", "what"), replace=True
        )
    return what, amount
