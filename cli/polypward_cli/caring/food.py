"""The ward's foods and the mixes made of them."""

import difflib
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from polypward.care import Part, portion_cost
from polypward.errors import BadInputError
from polypward_cli.caring.entries import Row, add_entry, entries
from polypward_cli.caring.limits import check
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, now_text

__all__ = ["food_named", "foods", "lot_of", "make_mix", "parse_parts", "portions_left", "save_food"]

# The longest that a mix is kept, frozen; own choice.
MOST_DAYS: Final = 400


def foods(ward: Ward) -> dict[str, Row]:
    """Return the ward's foods by name: unit, price of a unit (or None), note."""
    return {
        row["food"]: dict(row)
        for row in ward.db.query("select * from foods order by food collate nocase")
    }


def food_named(ward: Ward, name: str) -> Row:
    """Return a food of the list, whatever the case of its name.

    Raises
    ------
    BadInputError
        If it is not on the list.
    """
    known = {food.casefold(): row for food, row in foods(ward).items()}
    key = " ".join(name.split()).casefold()
    if key in known:
        return known[key]
    near = difflib.get_close_matches(key, known, n=1)
    hint = f' Is it "{known[near[0]]["food"]}"?' if near else ""
    raise BadInputError(
        f'"{name}" is not on this ward\'s list of foods.{hint} '
        f'Add it: polypward care food "{name}" --unit g'
    )


def save_food(
    ward: Ward, name: str, *, unit: str = "", price: float | None = None, note: str = ""
) -> Row:
    """Put a food on the list, or change what is given of it; the old row goes into the audit.

    Raises
    ------
    BadInputError
        If the name is empty, the price impossible, or a new food has no unit.
    """
    clean = " ".join(name.split())
    if not clean:
        raise BadInputError("a food needs a name")
    check(price=price)
    known = {food.casefold(): row for food, row in foods(ward).items()}
    old = known.get(clean.casefold())
    if old is None and not unit.strip():
        raise BadInputError(f'"{clean}" is new: say what it is counted in, --unit g, mL or piece')
    row: dict[str, Any] = {
        "food": old["food"] if old else clean,
        "unit": unit.strip() or (old["unit"] if old else ""),
        "price": price if price is not None else old["price"] if old else None,
        "note": note.strip() or (old["note"] if old else ""),
        "at": now_text(),
    }
    with ward.db.atomic():
        if old and any(old[name] != row[name] for name in ("unit", "price", "note")):
            audit(ward.db, "food changed", row["food"], old=old, new=row)
        elif old:
            return old
        ward.db.table("foods").insert(row, pk="food", replace=True)
    return row


def parse_parts(ward: Ward, texts: Sequence[str]) -> list[list[Any]]:
    """Return a recipe as [[food, quantity], ...] from texts like "krill=30".

    Raises
    ------
    BadInputError
        If a text is not written so, a food is not on the list or named twice, or a quantity
        is impossible.
    """
    parts: list[list[Any]] = []
    for text in texts:
        name, equals, number = text.rpartition("=")
        try:
            quantity = float(number.replace(",", "."))
        except ValueError:
            quantity = float("nan")
        if not equals or quantity != quantity:
            raise BadInputError(f'"{text}": write a food and how much of it, as krill=30')
        food = food_named(ward, name)
        check(quantity=quantity)
        if food["food"] in [part[0] for part in parts]:
            raise BadInputError(f'"{food["food"]}" is in the recipe twice')
        parts.append([food["food"], quantity])
    return parts


def make_mix(
    ward: Ward,
    name: str,
    *,
    parts: Sequence[Sequence[Any]],
    portions: float,
    made_at: datetime,
    use_by: datetime,
    by: str = "",
    note: str = "",
) -> tuple[Row, list[str]]:
    """Keep a freshly made lot of a mix, and return it with remarks.

    Without `parts` those of the last lot of that name are taken: the name is the recipe.

    Raises
    ------
    BadInputError
        If there is no recipe yet, or portions or times are impossible.
    """
    clean = " ".join(name.split())
    if not clean:
        raise BadInputError("a mix needs a name")
    check(portions=portions)
    if not timedelta(0) < use_by - made_at <= timedelta(days=MOST_DAYS):
        raise BadInputError(
            f"use by {use_by:%Y-%m-%d %H:%M} must be after it was made "
            f"({made_at:%Y-%m-%d %H:%M}) and at most {MOST_DAYS} days later"
        )
    before = [lot for lot in entries(ward, "mix") if lot["mix"].casefold() == clean.casefold()]
    recipe = [list(part) for part in parts] or (before[-1]["parts"] if before else [])
    if not recipe:
        raise BadInputError(f'"{clean}" is a new mix: name its foods, --part krill=30 --part ...')
    listed = foods(ward)
    cost = portion_cost(
        [Part(food=food, quantity=q, unit=listed[food]["unit"]) for food, q in recipe],
        prices={food: row["price"] for food, row in listed.items()},
        portions=portions,
    )
    remarks = []
    if cost.unpriced:
        remarks.append(
            "Cost of a portion: not available, because the price of "
            f"{', '.join(cost.unpriced)} is not known."
        )
    lot = {
        "mix": before[-1]["mix"] if before else clean,
        "parts": recipe,
        "portions": portions,
        "made_at": made_at,
        "use_by": use_by,
        "portion_cost": cost.cost,
        "by": by,
        "note": note,
    }
    with ward.db.atomic():
        return add_entry(ward, "mix", lot), remarks


def lot_of(ward: Ward, name: str, *, at: datetime) -> Row:
    """Return the lot of a mix that is used at a time: the newest one made before it.

    Raises
    ------
    BadInputError
        If there is no such mix, none was made by then, or its use-by time is past.
    """
    key = " ".join(name.split()).casefold()
    every = entries(ward, "mix")
    lots = [lot for lot in every if lot["mix"].casefold() == key]
    if not lots:
        names = list(dict.fromkeys(lot["mix"] for lot in every))
        near = difflib.get_close_matches(key, names, n=1, cutoff=0.5)
        hint = f' Is it "{near[0]}"?' if near else ""
        raise BadInputError(
            f'"{name}" is no mix of this ward.{hint} Make one: polypward care mix "{name}"'
        )
    made = [lot for lot in lots if lot["made_at"] <= at]
    if not made:
        raise BadInputError(
            f'"{lots[0]["mix"]}" was first made on {lots[0]["made_at"]:%Y-%m-%d %H:%M}, after '
            f"{at:%Y-%m-%d %H:%M}"
        )
    lot = made[-1]
    if at > lot["use_by"]:
        raise BadInputError(
            f'"{lot["mix"]}" was to be used by {lot["use_by"]:%Y-%m-%d %H:%M}: throw it away and '
            f'make it anew (polypward care mix "{lot["mix"]}"). If that time is wrong: polypward '
            f"care amend mix:{lot['id']} --set use_by=TIME"
        )
    return lot


def portions_left(ward: Ward, lot: Row) -> float:
    """Return how many portions of a lot are left by the feedings noted; below 0 if more went."""
    sql = "select total(portions) from feedings where mix_id = ? and undone_at is null"
    return float(lot["portions"]) - float(ward.db.execute(sql, [lot["id"]]).fetchone()[0])
