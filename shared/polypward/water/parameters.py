"""What is tested in water: the parameters, as the facts give them."""

from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from polypward.errors import BadInputError
from polypward.facts import load_facts
from polypward.units import CANONICAL

__all__ = ["PARAMETERS", "Fact", "Parameter", "Target", "parameter", "shown"]


@dataclass(frozen=True, slots=True)
class Fact:
    """A value of the trade and where it comes from."""

    value: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Where a parameter is wanted, canonical unit; None = no such limit.

    `a_day` is the largest change of the water a day. `source` says whose word it is.
    """

    parameter: str
    low: float | None = None
    high: float | None = None
    aim: float | None = None
    a_day: float | None = None
    source: str = ""

    def text(self) -> str:
        """Return "7.5 to 9.5 dKH, aim 8.5" or the like."""
        low, high = (
            None if limit is None else shown(self.parameter, limit, unit=False)
            for limit in (self.low, self.high)
        )
        unit = CANONICAL[self.parameter]
        if low is not None and high is not None:
            told = f"{low} to {high}"
        elif high is not None:
            told = f"up to {high}"
        elif low is not None:
            told = f"{low} or more"
        else:
            return "not set"
        told = f"{told} {unit}".rstrip()
        return told if self.aim is None else f"{told}, aim {shown(self.parameter, self.aim)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One parameter of water; numbers are in its canonical unit, see `polypward.units.CANONICAL`.

    `a_day` is the largest change of the water a day, `good_days` how long a test stands, `jump` how
    far two tests may be apart. `nutrient` is one of which none left is no good sign. `target` is
    an offer, not yet a target.
    """

    key: str
    words: str
    decimals: int
    low: float
    high: float
    target: Target
    good_days: Fact
    jump: Fact
    a_day: Fact | None = None
    nutrient: bool = False
    remark: str = ""

    @property
    def unit(self) -> str:
        """The canonical unit."""
        return CANONICAL[self.key]


def _read(key: str, entry: dict[str, Any]) -> Parameter:
    offered, step = entry["target"], entry.get("a_day")
    return Parameter(
        key=key,
        words=entry["words"],
        decimals=entry["decimals"],
        low=entry["possible"]["low"],
        high=entry["possible"]["high"],
        target=Target(
            parameter=key,
            low=offered.get("low"),
            high=offered.get("high"),
            aim=offered.get("aim"),
            a_day=None if step is None else step["value"],
            source=offered["source"],
        ),
        good_days=Fact(**entry["good_days"]),
        jump=Fact(**entry["jump"]),
        a_day=None if step is None else Fact(**step),
        nutrient=entry.get("nutrient", False),
        remark=entry.get("remark", ""),
    )


@cache
def _all() -> dict[str, Parameter]:
    return {key: _read(key, entry) for key, entry in load_facts("water").items()}


# In the order in which water is checked and corrected: temperature, salinity, then the rest.
PARAMETERS: Final[tuple[str, ...]] = tuple(CANONICAL)


def parameter(key: str) -> Parameter:
    """Return a parameter by its key.

    Raises
    ------
    BadInputError
        If no such thing is tested.
    """
    known = _all()
    if key not in known:
        raise BadInputError(f'"{key}" is not tested here; {", ".join(known)} are')
    return known[key]


def shown(key: str, value: float, *, unit: bool = True) -> str:
    """Return a value of a parameter as it is written: its decimals, and its unit."""
    text = f"{value:.{parameter(key).decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    text = "0" if text == "-0" else text
    return f"{text} {CANONICAL[key]}".rstrip() if unit else text
