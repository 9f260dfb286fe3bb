"""How far a specimen's live edge moved between visits, from the cut-outs kept in the ward."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from polypward.errors import BadInputError
from polypward_cli.kept import labels_of, light_of
from polypward_cli.ward import Ward

if TYPE_CHECKING:
    from polypward_vision.edge_advance import EdgeAdvance

__all__ = ["EdgeStep", "edge_steps"]


@dataclass(frozen=True, slots=True)
class EdgeStep:
    """Advance of the edge between two photos of one view, taken on two days."""

    view: str
    before: datetime
    after: datetime
    found: "EdgeAdvance"

    @property
    def days(self) -> float:
        """Days between the two."""
        return (self.after - self.before).total_seconds() / 86_400

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        rate = self.found.per_week(self.days)
        return {
            "view": self.view,
            "before": self.before.isoformat(),
            "after": self.after.isoformat(),
            "mm_per_week": rate and round(rate[0], 3),
            "mm_per_week_sd": rate and round(rate[1], 3),
            "advance_mm": self.found.advance_mm,
            "lost_mm2": self.found.lost_mm2,
            "healed_mm2": self.found.healed_mm2,
            "edge_mm": self.found.edge_mm,
            "score": self.found.score,
            "missing": self.found.missing,
        }

    def words(self) -> str:
        """Say it in one line."""
        span = f"{self.view}, {self.before:%Y-%m-%d} to {self.after:%Y-%m-%d}"
        rate = self.found.per_week(self.days)
        if rate is None:
            return f"{span}: not available, because {self.found.missing}"
        what = "live edge drew back by" if rate[0] > 0 else "live edge advanced by"
        return (
            f"{span}: {what} {abs(rate[0]):.1f} +- {rate[1]:.1f} mm a week "
            f"(lost {self.found.lost_mm2:.0f}, healed {self.found.healed_mm2:.0f} mm2 "
            f"along {self.found.edge_mm:.0f} mm)"
        )


def edge_steps(ward: Ward, specimen: str, *, last: int = 0) -> list[EdgeStep]:
    """Return the advance of the edge between each visit and the one before, by view and time.

    Parameters
    ----------
    ward : Ward
    specimen : str
        As it is written in the ward.
    last : int
        Only so many of the newest steps of each view; 0 = all.
    """
    from polypward_vision.edge_advance import EdgeAdvance, edge_advance

    rows = ward.db.query(
        "select * from readings where specimen = ? and measure_code = '' and tile != '' "
        "and mask != '' and taken_at is not null and copy_path = '' "
        "and placing not like '%dropped%' order by taken_at, id",
        [specimen],
    )
    views: dict[str, dict[Any, Mapping[str, Any]]] = {"top": {}, "side": {}}
    for row in rows:
        day = datetime.fromisoformat(row["taken_at"]).astimezone(ward.settings.zone).date()
        views["side" if row["view"] == "side" else "top"].setdefault(day, row)
    steps = []
    for view, by_day in views.items():
        visits = list(by_day.values())[-(last + 1) if last else 0 :]
        loaded = [_loaded(ward, row) for row in visits]
        for i in range(1, len(visits)):
            one, two = loaded[i - 1], loaded[i]
            gone = EdgeAdvance(missing="a cut-out or tissue map is gone from the ward's folder")
            found = gone if one is None or two is None else edge_advance(one, two)
            times = [
                datetime.fromisoformat(row["taken_at"]).astimezone(ward.settings.zone)
                for row in visits[i - 1 : i + 1]
            ]
            steps.append(EdgeStep(view, times[0], times[1], found))
    return steps


def _loaded(ward: Ward, row: Mapping[str, Any]) -> Any:
    """Return lightness, labels and frame of a kept cut-out, None where its files are gone."""
    try:
        light, frame = light_of(ward, row)
        return light, labels_of(ward, row), frame
    except BadInputError:
        return None
