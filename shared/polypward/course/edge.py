"""What is known of the advance of a live edge between two visits."""

from dataclasses import dataclass

__all__ = ["EdgeAdvance"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeAdvance:
    """Advance of the edge, mm, positive where tissue is lost, one SD; or why there is none.

    `lost_mm2` and `healed_mm2` are what turned from live to skeleton and back, `edge_mm` the length
    of the edge, `score` how well the skeletons fit, 0..1. `confirmed` says whether the maps of
    other visits, before and after, agree with both maps; `set_aside_mm2` is what only one map
    showed and was not counted. `missing` says why the advance is not available.
    """

    advance_mm: float | None = None
    sd_mm: float | None = None
    lost_mm2: float | None = None
    healed_mm2: float | None = None
    edge_mm: float | None = None
    score: float | None = None
    confirmed: bool = False
    set_aside_mm2: float = 0.0
    missing: str = ""

    def per_week(self, days: float) -> tuple[float, float] | None:
        """Advance and its SD, mm per week, over a number of days; None where not available."""
        if self.advance_mm is None or self.sd_mm is None or days <= 0:
            return None
        return 7 * self.advance_mm / days, 7 * self.sd_mm / days
