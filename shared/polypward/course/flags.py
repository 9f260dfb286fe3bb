"""Flags: what a chart's signal is called, with the figures behind it."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from math import sqrt
from typing import Final, Literal

from polypward.course.chart import ChartRun, Episode, Row
from polypward.course.charts import Measure, ViewCharts, repeat_sd
from polypward.course.results import Flag, FlagName, Trend, Visit
from polypward.course.settings import CourseSettings
from polypward.course.visits import PooledSd
from polypward.records import CareEvent

__all__ = ["chart_flags", "could_raise", "overdue_flag", "stalled_flag"]

# Share of a loss of cover that went to overgrown skeleton from which on it is called overgrowth.
_MOSTLY: Final = 0.6
_CLEAR_VISITS: Final = 2


def _days(number: int) -> str:
    return "1 day" if number == 1 else f"{number} days"


@dataclass(slots=True)
class _Raised:
    """A flag while the visits are walked through."""

    name: FlagName
    row: int  # where it was raised
    last: int  # the row its evidence speaks of
    cleared_on: date | None = None
    by_person: bool = False
    extra: dict[str, float] = field(default_factory=dict)


class _View:
    """Reads the chart runs of a view for its flags."""

    def __init__(
        self, charts: ViewCharts, pooled: PooledSd | None, settings: CourseSettings
    ) -> None:
        self.charts = charts
        self.pooled = pooled
        self.settings = settings

    def run(self, measure: Measure) -> ChartRun:
        return self.charts.runs[measure]

    def visit(self, row: Row) -> Visit:
        return self.charts.visits[row.point.index]

    def day(self, at: datetime) -> date:
        """Day of an event on the visits' calendar."""
        return at.astimezone(self.settings.zone).date()

    def end(self, measure: Measure, episode: Episode) -> tuple[date | None, int, bool]:
        """Day of clearing, the row the evidence speaks of, and whether a person cleared it."""
        rows = self.run(measure).rows
        if episode.cleared_at is None:
            return None, len(rows) - 1, False
        if episode.by_person:
            return self.day(episode.cleared_at), episode.raised, True
        assert episode.cleared is not None
        return self.visit(rows[episode.cleared]).day, episode.raised, False

    def span(self, row: Row) -> tuple[str, str, str]:
        """From, to (baseline and visit) and the days between, in words."""
        days = (row.point.at.date() - row.baseline_last.at.date()).days
        return f"{abs(row.baseline):.2f}", f"{abs(row.point.x):.2f}", _days(days)

    def tail(self, measure: Measure, row: Row) -> str:
        """Say what else the reader should know: view, repeatability, contraction."""
        visit = self.visit(row)
        parts = []
        if measure == "paling":
            axis = self.axis_lab(visit)
            sd = repeat_sd(measure, self.pooled, self.settings)
            parts.append(
                f"repeat photos differ by {sd / axis:.2f}"
                if axis
                else f"repeat photos differ by {sd:.1f} Lab"
            )
        else:
            parts.append(
                f"repeat photos differ by {repeat_sd(measure, self.pooled, self.settings):.2f}"
            )
        if visit.footprint is not None and visit.footprint < self.settings.contracted_below:
            parts.append(
                f"its area is {visit.footprint:.2f} of the usual, so the limits were widened"
            )
        if self.charts.view == "side":
            parts.append("seen from the side")
        return "; ".join(parts)

    def axis_lab(self, visit: Visit) -> float | None:
        """Length of the axis, from the visit's own index."""
        if visit.paling is None or self.charts.charts["paling"].unit != "index":
            return None
        position = self.charts.visits.index(visit)
        for row in self.run("paling").rows:
            if row.point.index == position and visit.paling_raw:
                return row.point.x / visit.paling_raw
        return None


def _overgrown_at(view: _View, index: int) -> tuple[bool, float]:
    """Whether the overgrown chart is out at a visit, and by how much it rose there."""
    run = view.run("overgrown")
    for position, row in enumerate(run.rows):
        if row.point.index == index:
            standing = any(
                episode.raised <= position
                and (episode.cleared_at is None or episode.cleared_at > row.point.at)
                for episode in run.episodes
            )
            return standing, row.point.x - row.baseline
    return False, 0.0


def _recessions(view: _View) -> list[_Raised]:
    rows = view.run("cover").rows
    found = []
    for episode in view.run("cover").episodes:
        cleared_on, last, person = view.end("cover", episode)
        stop = len(rows) if episode.cleared_at is None else last + 1
        if episode.cleared is not None:
            stop = episode.cleared
        for position in range(episode.raised, stop):
            row = rows[position]
            if not row.out:
                continue
            overgrown, gain = _overgrown_at(view, row.point.index)
            if overgrown and gain >= _MOSTLY * (row.point.x - row.baseline):
                continue
            spoken = max(position, last) if cleared_on is None else position
            found.append(_Raised("recession", position, spoken, cleared_on, person))
            break
    return found


def _simple(view: _View, measure: Measure, name: FlagName) -> list[_Raised]:
    found = []
    for episode in view.run(measure).episodes:
        cleared_on, last, person = view.end(measure, episode)
        found.append(_Raised(name, episode.raised, last, cleared_on, person))
    return found


def _sharp_losses(view: _View, acknowledged: Sequence[datetime]) -> list[_Raised]:
    """Losses of cover between two visits in a row that are large, fast and beyond the noise."""
    settings = view.settings
    rows = view.run("cover").rows
    found: list[_Raised] = []
    calm = 0
    for position in range(1, len(rows)):
        before, here = rows[position - 1].point, rows[position].point
        standing = bool(found) and found[-1].cleared_on is None
        if standing:
            since = rows[found[-1].row].point.at
            answers = [at for at in acknowledged if since <= at <= here.at]
            if answers:
                found[-1].cleared_on, found[-1].by_person = view.day(answers[0]), True
                standing = False
        if rows[position].half_width is None:  # a new baseline: another body
            continue
        fresh = _is_sharp(before.x, here.x, before.sd, here.sd, before.u, here.u, settings) and (
            -before.x > 0
        )
        days = max((here.at.date() - before.at.date()).days, 1)
        share = (here.x - before.x) / -before.x if before.x < 0 else 0.0
        fresh = (
            fresh
            and share >= settings.sharp_loss_share
            and share * 7 / days >= settings.sharp_loss_share_per_week
        )
        if fresh:
            calm = 0
            if not standing:
                found.append(_Raised("sharp-loss", position, position))
        elif standing:
            level = rows[found[-1].row].point
            worse = here.x - level.x > settings.limit_sds * sqrt(here.sd**2 + level.sd**2)
            calm = 0 if worse else calm + 1
            if calm >= _CLEAR_VISITS:
                found[-1].cleared_on = view.visit(rows[position]).day
                calm = 0
    if found and found[-1].cleared_on is None:
        late = [at for at in acknowledged if at >= rows[found[-1].row].point.at]
        if late:
            found[-1].cleared_on, found[-1].by_person = view.day(late[0]), True
    return found


def _is_sharp(
    x0: float, x1: float, sd0: float, sd1: float, u0: float, u1: float, settings: CourseSettings
) -> bool:
    noise = sqrt(sd0**2 + sd1**2 + (settings.share_per_contraction_sd * (u1 - u0)) ** 2)
    return x1 - x0 > settings.limit_sds * noise


def _sentence(view: _View, raised: _Raised) -> str:
    measure: Measure = (
        "paling"
        if raised.name == "paling"
        else "overgrown"
        if raised.name == "overgrowth"
        else "cover"
    )
    rows = view.run(measure).rows
    row = rows[raised.last]
    visit = view.visit(row)
    tail = view.tail(measure, row)
    if raised.name == "sharp-loss":
        row = rows[raised.row]
        before = rows[raised.row - 1].point
        days = (row.point.at.date() - before.at.date()).days
        return (
            f"live cover fell from {-before.x:.2f} to {-row.point.x:.2f} in "
            f"{_days(max(days, 1))}; isolate it, look at its neighbours, photograph it again "
            f"within 12 to 24 hours; {view.tail(measure, row)}"
        )
    start, end, days_text = view.span(row)
    if raised.name == "recession":
        return f"live cover fell from {start} to {end} in {days_text}; {tail}"
    if raised.name == "overgrowth":
        return (
            f"overgrown skeleton rose from {start} to {end} of the specimen in {days_text}; {tail}"
        )
    axis = view.axis_lab(visit)
    if axis is None:
        return (
            f"live tissue moved {row.point.x - row.baseline:.1f} Lab towards white in "
            f"{days_text}; {tail}"
        )
    return (
        f"paling rose from {row.baseline / axis:.2f} to {row.point.x / axis:.2f} in {days_text}; "
        f"{tail}"
    )


def chart_flags(
    charts: ViewCharts,
    *,
    care: Sequence[CareEvent],
    pooled: PooledSd | None,
    settings: CourseSettings,
) -> list[Flag]:
    """Find the flags that the photos of one view raise: recession, overgrowth, paling, sharp-loss.

    Parameters
    ----------
    charts : ViewCharts
        The view's charts.
    care : sequence of CareEvent
        Of this specimen, for acknowledgements.
    pooled : PooledSd or None
        Repeatability of the ward.
    settings : CourseSettings
        Limits.

    Returns
    -------
    list of Flag
        In the order of raising. A loss that went mostly to overgrown skeleton is called
        overgrowth and not recession as well.
    """
    view = _View(charts, pooled, settings)
    seen = sorted(
        event.at
        for event in care
        if event.what == "acknowledge" and event.detail.get("flag", "") in ("", "sharp-loss")
    )
    raised = [
        *_recessions(view),
        *_simple(view, "overgrown", "overgrowth"),
        *_simple(view, "paling", "paling"),
        *_sharp_losses(view, seen),
    ]
    possible = could_raise([charts])
    flags = []
    for item in raised:
        measure: Measure = (
            "paling"
            if item.name == "paling"
            else "overgrown"
            if item.name == "overgrowth"
            else "cover"
        )
        by: Literal["", "visits", "person"] = "person" if item.by_person else "visits"
        flags.append(
            Flag(
                name=item.name,
                evidence=_sentence(view, item),
                raised_on=view.visit(view.run(measure).rows[item.row]).day,
                could_raise_on=possible[item.name],
                standing=item.cleared_on is None,
                urgent=item.name == "sharp-loss" and item.cleared_on is None,
                view=charts.view,
                cleared_on=item.cleared_on,
                cleared_by="" if item.cleared_on is None else by,
            )
        )
    return sorted(flags, key=lambda flag: (flag.raised_on, flag.name))


def could_raise(views: Sequence[ViewCharts]) -> dict[str, date | None]:
    """First day on which each chart flag could have been raised: the second charted visit."""
    first: dict[str, date | None] = {}
    pairs: tuple[tuple[FlagName, Measure], ...] = (
        ("paling", "paling"),
        ("recession", "cover"),
        ("overgrowth", "overgrown"),
        ("sharp-loss", "cover"),
    )
    for name, measure in pairs:
        days = [
            charts.visits[row.point.index].day
            for charts in views
            for row in charts.runs[measure].rows
            if row.half_width is not None
        ]
        first[name] = min(days) if days else None
    return first


def stalled_flag(
    visits: Sequence[Visit], trend: Trend | None, *, settings: CourseSettings
) -> Flag | None:
    """Flag a specimen in need whose condition does not rise.

    Parameters
    ----------
    visits : sequence of Visit
        Of the view the score stands on, those with a condition.
    trend : Trend or None
        Trend of their condition, points per week.
    settings : CourseSettings
        Least days and visits, slope, and the condition from which on nobody is stalled.

    Returns
    -------
    Flag or None
    """
    known = [visit for visit in visits if visit.condition is not None]
    if trend is None or not known:
        return None
    last = known[-1]
    assert last.condition is not None
    if last.condition >= settings.stalled_below or len(known) < settings.stalled_visits:
        return None
    ready = [
        visit.day
        for number, visit in enumerate(known, 1)
        if number >= settings.stalled_visits
        and (visit.day - known[0].day).days >= settings.stalled_days
    ]
    if not ready or trend.per_week >= settings.stalled_points_per_week:
        return None
    return Flag(
        name="stalled",
        evidence=f"condition {last.condition:.0f} has not risen in {_days(trend.days)}: "
        f"{trend.per_week:+.1f} points a week over {trend.n} visits",
        raised_on=last.day,
        could_raise_on=ready[0],
        standing=True,
        view=last.view,
    )


def overdue_flag(
    last_on: date | None, due_on: date, *, interval_days: int, today: date
) -> Flag | None:
    """Flag a specimen whose next photo is past due.

    Parameters
    ----------
    last_on : date or None
        Day of the last accepted photo; None if there is none.
    due_on : date
        Day of the planned next photo.
    interval_days : int
        Days planned between the two.
    today : date
        The day of asking.

    Returns
    -------
    Flag or None
    """
    if today <= due_on:
        return None
    if last_on is None:
        evidence = f"no accepted photo yet; the first was due on {due_on}"
    else:
        evidence = (
            f"last photographed on {last_on}, {_days((today - last_on).days)} ago; "
            f"planned after {_days(interval_days)}"
        )
    raised = due_on + timedelta(days=1)
    return Flag(
        name="overdue",
        evidence=evidence,
        raised_on=raised,
        could_raise_on=raised,
        standing=True,
    )
