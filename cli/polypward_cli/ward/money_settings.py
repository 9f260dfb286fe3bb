"""The tables [money] and [[supplier]] of ward.toml: what a day costs, what suppliers ask."""

import dataclasses
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from polypward.batch.claims import MOMENTS, PROOFS, Terms
from polypward.batch.worth import Rates
from polypward.errors import BadInputError

__all__ = ["AS_TOML", "Money", "money_of", "terms_of"]

AS_TOML: Final = """
[money]
# Behind every amount, as you write it.
currency = ""
# What a specimen's day on the table costs (light, water, place), and an hour of work. While they
# are not set, no worth is told. Take the # away and put in your own figures.
# table_day = 0.60
# hour = 24.0

# What each supplier asks of a claim and gives for it, from your agreement with them. A table each:
# [[supplier]]
# name = "the supplier's name as in the register"
# window_hours = 4
# since = "delivery"          # or "landing" or "opening"
# proof = ["sealed bag", "box label", "out of bag"]
# smallest_loss_percent = 0   # share of the batch's pieces under which nothing is credited
# smallest_loss_amount = 0
# credit_dead_percent = 100   # share of a piece's price that is credited
# credit_poor_percent = 0
# note = ""
"""

_LIMITS: Final[Mapping[str, tuple[float, float]]] = {
    "window_hours": (0.0, 2000.0),
    "smallest_loss_percent": (0.0, 100.0),
    "smallest_loss_amount": (0.0, 1e9),
    "credit_dead_percent": (0.0, 100.0),
    "credit_poor_percent": (0.0, 100.0),
    "table_day": (0.0, 1e6),
    "hour": (0.0, 1e6),
}
_TERMS: Final = {item.name for item in dataclasses.fields(Terms)} - {"supplier"} | {"name"}


@dataclasses.dataclass(frozen=True, slots=True)
class Money:
    """What [money] says: the currency as written behind amounts, and the rates."""

    currency: str
    rates: Rates


def money_of(table: Mapping[str, Any], *, path: Path | None) -> Money:
    """Return what [money] says, `path` being the file it was read from.

    Raises
    ------
    BadInputError
        With the line of each fault.
    """
    faults: list[str] = []
    line = _Lines(path)
    for key, value in table.items():
        if key == "currency":
            if not isinstance(value, str):
                faults.append(f"{line('money', key)}: currency must be text in quotes")
        elif key not in ("table_day", "hour"):
            faults.append(f'{line("money", key)}: "{key}" is no setting of [money]')
        elif fault := _number_fault(key, value):
            faults.append(f"{line('money', key)}: {fault}")
    line.raise_all(faults)
    rates = {key: float(table[key]) for key in ("table_day", "hour") if key in table}
    return Money(table.get("currency", "").strip(), Rates(**rates))


def terms_of(
    tables: Sequence[Mapping[str, Any]], *, path: Path | None, supplier: str
) -> Terms | None:
    """Return the terms of a supplier, whatever the case of the name; None where there are none.

    Raises
    ------
    BadInputError
        With the line of each fault in any [[supplier]], for a typing error may be in the name.
    """
    faults: list[str] = []
    line = _Lines(path)
    found: dict[str, Terms] = {}
    for number, table in enumerate(tables):
        before = len(faults)
        for key, value in table.items():
            where = line("supplier", key, nth=number)
            if key not in _TERMS:
                faults.append(f'{where}: "{key}" is no setting of [[supplier]]')
            elif fault := _fault(key, value):
                faults.append(f"{where}: {fault}")
        name = table.get("name")
        where = line("supplier", "", nth=number)
        if not isinstance(name, str) or not name.strip():
            faults.append(f"{where}: a [[supplier]] needs its name, as in the register")
            continue
        key = " ".join(name.split()).casefold()
        if key in found:
            faults.append(f'{where}: "{name}" is there twice')
        if len(faults) == before:
            values = {k: v for k, v in table.items() if k != "name"}
            values |= {k: float(v) for k, v in values.items() if k in _LIMITS}
            if "proof" in values:
                values["proof"] = tuple(values["proof"])
            found[key] = Terms(supplier=name.strip(), **values)
    line.raise_all(faults)
    return found.get(" ".join(supplier.split()).casefold())


def _fault(key: str, value: Any) -> str:
    """Return what is wrong with a value of [[supplier]], or ""."""
    if key in _LIMITS:
        return _number_fault(key, value)
    if key == "since":
        return "" if value in MOMENTS else f"since is one of {', '.join(MOMENTS)}, got {value!r}"
    if key == "proof":
        if isinstance(value, list) and all(isinstance(one, str) and one.strip() for one in value):
            return ""
        return f"proof is a list of words in quotes, such as {', '.join(PROOFS)}; got {value!r}"
    return "" if isinstance(value, str) else f"{key} must be text in quotes, got {value!r}"


def _number_fault(key: str, value: Any) -> str:
    low, high = _LIMITS[key]
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if number and low <= value <= high:
        return ""
    return f"{key} must be a number from {low:g} to {high:g}, got {value!r}"


class _Lines:
    """Finds the lines of faults in ward.toml, and tells all of them."""

    def __init__(self, path: Path | None) -> None:
        self._name = path or "ward.toml"
        self._text = path.read_text(encoding="utf-8-sig") if path and path.exists() else ""

    def __call__(self, table: str, key: str, *, nth: int = 0) -> str:
        from polypward_cli.ward.settings import line_of

        return f"line {line_of(self._text, table, key, nth=nth)}"

    def raise_all(self, faults: Sequence[str]) -> None:
        if faults:
            raise BadInputError("\n".join(f"{self._name}, {fault}" for fault in faults))
