"""What was done to a specimen and its water, drawn in time: a lane for each kind of care."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import date, tzinfo
from typing import Any, Final

from polypward.care import history_words
from polypward.records import CareEvent
from polypward_cli.report import words
from polypward_cli.report.drawing import Drawing, clean, mark, scaled
from polypward_cli.report.lanes import lanes_drawing

__all__ = ["care_chart", "lane_of"]

TITLE: Final = "Care"
# Lane, how often it is told ("fed 3 times"), the words of care that stand in it.
LANES: Final[tuple[tuple[str, str, frozenset[str]], ...]] = (
    ("food", "fed", frozenset({"feeding", "feed", "food"})),
    ("dose", "dosed", frozenset({"dose"})),
    ("treat", "treated", frozenset({"dip", "bath", "treatment"})),
    ("apart", "kept apart", frozenset({"quarantine"})),
    ("move", "moved", frozenset({"move", "light", "lights", "lamp"})),
    ("water", "given new water", frozenset({"water-change"})),
    ("look", "looked at", frozenset({"look", "inspection", "test"})),
)
OTHER: Final = "other"
# Lanes in which something goes on from its begin to its end.
LASTING: Final = frozenset({"treat", "apart"})
_TOP, _LANE, _FOOT = 14, 20, 28
# The class and the path of each lane's marks, px about their day.
_BAR: Final = ("did", "M-3.5 -5h7v10h-7z")
_SHAPES: Final = {
    "food": ("did", "M3.6 0A3.6 3.6 0 1 1 -3.6 0A3.6 3.6 0 1 1 3.6 0z"),
    "dose": ("did", "M0 -5.5l4.4 6a4.4 4.4 0 1 1 -8.8 0z"),
    "treat": _BAR,
    "apart": _BAR,
    "move": ("pen", "M-5 0h9m-4 -4l4 4l-4 4"),
    "water": ("did", "M0 -5l5 5l-5 5l-5 -5z"),
    "look": ("ring", "M3.6 0A3.6 3.6 0 1 1 -3.6 0A3.6 3.6 0 1 1 3.6 0z"),
    OTHER: ("pen", "M0 -5v10"),
}
_BEGINS, _ENDS = frozenset({"open", "started", "begins"}), frozenset({"done", "ended", "ends"})


def lane_of(event: CareEvent) -> str:
    """Return the lane that an event stands in."""
    return next((lane for lane, _, whats in LANES if event.what in whats), OTHER)


def care_chart(
    care: Sequence[CareEvent], zone: tzinfo, *, first: date, last: date
) -> Drawing | None:
    """Draw the care of a specimen on the date axis of its other charts; None without any on it.

    Parameters
    ----------
    care : sequence of CareEvent
        What was done to it, doses of its water among them.
    zone : tzinfo
        The ward's, in which days are counted.
    first, last : date
        Ends of the axis.

    Returns
    -------
    Drawing or None
        A lane for each kind of care there is: food a dot, a dose a drop, a bath or treatment a bar
        from its begin to its end, a move an arrow, new water a lozenge, a look a ring, anything
        else a stroke. What was done on one day stands in one mark.
    """
    by_lane: dict[str, dict[date, list[CareEvent]]] = defaultdict(lambda: defaultdict(list))
    for event in sorted(care, key=lambda one: one.at):
        day = event.at.astimezone(zone).date()
        if first <= day <= last:
            by_lane[lane_of(event)][day].append(event)
    lanes = [lane for lane, _, _ in LANES if lane in by_lane]
    lanes += [OTHER] if OTHER in by_lane else []
    if not lanes:
        return None
    height = _TOP + (len(lanes) - 1) * _LANE + 12 + _FOOT
    tops = {lane: _TOP + number * _LANE for number, lane in enumerate(lanes)}
    shapes: dict[str, list[dict[str, Any]]] = {"did": [], "ring": [], "pen": []}
    for lane in lanes:
        role, shape = _SHAPES.get(lane, _SHAPES[OTHER])
        for day, events in by_lane[lane].items():
            told = "; ".join(dict.fromkeys(map(history_words, events)))
            row = {"day": day.toordinal(), "y": tops[lane], "shape": shape}
            shapes[role].append(row | {"text": clean(f"{day}: {told}")})
    spans = [
        {"day": start.toordinal(), "end": end.toordinal(), "y": tops[lane]}
        for lane in lanes
        if lane in LASTING
        for start, end in _spans(by_lane[lane], last)
    ]
    bars = mark("rule", "span", "spans", x=scaled("x", "day"), x2=scaled("x", "end"), y="y")
    return lanes_drawing(
        key="care",
        title=TITLE,
        summary=_summary(by_lane),
        tops=tops,
        height=height,
        days=(first, last),
        symbols=shapes,
        behind=[(bars, spans)],
    )


def _spans(by_day: dict[date, list[CareEvent]], last: date) -> list[tuple[date, date]]:
    """Return from when to when each treatment went on; one that goes on runs to the axis' end."""
    begun: dict[tuple[str, str], date] = {}
    spans = []
    for day, events in by_day.items():
        for event in events:
            key = (event.what, event.detail.get("name", ""))
            status = event.detail.get("status", "")
            if status in _BEGINS:
                begun.setdefault(key, day)
            elif status in _ENDS and key in begun:
                spans.append((begun.pop(key), day))
    return spans + [(day, last) for day in begun.values()]


def _summary(by_lane: dict[str, dict[date, list[CareEvent]]]) -> str:
    told = []
    for lane, said, _ in LANES:
        if lane in by_lane:
            days = by_lane[lane]
            done = [event for events in days.values() for event in events]
            count = sum(event.detail.get("status") not in _ENDS for event in done) or 1
            times = "once" if count == 1 else f"{count} times"
            told.append(f"{said} {times}, last on {words.day(max(days))}")
    if OTHER in by_lane:
        count = sum(map(len, by_lane[OTHER].values()))
        told.append(f"{count} other {'entry' if count == 1 else 'entries'}")
    return words.sentence("; ".join(told))
