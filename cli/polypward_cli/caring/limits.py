"""Numbers that a person gives: within what they are believed, beyond it is a slip of the pen."""

from typing import Final

from polypward.care import BathLimits
from polypward.errors import BadInputError

__all__ = ["LIMITS", "check"]

_BATH: Final = BathLimits()
# Lowest, highest, unit; own choices.
LIMITS: Final[dict[str, tuple[float, float, str]]] = {
    "cost": (0.0, 100_000.0, ""),
    "price": (0.0, 10_000.0, "a unit"),
    "portion_cost": (0.0, 10_000.0, ""),
    "portions": (0.01, 10_000.0, ""),
    "quantity": (0.001, 100_000.0, ""),
    "work_minutes": (0.0, 1440.0, "minutes"),
    "cover_minutes": (1.0, 600.0, "minutes"),
    "bath_l": (*_BATH.litres, "L"),
    "bath_minutes": (*_BATH.minutes, "minutes"),
    "temperature_c": (*_BATH.temperature_c, "degC"),
    "litres": (0.1, 1_000_000.0, "L"),
    "percent": (0.1, 100.0, "%"),
    "share": (0.001, 1.0, ""),
}


def check(**values: float | None) -> None:
    """Check numbers by their names of `LIMITS`; None is no number given.

    Raises
    ------
    BadInputError
        If one is out of its range, or no number; names the range.
    """
    for name, value in values.items():
        low, high, unit = LIMITS[name]
        if value is not None and not low <= value <= high:
            raise BadInputError(
                f"{name} must be from {low:g} to {high:g}{' ' + unit if unit else ''}, "
                f"got {value:g}"
            )
