"""Flags: what a chart's signal is called, when it was raised and when it was cleared."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from math import sqrt
from typing import Final, Literal

from polypward.course.chart import Episode, Point, Row
from polypward.course.charts import Measure, ViewCharts
from polypward.course.doubts import doubt_flags
from polypward.course.evidence import MEASURE_OF, ChartReader, Raised, in_days
from polypward.course.repeatability import PooledSd
from polypward.course.results import Flag, FlagName, Visit
from polypward.course.settings import CourseSettings
from polypward.course.trend import find_trend
from polypward.records import CareEvent

__all__ = ["chart_flags", "could_raise", "overdue_flag", "stalled_flag"]

# Share of a loss of cover that went to overgrown skeleton from which on it is called overgrowth.
_MOSTLY: Final = 0.6
_CLEAR_VISITS: Final = 2


def _span(reader: ChartReader, measure: Measure, episode: Episode) -> tuple[date | None, int]:
    """Day of clearing (None: standing) and the row after the last that stood."""
    rows = reader.run(measure).rows
    if episode.cleared_at is None:
        return None, len(rows)
    if episode.cleared is not None:
        return reader.visit(rows[episode.cleared]).day, episode.cleared
    stood = [
        position
        for position, row in enumerate(rows)
        if position >= episode.raised and row.point.at <= episode.cleared_at
    ]
    return reader.day(episode.cleared_at), stood[-1] + 1


def _simple(reader: ChartReader, measure: Measure, name: FlagName) -> list[Raised]:
    found = []
    for episode in reader.run(measure).episodes:
        cleared_on, stop = _span(reader, measure, episode)
        last = stop - 1 if cleared_on is None else episode.raised
        found.append(Raised(name, episode.raised, last, cleared_on, episode.by_person))
    return found


def _overgrown_at(reader: ChartReader, index: int) -> float:
    """By how much the overgrown share lies over its baseline at a visit, if its flag stands."""
    run = reader.run("overgrown")
    for position, row in enumerate(run.rows):
        if row.point.index == index:
            standing = any(
                episode.raised <= position
                and (episode.cleared_at is None or episode.cleared_at > row.point.at)
                for episode in run.episodes
            )
            return row.point.x - row.baseline if standing else 0.0
    return 0.0


def _recessions(reader: ChartReader) -> list[Raised]:
    """Losses of cover, but for visits where most of the loss is overgrown and flagged as that."""
    rows = reader.run("cover").rows
    found = []
    for episode in reader.run("cover").episodes:
        cleared_on, stop = _span(reader, "cover", episode)
        for position in range(episode.raised, stop):
            row = rows[position]
            loss = row.point.x - row.baseline
            if not row.out or _overgrown_at(reader, row.point.index) >= _MOSTLY * loss > 0:
                continue
            last = stop - 1 if cleared_on is None else position
            found.append(Raised("recession", position, last, cleared_on, episode.by_person))
            break
    return found


def _is_sharp(sure: Sequence[Point], here: Point, reader: ChartReader) -> bool:
    """Whether the loss since the visits before, newest first, is large, fast and no noise."""
    settings, before = reader.settings, sure[0]
    loss = here.x - before.x
    noise = sqrt(
        before.sd**2 + here.sd**2 + (settings.share_per_contraction_sd * (here.u - before.u)) ** 2
    )
    if before.x >= 0 or loss <= settings.limit_sds * noise:
        return False
    # The way back from a visit that read too well is no loss.
    for earlier in sure[1:]:
        if here.x - earlier.x <= settings.limit_sds * sqrt(earlier.sd**2 + here.sd**2):
            return False
    share = loss / -before.x
    days = max(1, (reader.day(here.at) - reader.day(before.at)).days)
    return (
        share >= settings.sharp_loss_share
        and share * 7 / days >= settings.sharp_loss_share_per_week
    )


def _sure_before(rows: Sequence[Row], position: int) -> list[Point]:
    """Return the last two visits before a row that are not in doubt, of its body, newest first."""
    found: list[Point] = []
    for row in reversed(rows[:position]):
        if not row.point.doubtful:
            found.append(row.point)
        if row.half_width is None or len(found) == 2:
            break
    return found


def _sharp_losses(reader: ChartReader, acknowledged: Sequence[datetime]) -> list[Raised]:
    rows = reader.run("cover").rows
    found: list[Raised] = []
    calm = 0

    def answer(until: datetime | None) -> None:
        """Clear the standing loss if a person acknowledged it by then."""
        if found and found[-1].cleared_on is None:
            since = rows[found[-1].row].point.at
            answers = [at for at in acknowledged if at >= since and (not until or at <= until)]
            if answers:
                found[-1].cleared_on, found[-1].by_person = reader.day(answers[0]), True

    for position in range(1, len(rows)):
        here = rows[position].point
        answer(here.at)
        if rows[position].half_width is None:  # a new baseline: another body
            continue
        standing = bool(found) and found[-1].cleared_on is None
        sure = _sure_before(rows, position)
        if sure and not here.doubtful and _is_sharp(sure, here, reader):
            calm = 0
            if not standing:
                found.append(Raised("sharp-loss", position, position, since=sure[0]))
        elif standing:
            level = rows[found[-1].row].point
            worse = here.x - level.x > reader.settings.limit_sds * sqrt(here.sd**2 + level.sd**2)
            calm = 0 if worse else calm + 1
            if calm >= _CLEAR_VISITS:
                found[-1].cleared_on = reader.visit(rows[position]).day
                calm = 0
    answer(None)
    return found


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
    reader = ChartReader(charts, pooled, settings)
    seen = sorted(
        event.at
        for event in care
        if event.what == "acknowledge" and event.detail.get("flag", "") in ("", "sharp-loss")
    )
    raised = [
        *_recessions(reader),
        *_simple(reader, "overgrown", "overgrowth"),
        *_simple(reader, "paling", "paling"),
        *_sharp_losses(reader, seen),
    ]
    possible = could_raise([charts])
    flags = doubt_flags(reader, care)
    for item in raised:
        by: Literal["visits", "person"] = "person" if item.by_person else "visits"
        flags.append(
            Flag(
                name=item.name,
                evidence=reader.sentence(item),
                raised_on=reader.visit(reader.run(MEASURE_OF[item.name]).rows[item.row]).day,
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
    """First day on which each chart flag could have been raised: the second charted visit.

    Parameters
    ----------
    views : sequence of ViewCharts
        The charts of each view.

    Returns
    -------
    dict of flag name to date or None
        None: there is not enough yet.
    """
    first: dict[str, date | None] = {}
    for name, measure in MEASURE_OF.items():
        days = [
            charts.visits[row.point.index].day
            for charts in views
            for row in charts.runs[measure].rows
            if row.half_width is not None
        ]
        first[name] = min(days) if days else None
    return first


def _stalls(known: Sequence[Visit], settings: CourseSettings) -> str | None:
    """Evidence that the condition does not rise up to the last of these visits, else None."""
    last = known[-1]
    assert last.condition is not None
    since = last.day - timedelta(days=settings.stalled_days)
    if last.condition >= settings.stalled_below or known[0].day > since:
        return None
    recent = [visit for visit in known if visit.day >= since]
    trend = find_trend([v.day for v in recent], [v.condition for v in recent])
    if len(recent) < settings.stalled_visits or trend is None:
        return None
    if trend.per_week >= settings.stalled_points_per_week:
        return None
    return (
        f"condition {last.condition:z.0f} has not risen in {in_days(trend.days)}: "
        f"{trend.per_week:+z.1f} points a week over {trend.n} visits"
    )


def stalled_flag(visits: Sequence[Visit], *, settings: CourseSettings) -> Flag | None:
    """Flag a specimen in need whose condition does not rise.

    Parameters
    ----------
    visits : sequence of Visit
        Of the view the score stands on, in the order of days.
    settings : CourseSettings
        The days and visits looked at, the slope, and the condition from which on nobody is
        stalled.

    Returns
    -------
    Flag or None
        Raised on the first visit from which on it has held.
    """
    known = [visit for visit in visits if visit.condition is not None]
    evidence = _stalls(known, settings) if known else None
    if evidence is None:
        return None
    first = len(known)
    while first > 1 and _stalls(known[: first - 1], settings) is not None:
        first -= 1
    ready = next(
        visit.day
        for visit in known
        if visit.day - known[0].day >= timedelta(days=settings.stalled_days)
    )
    return Flag(
        name="stalled",
        evidence=evidence,
        raised_on=known[first - 1].day,
        could_raise_on=ready,
        standing=True,
        view=known[-1].view,
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
            f"last photographed on {last_on}, {in_days((today - last_on).days)} ago; "
            f"planned after {in_days(interval_days)}"
        )
    raised = due_on + timedelta(days=1)
    return Flag(
        name="overdue", evidence=evidence, raised_on=raised, could_raise_on=raised, standing=True
    )
