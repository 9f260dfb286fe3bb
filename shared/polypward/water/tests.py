"""A test of water as it is kept: of which system and parameter, when, what the kit showed."""

from dataclasses import dataclass
from datetime import date, datetime

from polypward.water.parameters import shown

__all__ = ["WaterTest"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterTest:
    """One test of a water system, `value` in the canonical unit.

    With `below` the kit showed nothing; `value` is then the least it can show, 0 if not known.
    """

    system: str
    parameter: str
    value: float
    at: datetime  # aware
    below: bool = False
    entered: str = ""
    kit: str = ""
    kit_expires: date | None = None
    by: str = ""
    note: str = ""
    id: int | None = None

    def text(self) -> str:
        """Return the value as it is written, "under 0.02 mg/L PO4" or "nothing found"."""
        if not self.below:
            return shown(self.parameter, self.value)
        return f"under {shown(self.parameter, self.value)}" if self.value else "nothing found"
