"""Feedings of places and specimens: who was fed what by whom, and how each answered."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from polypward.care import AMOUNTS, ago, eaten_word
from polypward.errors import BadInputError
from polypward.records import CareEvent
from polypward_cli.caring.entries import (
    Row,
    add_entry,
    add_tick,
    change_entry,
    entries,
    entry,
    stamp,
)
from polypward_cli.caring.food import food_named, lot_of, portions_left
from polypward_cli.caring.limits import check
from polypward_cli.caring.scope import Scope, check_here
from polypward_cli.ward import Ward
from polypward_cli.ward.rows import care_of

__all__ = ["COVER_OFF", "LEFT_OVER", "answer", "fed_on_day", "feed", "parse_responses"]

COVER_OFF: Final = "cover off, flow on"
LEFT_OVER: Final = "left-over food out"
# Left-over food is looked for so long after a feeding without a cover. Common practice, no source.
LEFT_OVER_MINUTES: Final = 30.0
# An answer to food belongs to a feeding no longer ago than this.
ANSWER_WITHIN: Final = timedelta(hours=24)


def fed_on_day(ward: Ward, specimens: Sequence[str], at: datetime) -> list[CareEvent]:
    """Return the feedings of these specimens on the ward's day of `at`, by time.

    Feedings noted by any way count: also those of `care log` and of tables.
    """
    day = at.astimezone(ward.settings.zone).date()
    wanted = set(specimens)
    return [
        event
        for event in _feedings_around(ward, at)
        if event.specimen in wanted and event.at.date() == day
    ]


def parse_responses(texts: Sequence[str], scope: Scope) -> dict[str, str]:
    """Return the response of each specimen from texts like "took" (all) or "LAM-03=refused".

    Raises
    ------
    BadInputError
        If a response is none of the four, a specimen is not fed here, or is named twice.
    """
    known = {name.casefold(): name for name in scope.specimens}
    for_all = ""
    single: dict[str, str] = {}
    for text in texts:
        name, equals, word = text.rpartition("=")
        word = word.strip().casefold()
        eaten_word(word)
        if not equals:
            if for_all:
                raise BadInputError(f'two responses for all, "{for_all}" and "{word}": name whose')
            for_all = word
            continue
        specimen = known.get(name.strip().casefold())
        if specimen is None:
            raise BadInputError(f'"{name.strip()}" is not among those fed here')
        if specimen in single:
            raise BadInputError(f'"{specimen}" has two responses')
        single[specimen] = word
    return (dict.fromkeys(scope.specimens, for_all) if for_all else {}) | single


def feed(
    ward: Ward,
    scope: Scope,
    *,
    at: datetime,
    by: str = "",
    mix: str = "",
    portions: float | None = None,
    food: str = "",
    quantity: float | None = None,
    amount: str = "usual",
    responses: Mapping[str, str] | None = None,
    cover_minutes: float | None = None,
    left_over_out: bool = False,
    cost: float | None = None,
    work_minutes: float | None = None,
    note: str = "",
    again: bool = False,
) -> tuple[Row, list[str]]:
    """Keep a feeding; returns the entry and remarks.

    Parameters
    ----------
    ward : Ward
    scope : Scope
        Who was fed.
    at, by : datetime, str
        When, and by whom.
    mix, portions : str, float
        A mix of the ward and how many portions of it went in all.
    food, quantity : str, float
        Instead of a mix, one food of the list and how much of it, in its unit.
    amount : {"light", "usual", "heavy"}
        After a heavy feeding the colour of photos is left out for some hours.
    responses : mapping of specimen to response
        Where somebody watched.
    cover_minutes : float, optional
        A cover keeps flow and fish off for so long; taking it off is to be ticked.
    left_over_out : bool
        Left-over food is out already, or there was none.
    cost, work_minutes : float, optional
        Of the whole feeding; the cost follows from the mix or the food if it is left out. Both
        are shared out evenly among those fed.
    again : bool
        Feed although somebody was fed already on that day.

    Raises
    ------
    BadInputError
        If anyone was fed already on that day, a number is impossible, or the food is not known
        or past its time. Nothing is written.
    """
    if amount not in AMOUNTS:
        raise BadInputError(f'amount "{amount}": it is {", ".join(AMOUNTS[:-1])} or {AMOUNTS[-1]}')
    if bool(mix) == bool(food):
        raise BadInputError("say what was fed: --mix NAME or --food NAME, one of them")
    check(
        cover_minutes=cover_minutes,
        portions=portions,
        quantity=quantity,
        cost=cost,
        work_minutes=work_minutes,
    )
    check_here(ward, scope, at)
    if not again:
        _refuse_second(ward, scope, at)
    values: dict[str, Any] = {"food": "", "mix_id": None, "quantity": None, "portions": None}
    remarks: list[str] = []
    if mix:
        if quantity is not None:
            raise BadInputError("a mix is counted in portions: --portions, not --quantity")
        lot = lot_of(ward, mix, at=at)
        values |= {"food": lot["mix"], "mix_id": lot["id"], "portions": portions}
        worth = _times(lot["portion_cost"], portions)
        remarks += _about_lot(ward, lot, portions)
    else:
        if portions is not None:
            raise BadInputError("portions are of a mix: a food is counted by --quantity")
        listed = food_named(ward, food)
        values |= {"food": listed["food"], "quantity": quantity}
        worth = _times(listed["price"], quantity)
    values["cost"] = worth if cost is None else cost
    if values["cost"] is None:
        remarks.append("Cost: not available, because price or quantity is not known.")
    values |= {
        "at": at,
        "by": by,
        "places": scope.places,
        "specimens": scope.specimens,
        "amount": amount,
        "responses": dict(responses or {}),
        "cover_minutes": cover_minutes,
        "work_minutes": work_minutes,
        "note": note,
    }
    with ward.db.atomic():
        row = add_entry(ward, "feeding", values)
        about = f"feeding:{row['id']}"
        if cover_minutes is not None:
            add_tick(ward, about, COVER_OFF, at + timedelta(minutes=cover_minutes))
        if not left_over_out:
            wait = LEFT_OVER_MINUTES if cover_minutes is None else cover_minutes
            add_tick(ward, about, LEFT_OVER, at + timedelta(minutes=wait))
    if amount == "heavy":
        remarks.append(
            "Heavy feeding: test nitrate and phosphate tomorrow; photos in the next hours show "
            "no colour that counts."
        )
    return row, remarks


def answer(
    ward: Ward,
    specimens: Sequence[str],
    response: str,
    *,
    at: datetime,
    number: int | None = None,
    by: str = "",
) -> list[tuple[str, Row]]:
    """Note how specimens answered to their last feeding up to `at`; returns it for each.

    With `number`, to the feeding of that number, however long ago.

    Raises
    ------
    BadInputError
        If the response is none of the four, or a specimen was not fed by `feed` within the last
        24 hours, or in that feeding.
    """
    eaten_word(response)
    newest: dict[str, int] = {}
    if number is not None:
        rows = [entry(ward, "feeding", number)]
    else:
        rows = [r for r in entries(ward, "feeding", since=at - ANSWER_WITHIN) if r["at"] <= at]
    for row in rows:
        newest |= dict.fromkeys(set(row["specimens"]) & set(specimens), row["id"])
    missing = [name for name in specimens if name not in newest]
    if missing:
        if number is not None:
            raise BadInputError(f"{', '.join(missing)}: not among those of feeding:{number}")
        raise BadInputError(
            f"{', '.join(missing)}: no feeding noted in the 24 hours before "
            f"{at:%Y-%m-%d %H:%M}. Note it first: polypward care feed {missing[0]}"
        )
    done = []
    with ward.db.atomic():
        for name in specimens:
            known = entry(ward, "feeding", newest[name])["responses"]
            change = {"responses": known | {name: response}}
            done.append((name, change_entry(ward, "feeding", newest[name], change, by=by)))
    return done


def _refuse_second(ward: Ward, scope: Scope, at: datetime) -> None:
    before = fed_on_day(ward, scope.specimens, at)
    if not before:
        return
    fed: dict[tuple[datetime, str, str], list[str]] = {}
    for event in before:
        key = (event.at, event.by, event.detail.get("food", ""))
        fed.setdefault(key, []).append(event.specimen)
    told = []
    for (when, by, food), names in fed.items():
        whom = "all of them" if set(names) == set(scope.specimens) else ", ".join(names)
        span = ago(at - when)
        told.append(
            f"{whom} at {when:%H:%M} ({span}) by {by or 'somebody'}{', ' + food if food else ''}"
        )
    some = len({event.specimen for event in before}) < len(scope.specimens)
    leave = ", leave them out by --not NAME" if some else ""
    raise BadInputError(
        f"{scope.words}: already fed on {at:%Y-%m-%d}: {'; '.join(told)}. Nothing was noted. "
        f"To feed once more give --again{leave}."
    )


def _feedings_around(ward: Ward, at: datetime) -> list[CareEvent]:
    """Return every specimen's feedings of the day and a half on both sides of a time."""
    span = timedelta(hours=36)
    rows = ward.db.query(
        "select * from care where what = 'feeding' and at between ? and ? order by at, id",
        [stamp(at - span), stamp(at + span)],
    )
    return [care_of(row, zone=ward.settings.zone) for row in rows]


def _about_lot(ward: Ward, lot: Row, portions: float | None) -> list[str]:
    left = portions_left(ward, lot) - (portions or 0.0)
    if left < -1e-9:
        return [f"That is {-left:g} portions more of {lot['mix']} than were made of that lot."]
    if portions is None:
        return []
    return [f"{left:g} portions of {lot['mix']} left, use by {lot['use_by']:%Y-%m-%d %H:%M}."]


def _times(price: float | None, count: float | None) -> float | None:
    return None if price is None or count is None else price * count
