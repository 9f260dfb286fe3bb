"""The sentence behind a flag, with its figures."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from polypward.course.chart import ChartRun, Point, Row
from polypward.course.charts import Measure, ViewCharts, repeat_sd
from polypward.course.paling import Axis
from polypward.course.repeatability import PooledSd
from polypward.course.results import FlagName, Visit
from polypward.course.settings import CourseSettings

__all__ = ["MEASURE_OF", "ChartReader", "Raised", "in_days"]

# The chart behind each flag that photos raise.
MEASURE_OF: Final[dict[FlagName, Measure]] = {
    "paling": "paling",
    "recession": "cover",
    "overgrowth": "overgrown",
    "sharp-loss": "cover",
}


def in_days(number: int) -> str:
    """Say a number of days in words."""
    return "1 day" if number == 1 else f"{number} days"


@dataclass(slots=True)
class Raised:
    """A flag while the visits are walked through; rows are positions in its chart run."""

    name: FlagName
    row: int  # where it was raised
    last: int  # the row its evidence speaks of
    cleared_on: date | None = None
    by_person: bool = False
    since: Point | None = None  # the visit that a sharp loss is counted from


@dataclass(frozen=True, slots=True)
class ChartReader:
    """Reads the chart runs of a view: days, visits, sentences."""

    charts: ViewCharts
    pooled: PooledSd | None
    settings: CourseSettings

    def run(self, measure: Measure) -> ChartRun:
        """Return the run of a measure."""
        return self.charts.runs[measure]

    def visit(self, row: Row) -> Visit:
        """Return the visit of a row."""
        return self.charts.visits[row.point.index]

    def day(self, at: datetime) -> date:
        """Return the ward's calendar day of a time."""
        return at.astimezone(self.settings.zone).date()

    def days_between(self, before: datetime, after: datetime) -> str:
        """Say the days between two visits in words, at least one."""
        return in_days(max(1, (self.day(after) - self.day(before)).days))

    def sentence(self, raised: Raised) -> str:
        """Say what raised a flag.

        Parameters
        ----------
        raised : Raised
            The flag; its evidence speaks of the visit `last`, for a sharp loss of the visit `row`.

        Returns
        -------
        str
            With the figures before and after, the days between, and the repeatability.
        """
        rows = self.run(MEASURE_OF[raised.name]).rows
        row = rows[raised.last]
        if raised.name == "sharp-loss":
            row = rows[raised.row]
            before = raised.since or rows[raised.row - 1].point
            return (
                f"live cover fell from {-before.x:z.2f} to {-row.point.x:z.2f} in "
                f"{self.days_between(before.at, row.point.at)}{self._tail(raised.name, row)}; "
                "isolate it, look at its neighbours, photograph it again within 12 to 24 hours"
            )
        span = self.days_between(row.baseline_last.at, row.point.at)
        tail = self._tail(raised.name, row)
        if raised.name == "recession":
            return (
                f"live cover fell from {-row.baseline:z.2f} to {-row.point.x:z.2f} in {span}{tail}"
            )
        if raised.name == "overgrowth":
            return (
                f"overgrown skeleton rose from {row.baseline:z.2f} to {row.point.x:z.2f} of the "
                f"specimen in {span}{tail}"
            )
        axis = self._axis(row)
        if axis is None:
            return (
                f"live tissue moved {row.point.x - row.baseline:z.1f} Lab towards white in "
                f"{span}{tail}"
            )
        start, end = row.baseline / axis.length_lab, row.point.x / axis.length_lab
        return f"paling rose from {max(0.0, start):.2f} to {max(0.0, end):.2f} in {span}{tail}"

    def _axis(self, row: Row) -> Axis | None:
        """Axis of the visit's light, where colour is told as an index."""
        light = self.visit(row).light
        if light is None or self.charts.charts["paling"].unit != "index":
            return None
        return self.charts.axes.get(light)

    def _tail(self, name: FlagName, row: Row) -> str:
        """Say what else the reader should know: repeatability, contraction, view."""
        level = self.visit(row).live_cover
        sd = repeat_sd(MEASURE_OF[name], self.pooled, self.settings, level=level)
        told = f"{sd:.2f}"
        if name == "paling":
            axis = self._axis(row)
            told = f"{sd:.1f} Lab" if axis is None else f"{sd / axis.length_lab:.2f}"
        parts = [f"repeat photos differ by {told}"]
        size = self.visit(row).footprint
        if size is not None and not self.settings.contracted_below <= size <= 1.5:
            parts.append(f"its area is {size:.2f} of the usual, so the limits were widened")
        if self.visit(row).unlike and name != "paling":
            parts.append(f"{self.visit(row).unlike}, so the limits were widened")
        if self.charts.view == "side":
            parts.append("seen from the side")
        return "".join(f"; {part}" for part in parts)
