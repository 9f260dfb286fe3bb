"""Entries of care as flat rows: for a person, as JSON and as CSV."""

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from polypward.errors import BadInputError
from polypward_cli.caring.entries import Row, entries
from polypward_cli.caring.food import foods, portions_left
from polypward_cli.caring.inspecting import signs
from polypward_cli.caring.places import place_views
from polypward_cli.caring.ticks import open_ticks
from polypward_cli.ward import Ward
from polypward_cli.ward.tables import csv_text

__all__ = ["LISTS", "as_csv", "as_rows", "flat", "in_words"]

# What can be listed, with the kind of entry behind it.
LISTS: Final[dict[str, str]] = {
    "feedings": "feeding",
    "treatments": "treatment",
    "inspections": "inspection",
    "changes": "change",
    "mixes": "mix",
    "foods": "",
    "places": "",
    "ticks": "",
    "signs": "",
}


def as_rows(
    ward: Ward, what: str, *, since: datetime | None = None, where: str = ""
) -> list[dict[str, Any]]:
    """Return a list of the ward as flat rows of JSON values, oldest first.

    Parameters
    ----------
    ward : Ward
    what : str
        One of `LISTS`.
    since : datetime, optional
        Only entries from then on.
    where : str
        Only entries of this place or specimen.

    Raises
    ------
    BadInputError
        If there is no such list.
    """
    if what not in LISTS:
        raise BadInputError(
            f'no list "{what}"; there are {", ".join(LISTS)}. Doses: polypward care dose; tests of '
            "water: polypward care water"
        )
    if what == "foods":
        return list(foods(ward).values())
    if what == "signs":
        return [{"sign": sign} for sign in signs(ward)]
    if what == "ticks":
        return [tick.as_json() for tick in open_ticks(ward)]
    if what == "places":
        return [view.as_json() for view in place_views(ward, on=ward.zone_today)]
    kind = LISTS[what]
    rows = [row for row in entries(ward, kind, since=since) if not where or _is_about(row, where)]
    if kind == "feeding":
        units = {food: listed["unit"] for food, listed in foods(ward).items()}
        rows = [
            row | {"unit": units.get(row["food"], "") if row["quantity"] else ""} for row in rows
        ]
    if kind == "mix":
        rows = [row | {"portions_left": portions_left(ward, row)} for row in rows]
    return [flat(kind, row) for row in rows]


def as_csv(rows: Sequence[Mapping[str, Any]]) -> str:
    """Return rows as CSV: lists parted by semicolons, text that looks like a formula guarded."""
    columns = list(dict.fromkeys(name for row in rows for name in row))
    return csv_text(columns, ([_cell(row.get(name)) for name in columns] for row in rows))


def in_words(what: str, row: Mapping[str, Any]) -> str:
    """Return one row of a list as a line for a person."""
    if what == "foods":
        price = "price not known" if row["price"] is None else f"{row['price']:g} a {row['unit']}"
        return _joined(row["food"], f"in {row['unit']}", price, row["note"])
    if what == "signs":
        return str(row["sign"])
    if what == "ticks":
        told = f"{row['what']}, {row['where']} ({row['about']})"
        return f"{row['number']:>4}  {_minute(row['due'])}  {told}"
    if what == "places":
        return _place_words(row)
    when = _minute(row["made_at"] if what == "mixes" else row["at"])
    by = f"by {row['by']}" if row["by"] else ""
    return f"{row['entry']:<14} {when}  " + _joined(*_entry_words(row), by, row["note"])


def _entry_words(row: Mapping[str, Any]) -> list[str]:
    kind = row["entry"].partition(":")[0]
    if kind == "mix":
        recipe = ", ".join(f"{food} {quantity:g}" for food, quantity in row["parts"])
        cost = row["portion_cost"]
        return [
            row["mix"],
            recipe,
            f"{row['portions_left']:g} of {row['portions']:g} portions left",
            f"use by {_minute(row['use_by'])}",
            "cost not available" if cost is None else f"{cost:.2f} a portion",
        ]
    places = row["places"]
    count = len(row["specimens"])
    whom = f"{', '.join(places)} ({count})" if places else ", ".join(row["specimens"])
    if kind == "feeding":
        told = Counter(row["responses"].values())
        counted = _number_of(row["portions"], "portions") or _number_of(
            row["quantity"], row["unit"]
        )
        return [
            whom,
            row["food"],
            counted,
            "" if row["amount"] == "usual" else row["amount"],
            " ".join(f"{word} {number}" for word, number in told.items()),
            "" if row["cost"] is None else f"cost {row['cost']:.2f}",
        ]
    if kind == "change":
        share = row["share"]
        return [
            row["water_system"],
            f"{count} specimens",
            _number_of(row["litres"], "L"),
            "" if share is None else f"{100 * share:.3g} %",
        ]
    if kind == "inspection":
        again = f"look again {row['again_on']}" if row["again_on"] else ""
        treated = f"treated: {row['treated']}" if row["treated"] else ""
        return [
            whom,
            f"found {', '.join(row['found'])}" if row["found"] else "clean",
            treated,
            again,
        ]
    ended = row["ended_at"]
    return [
        whom,
        f"{'dip in' if row['how'] == 'dip' else 'treatment with'} {row['agent']}",
        f"lot {row['lot']}" if row["lot"] else "",
        f"{row['concentration']} ({row['source']})" if row["concentration"] else "",
        _number_of(row["bath_minutes"], "min"),
        _number_of(row["bath_l"], "L"),
        "" if row["how"] == "dip" else f"ended {ended[:10]}" if ended else "goes on",
    ]


def _place_words(row: Mapping[str, Any]) -> str:
    since = f" since {row['since']}" if row["since"] else ""
    count = len(row["specimens"])
    told = [
        f"{row['place']}: {row['state'] or 'not set'}{since}",
        f"{count} specimen{'' if count == 1 else 's'}",
        f"earliest exit {row['earliest_exit']}" if row["earliest_exit"] else "",
    ]
    looked = row["last_inspection"][:10]
    found = ", ".join(row["last_found"]) or "clean"
    told.append(f"inspected {looked}: {found}" if looked else "never inspected")
    newcomers = ", ".join(row["restarted_by"])
    lines = [
        _joined(*told),
        *(f"  not yet: {one}" for one in row["hindrances"]),
        f"  its days count anew since {newcomers} came, to it or its water" if newcomers else "",
    ]
    return "\n".join(line for line in lines if line)


def _is_about(row: Row, where: str) -> bool:
    names = [
        *row.get("places", ()),
        *row.get("specimens", ()),
        row.get("mix", ""),
        row.get("water_system", ""),
    ]
    return where.strip().casefold() in [str(name).casefold() for name in names]


def flat(kind: str, row: Row) -> dict[str, Any]:
    """Return an entry as flat JSON values, named "feeding:12" in its column `entry`."""
    flat: dict[str, Any] = {"entry": f"{kind}:{row['id']}"}
    for name, value in row.items():
        if name not in ("id", "undone_at", "mix_id"):
            flat[name] = value.isoformat() if isinstance(value, datetime) else value
    return flat


def _minute(text: str) -> str:
    return text[:16].replace("T", " ")


def _cell(value: Any) -> Any:
    if isinstance(value, Mapping):
        value = [f"{name}={entry}" for name, entry in value.items()]
    if isinstance(value, list | tuple):
        return ";".join(
            f"{part[0]}={part[1]:g}" if isinstance(part, list) else str(part) for part in value
        )
    return value


def _number_of(value: float | None, unit: str) -> str:
    return "" if value is None else f"{value:g} {unit}".strip()


def _joined(*parts: str) -> str:
    return ", ".join(part for part in parts if part)
