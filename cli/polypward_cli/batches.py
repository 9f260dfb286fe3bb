"""Batches in words, as JSON and as CSV."""

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any, Final

from polypward.batch import BatchResult, Worth
from polypward_cli.claim.sheet import amount_words
from polypward_cli.terminal import json_text
from polypward_cli.ward.tables import csv_text
from polypward_cli.worth import BatchMoney, Group, Survival

__all__ = ["batch_csv", "batch_json", "batch_lines"]

# Days at which survival is shown.
DAYS: Final = (7, 28, 90)
OBSERVATIONAL: Final = (
    "Comparisons of care plans, and of the care of groups, are observational: nobody drew lots, so "
    "the groups may differ in what was given to them and in how they came."
)
SHARED_WATER: Final = (
    "Specimens that share water fall ill together, so p is too small rather than too large."
)
FIRST_SEEN: Final = (
    "A death counts from the day it was first seen; sold and moved out ones count until they left, "
    "as alive."
)


def batch_lines(told: Survival, money: BatchMoney, *, whole: bool) -> str:
    """Return survival and money as lines; with `whole`, the worth of every specimen too."""
    lines = [*_survival(told), "", *_money(money, whole=whole)]
    return "\n".join(lines)


def _survival(told: Survival) -> Iterator[str]:
    if not told.groups:
        yield "No specimen with a day of arrival: nothing to count yet."
    for group in told.groups:
        yield f"{told.by} {group.name}: {_counts(group)}"
        if group.dead_on_arrival.count:
            yield f"  {group.dead_on_arrival.words('dead on arrival')}"
        yield f"  {group.died.words('died')}"
        yield f"  alive {_alive(group)}"
        if group.care.any:
            yield f"  {group.care.words}"
        if group.days_to_sale:
            first, last = group.days_to_sale[0], group.days_to_sale[-1]
            yield (
                f"  days to sale, of those sold so far: median {group.median_days_to_sale:g} "
                f"({first} to {last})"
            )
    if len(told.groups) > 1:
        yield _compared(told)
    if told.by == "plan" or len(told.groups) > 1:
        yield OBSERVATIONAL
    if told.groups:
        yield FIRST_SEEN
    for name in told.dead_but_here:
        yield (
            f"{name} was found dead at unpacking, but is on the tables still; note what came of "
            f"it: polypward specimen lost {name}"
        )
    for name, why in told.not_counted.items():
        yield f"{name} is not counted: {why}."


def _counts(group: Group) -> str:
    parts = [f"{len(group.lives)} came", f"{group.held} on the tables", f"{group.sold} sold"]
    parts += [f"{group.left} moved out"] if group.left else []
    return ", ".join([*parts, f"{group.died.count} died"])


def _alive(group: Group) -> str:
    parts = []
    for day in DAYS:
        step = group.curve.at(day)
        if step is None:
            parts.append(f"after {day} days: not known yet")
            break
        limits = ""
        if step.low is not None and step.high is not None:
            limits = f" ({100 * step.low:.0f}\N{EN DASH}{100 * step.high:.0f} %)"
        parts.append(f"after {day} days {100 * step.survival:.0f} %{limits}")
    if group.curve.median_days is not None:
        parts.append(f"half had died by day {group.curve.median_days}")
    return ", ".join(parts)


def _compared(told: Survival) -> str:
    result = told.comparison
    if result.p is None or result.chi2 is None:
        return f"Compared: no test, because {result.why_not}."
    p = f"p = {result.p:.3f}" if result.p >= 0.001 else "p < 0.001"
    expected = ", ".join(
        f"{name} {count} died of {result.expected[name]:.1f} expected"
        for name, count in result.observed.items()
    )
    return (
        f"Compared (log-rank, chi-square {result.chi2:.2f} on {result.df}): {p}; {expected}. "
        f"{SHARED_WATER}"
    )


def _money(money: BatchMoney, *, whole: bool) -> Iterator[str]:
    for result in money.results:
        yield from _result(result, money.currency)
    worths = [worth for _, worth in money.worths]
    if whole:
        for worth in worths:
            yield _worth(worth, money.currency)
    elif worths:
        yield _worth_of_all(worths, money.currency)
    if money.results:
        yield (
            "The result of a batch and the worth of recovery both hold the sales: they are never "
            "added."
        )
    if line := money.claims.words(money.currency):
        yield line


def _worth_of_all(worths: Sequence[Worth], currency: str) -> str:
    ended = [worth for worth in worths if worth.ended]
    known = [worth.worth for worth in ended if worth.worth is not None]
    if not ended:
        return "Worth of recovery: not available yet, because all are on the tables still."
    if not known:
        return (
            f"Worth of recovery: not available, because a figure is missing for each of the "
            f"{len(ended)} that have left (polypward batch BATCH says which)."
        )
    lack = f", a figure is missing for {len(ended) - len(known)}" if len(known) < len(ended) else ""
    return (
        f"Worth of recovery: {amount_words(sum(known), currency)}, of {len(known)} of "
        f"{len(ended)} that have left{lack} (polypward batch BATCH shows each)."
    )


def _result(result: BatchResult, currency: str) -> Iterator[str]:
    def amount(value: float | None) -> str:
        return "not known" if value is None else amount_words(value, currency)

    shared = "".join(f", {what} {amount(value)}" for what, value in result.shared.items())
    yield (
        f"Batch {result.batch}: sales {amount(result.sales)} + credits {amount(result.credits)} - "
        f"landed {amount(result.landed)} (pieces {amount(result.pieces)}{shared}) - care "
        f"{amount(result.care)} = {amount(result.result)}"
    )
    if result.missing:
        yield f"  not available, because these are missing: {_few(result.missing)}."
    elif result.on_the_tables:
        count = result.on_the_tables
        yield f"  so far: {count} piece{'' if count == 1 else 's'} still on the tables."
    if result.credited_and_sold:
        names = ", ".join(result.credited_and_sold)
        yield f"  credited by the supplier and later sold: {names}. Check the supplier's terms."


def _few(names: tuple[str, ...], *, most: int = 6) -> str:
    more = len(names) - most
    return "; ".join(names[:most]) + (f"; and {more} more" if more > 0 else "")


def _worth(worth: Worth, currency: str) -> str:
    rescue = worth.rescue
    took = (
        f"{rescue.table_days} table-days, food {rescue.food:.2f}, treatments "
        f"{rescue.treatments:.2f}, {rescue.minutes:g} min of work"
    )
    if not worth.ended:
        cost = "not known" if worth.cost is None else amount_words(worth.cost, currency)
        return f"  {worth.specimen}: on the tables, rescue so far {cost} ({took})"
    if worth.worth is None:
        missing = _few(worth.missing)
        return f"  {worth.specimen}: worth not available, because missing: {missing} ({took})"
    return (
        f"  {worth.specimen}: received {worth.received:.2f} - as it was {worth.as_is:.2f} - rescue "
        f"{worth.cost:.2f} ({took}) = {amount_words(worth.worth, currency)}"
    )


def batch_json(told: Survival, money: BatchMoney, *, whole: bool) -> str:
    """Return the same as JSON."""
    groups = [
        {
            "name": group.name,
            "came": len(group.lives),
            "held": group.held,
            "sold": group.sold,
            "left": group.left,
            "died": _share(group.died),
            "dead_on_arrival": _share(group.dead_on_arrival),
            "curve": [
                {
                    "day": step.day,
                    "at_risk": step.at_risk,
                    "deaths": step.deaths,
                    "survival": step.survival,
                    "low": step.low,
                    "high": step.high,
                }
                for step in group.curve.steps
            ],
            "median_days": group.curve.median_days,
            "median_days_to_sale": group.median_days_to_sale,
            "care": asdict(group.care),
        }
        for group in told.groups
    ]
    result = told.comparison
    what = {
        "by": told.by,
        "groups": groups,
        "comparison": {
            "test": "log-rank",
            "chi2": result.chi2,
            "df": result.df,
            "p": result.p,
            "observed": dict(result.observed),
            "expected": dict(result.expected),
            "why_not": result.why_not,
            "observational": told.by == "plan" or len(told.groups) > 1,
        },
        "not_counted": dict(told.not_counted),
        "results": [
            {
                "batch": one.batch,
                "sales": one.sales,
                "credits": one.credits,
                "landed": one.landed,
                "care": one.care,
                "result": one.result,
                "on_the_tables": one.on_the_tables,
                "missing": list(one.missing),
                "credited_and_sold": list(one.credited_and_sold),
            }
            for one in money.results
        ],
        "worths": [_worth_json(batch, worth) for batch, worth in money.worths] if whole else [],
        "claims": {
            "claimed": money.claims.claimed,
            "credited": money.claims.credited,
            "open": money.claims.open,
        },
        "currency": money.currency,
    }
    return json_text(what)


def _share(share: Any) -> dict[str, Any]:
    return {"count": share.count, "of": share.of, "low": share.low, "high": share.high}


def _worth_json(batch: str, worth: Worth) -> dict[str, Any]:
    return {
        "specimen": worth.specimen,
        "batch": batch,
        "ended": worth.ended,
        "received": worth.received,
        "as_is": worth.as_is,
        "table_days": worth.rescue.table_days,
        "food": worth.rescue.food,
        "treatments": worth.rescue.treatments,
        "work_minutes": worth.rescue.minutes,
        "cost": worth.cost,
        "worth": worth.worth,
        "missing": list(worth.missing),
    }


def batch_csv(told: Survival, money: BatchMoney, *, whole: bool) -> str:
    """Return a row per specimen that came: group, days, how it ended, what it was worth."""
    ends = {life.specimen: (group.name, life) for group in told.groups for life in group.lives}
    columns = list(_worth_json("", money.worths[0][1])) if money.worths else ["specimen", "batch"]
    columns += [told.by if told.by != "batch" else "group", "days", "ending"]
    rows = []
    for batch, worth in money.worths:
        group, life = ends.get(worth.specimen, ("", None))
        row = _worth_json(batch, worth)
        cells = [*row.values(), group, life.days if life else "", life.ending if life else ""]
        rows.append([_cell(cell) for cell in cells])
    return csv_text(columns, rows)


def _cell(value: Any) -> Any:
    if isinstance(value, list):
        return ";".join(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return round(value, 2)
    return value
