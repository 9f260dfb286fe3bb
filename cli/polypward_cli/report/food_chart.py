"""How a specimen answered to food, drawn in time: a lane for each response."""

from collections import Counter
from collections.abc import Sequence
from datetime import date, tzinfo
from typing import Any, Final

from polypward.care import RESPONSES, refusals_in_a_row, response_of
from polypward.records import CareEvent
from polypward_cli.report import words
from polypward_cli.report.drawing import LEFT, RIGHT, WIDTH, Drawing, clean, mark
from polypward_cli.report.lanes import lanes_drawing

__all__ = ["food_chart"]

TITLE: Final = "Response to food"
# px: the first lane's height above the bottom of the picture, and from lane to lane.
_TOP, _LANE, _FOOT = 14, 20, 26
_HEIGHT: Final = _TOP + (len(RESPONSES) - 1) * _LANE + 14 + _FOOT
# The class and the path of each response, px about its day; "part" has two.
_RING: Final = ("ring", "M4 0A4 4 0 1 1 -4 0A4 4 0 1 1 4 0z")
_SHAPES: Final = {
    "took": (("dot", "M4.5 0A4.5 4.5 0 1 1 -4.5 0A4.5 4.5 0 1 1 4.5 0z"),),
    "part": (_RING, ("half", "M0 -4a4 4 0 0 1 0 8z")),
    "refused": (_RING,),
    "spat": (("ring", "M-4 -4l8 8m0 -8l-8 8"),),
}


def food_chart(
    care: Sequence[CareEvent], zone: tzinfo, *, first: date | None = None, last: date | None = None
) -> Drawing | None:
    """Draw the watched feedings of a specimen; None where nobody ever watched one.

    Parameters
    ----------
    care : sequence of CareEvent
        Of one specimen.
    zone : tzinfo
        The ward's, in which days are counted.
    first, last : date, optional
        Days of the other charts, which the axis holds too.

    Returns
    -------
    Drawing or None
        Food taken is a full dot, taken in part a half one, refused a ring, spat out a cross, each
        in its own lane; feedings that nobody watched are strokes on the axis.
    """
    fed = sorted((e for e in care if e.what == "feeding"), key=lambda event: event.at)
    told = [(e.at.astimezone(zone).date(), response_of(e), e) for e in fed]
    if not any(response for _, response, _ in told):
        return None
    days = [day for day, _, _ in told] + [day for day in (first, last) if day is not None]
    start, end = min(days), max(days)
    lanes = {word: _TOP + number * _LANE for number, word in enumerate(RESPONSES)}
    axis = _HEIGHT - _FOOT
    shapes: dict[str, list[dict[str, Any]]] = {"dot": [], "ring": [], "half": [], "sd": []}
    for day, response, event in told:
        said = f"{day}: {response or 'nobody watched'}"
        said += f", {event.detail['food']}" if event.detail.get("food") else ""
        row = {"day": day.toordinal(), "y": lanes.get(response, axis), "text": clean(said)}
        for role, shape in _SHAPES[response] if response else (("sd", "M0 0v-5"),):
            shapes[role].append(row | {"shape": shape})
    line = mark("rule", "grid", "axis", x=LEFT, x2=WIDTH - RIGHT, y="y")
    return lanes_drawing(
        key="food",
        kind="food",
        title=TITLE,
        summary=_summary(care, [word for _, word, _ in told]),
        tops=lanes,
        height=_HEIGHT,
        days=(start, end),
        symbols=shapes,
        behind=[(line, [{"y": axis}] if shapes["sd"] else [])],
        gap=4,
    )


def _summary(care: Sequence[CareEvent], responses: Sequence[str]) -> str:
    counts = Counter(word for word in responses if word)
    told = ", ".join(f"{word} {counts[word]}" for word in RESPONSES if counts[word])
    text = f"{words.counted(len(responses), 'feeding')}: {told}"
    unseen = len(responses) - counts.total()
    text += f", not watched {unseen}" if unseen else ""
    row = len(refusals_in_a_row(care))
    return f"{text}. The last {row} in a row were refused." if row > 1 else f"{text}."
