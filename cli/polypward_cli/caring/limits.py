"""Numbers that a person gives: within what they are believed."""

from polypward.errors import BadInputError

__all__ = ["within"]


def within(name: str, value: float | None, low: float, high: float, unit: str = "") -> float | None:
    """Return the value if it lies in low..high, or None if there is none.

    Raises
    ------
    BadInputError
        If it does not, or is no number; names the range.
    """
    if value is None or low <= value <= high:
        return value
    raise BadInputError(
        f"{name} must be from {low:g} to {high:g}{' ' + unit if unit else ''}, got {value:g}"
    )
