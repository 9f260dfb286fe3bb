"""A loss that only a photo in doubt shows: no alarm yet, but a reason to look again today."""

from collections.abc import Sequence
from datetime import datetime

from polypward.course.chart import ChartRun, Row
from polypward.course.charts import Measure
from polypward.course.evidence import ChartReader
from polypward.course.looks import ODD, plain_state
from polypward.course.results import Flag
from polypward.records import CareEvent

__all__ = ["doubt_flags"]


def doubt_flags(reader: ChartReader, care: Sequence[CareEvent]) -> list[Flag]:
    """Find the `look-again` flags of visits whose tissue map is in doubt and shows a loss.

    Parameters
    ----------
    reader : ChartReader
        The charts of one view.
    care : sequence of CareEvent
        Of this specimen: looks and acknowledgements.

    Returns
    -------
    list of Flag
        One a visit, cleared by the next visit in the view, which is charted for what it is, or by
        a person who looked or acknowledged it.
    """
    seen = sorted(event.at for event in care if _answers(event))
    found: dict[int, Flag] = {}
    measures: tuple[Measure, Measure] = ("cover", "overgrown")
    for measure in measures:
        run = reader.run(measure)
        for position, row in enumerate(run.rows):
            index = row.point.index
            if index not in found and row.point.doubtful and _waits(run, position):
                found[index] = _flag(reader, measure, row, seen)
    return [found[index] for index in sorted(found)]


def _answers(event: CareEvent) -> bool:
    """Whether a person acknowledged the flag, or looked and found nothing odd."""
    if event.what == "look":
        state = event.detail.get("state", "")
        return bool(state) and plain_state(state) not in ODD
    return event.what == "acknowledge" and event.detail.get("flag", "") in ("", "look-again")


def _waits(run: ChartRun, position: int) -> bool:
    """Whether a row is beyond the limit while no flag stands."""
    row = run.rows[position]
    standing = any(
        episode.raised <= position
        and (episode.cleared_at is None or episode.cleared_at > row.point.at)
        for episode in run.episodes
    )
    return row.out and not standing


def _flag(reader: ChartReader, measure: Measure, row: Row, seen: Sequence[datetime]) -> Flag:
    visits = reader.charts.visits
    later = [visit.at for visit in visits[row.point.index + 1 :]][:1]
    answers = [(at, "visits") for at in later]
    answers += [(at, "person") for at in seen if at >= row.point.at][:1]
    cleared_at, by = min(answers, default=(None, ""))
    what = (
        f"live cover seems to have fallen from {-row.baseline:z.2f} to {-row.point.x:z.2f}"
        if measure == "cover"
        else f"overgrown skeleton seems to have risen from {row.baseline:z.2f} to "
        f"{row.point.x:z.2f}"
    )
    day = reader.visit(row).day
    return Flag(
        name="look-again",
        evidence=f"{what}, but the tissue map of that photo is in doubt; look at "
        "the specimen and at its outline, and photograph it again",
        raised_on=day,
        could_raise_on=day,
        standing=cleared_at is None,
        view=reader.charts.view,
        cleared_on=None if cleared_at is None else reader.day(cleared_at),
        cleared_by="person" if by == "person" else "visits" if by else "",
    )
