"""The ward's own page: water, batches and their survival, worth, claims."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import tzinfo
from typing import TYPE_CHECKING, Final

from polypward.batch import BatchResult, Share, Worth
from polypward_cli.claim.sheet import amount_words
from polypward_cli.report import words
from polypward_cli.report.drawn import Drawn
from polypward_cli.report.gather import Beside, ToldClaim
from polypward_cli.report.survival_chart import MOST_CURVES, survival_chart
from polypward_cli.report.ward_views import (
    ClaimView,
    GroupRowView,
    ResultView,
    SurvivalView,
    WardPageView,
)
from polypward_cli.report.water_page import oldest_test, water_view

if TYPE_CHECKING:
    from polypward_cli.worth import Group, Survival

__all__ = ["amount", "ward_page_view"]

# What is missing for a batch's result: so many things are named, the rest counted.
_MOST_NAMED: Final = 3
_MOST_SPECIMENS: Final = 12
_BY: Final = {
    "batch": "By batch",
    "supplier": "By supplier",
    "kind": "By kind",
    "plan": "By care plan",
}


def ward_page_view(beside: Beside, *, zone: tzinfo, drawn: Drawn | None = None) -> WardPageView:
    """Return the page, with the two lines that the first page has from it."""
    drawn = drawn or Drawn()
    money = beside.money
    currency = money.currency if money is not None else ""
    return WardPageView(
        money=_money_line(beside, currency),
        currency=currency,
        claimed=_claimed(beside, currency),
        water=oldest_test(beside.waters, brief=True),
        tested=oldest_test(beside.waters),
        worth=_worth_words([worth for _, worth in money.worths], currency) if money else "",
        waters=tuple(
            water_view(water, number=number, zone=zone, drawn=drawn)
            for number, water in enumerate(beside.waters)
        ),
        survivals=tuple(_survival(told, drawn) for told in beside.survivals if _tells(told)),
        results=tuple(_result(one, currency) for one in money.results) if money else (),
        claims=tuple(_claim(one, currency) for one in beside.claims),
    )


def _money_line(beside: Beside, currency: str) -> str:
    """Return claimed, credited and still open, and what recovery was worth, in one line."""
    claims = _claimed(beside, currency)
    if beside.money is None:
        return claims
    known = _known(worth for _, worth in beside.money.worths)
    if not known:
        return f"{claims} Worth of recovery: not available yet."
    total = amount(sum(known), currency)
    return f"{claims} Worth of recovery: {total} ({words.counted(len(known), 'specimen')})."


def _claimed(beside: Beside, currency: str) -> str:
    money = beside.claim_money
    if not (money.claimed or money.credited or money.without_price):
        return "Claims: none made."
    told = (
        f"Claims: {amount(money.claimed, currency)} claimed, "
        f"{amount(money.credited, currency)} credited, {amount(money.open, currency)} still open"
    )
    if money.without_price:
        told += f" (without {words.counted(money.without_price, 'piece')} of no known cost)"
    return f"{told}."


def amount(value: float, currency: str) -> str:
    """Return an amount of money with its currency, a true minus before a loss."""
    return amount_words(value, currency).replace("-", "\N{MINUS SIGN}")


def _known(worths: Iterable[Worth]) -> list[float]:
    return [one.worth for one in worths if one.worth is not None and one.ended]


def _worth_words(worths: Sequence[Worth], currency: str) -> str:
    if not worths:
        return ""
    known, ended = _known(worths), [one for one in worths if one.ended]
    if not ended:
        return "Worth of recovery: not available, because every specimen is still on the tables."
    if known:
        told = f"Worth of recovery: {amount(sum(known), currency)} from {len(known)} of "
        told += f"{words.counted(len(ended), 'specimen')} that left"
        return f"{told}." if len(known) == len(ended) else f"{told}; the others lack a figure."
    missing = dict.fromkeys(what for one in ended for what in one.missing)
    return f"Worth of recovery: not available, because these are missing: {_few(list(missing))}."


def _few(names: Sequence[str], *, most: int = _MOST_NAMED) -> str:
    more = len(names) - most
    return "; ".join(names[:most]) + (f"; and {more} more" if more > 0 else "")


def _tells(told: "Survival") -> bool:
    """Who was not counted stands once; care plans tell something once there are two."""
    return told.by == "batch" or len(told.groups) > (told.by == "plan")


def _survival(told: "Survival", drawn: Drawn) -> SurvivalView:
    groups = [group for group in told.groups if group.lives]
    title = _BY.get(told.by, told.by)
    key = f"survival-{told.by}"
    charts = [survival_chart(key, f"Survival {title.lower()}", groups)] if groups else []
    return SurvivalView(
        by=told.by,
        title=title,
        chart=next(iter(drawn.views(f"/{key}", charts)), None),
        drawn=min(len(groups), MOST_CURVES),
        rows=tuple(map(_group, groups)),
        compared=_compared(told),
        not_counted=_not_counted(told.not_counted) if told.by == "batch" else (),
    )


def _not_counted(why: Mapping[str, str]) -> tuple[str, ...]:
    """Return a line for each reason, with how many and the first of them."""
    by_reason: dict[str, list[str]] = defaultdict(list)
    for name, reason in sorted(why.items()):
        by_reason[reason].append(name)
    return tuple(
        f"Not counted ({reason}): {_few(names, most=_MOST_SPECIMENS)}."
        for reason, names in by_reason.items()
    )


def _group(group: "Group") -> GroupRowView:
    half = group.curve.median_days
    sale = group.median_days_to_sale
    return GroupRowView(
        name=group.name,
        came=len(group.lives),
        held=group.held,
        sold=group.sold,
        left=group.left,
        died=_share(group.died),
        dead_on_arrival=str(group.dead_on_arrival.count),
        half="not reached" if half is None else f"day {half}",
        to_sale="none sold" if sale is None else f"{sale:g}",
    )


def _share(one: Share) -> str:
    if one.share is None or one.low is None or one.high is None:
        return "n/a"
    low, high = 100 * one.low, 100 * one.high
    return f"{one.count} ({100 * one.share:.0f} %; 95 %: {low:.0f} to {high:.0f} %)"


def _compared(told: "Survival") -> str:
    result = told.comparison
    if result.p is None or result.chi2 is None:
        return f"Not compared by a test, because {result.why_not}." if result.why_not else ""
    p = "p < 0.001" if result.p < 0.001 else f"p = {result.p:.3f}"
    return (
        f"Log-rank test: {p} (chi-square {result.chi2:.2f} on {result.df}). Specimens that share "
        "water are not independent, so that p is rather too small; and nobody drew lots for who "
        "came from where."
    )


def _result(one: BatchResult, currency: str) -> ResultView:
    def told(value: float | None) -> str:
        return "not known" if value is None else amount(value, currency)

    remark = ""
    if one.missing:
        remark = f"Not available, because these are missing: {_few(one.missing)}."
    elif one.on_the_tables:
        remark = f"So far: {one.on_the_tables} still on the tables."
    if one.credited_and_sold:
        remark += f" Credited and later sold: {', '.join(one.credited_and_sold)}."
    return ResultView(
        batch=one.batch,
        sales=told(one.sales),
        credits=told(one.credits),
        landed=told(one.landed),
        care=told(one.care),
        result="n/a" if one.result is None else told(one.result),
        remark=remark.strip(),
    )


def _claim(told: ToldClaim, currency: str) -> ClaimView:
    claim = told.claim
    counts = {
        verdict: sum(piece.verdict == verdict for piece in claim.pieces)
        for verdict in ("dead", "poor")
    }
    pieces = ", ".join(f"{count} {verdict}" for verdict, count in counts.items() if count)
    waits = max(0.0, (claim.claimed or 0.0) - claim.credited) if claim.state != "closed" else 0.0
    window = ""
    if claim.state == "open":
        window = words.sentence(told.clock.words())
    elif claim.sent_at is not None:
        window = f"Sent {words.taken(claim.sent_at)}."
    return ClaimView(
        batch=claim.batch,
        supplier=told.supplier,
        state=claim.state,
        pieces=pieces or "none named",
        window=window,
        claimed="not known" if claim.claimed is None else amount(claim.claimed, currency),
        credited=amount(claim.credited, currency),
        open=amount(waits, currency),
    )
