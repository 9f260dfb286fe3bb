"""How a specimen answered to food, drawn in time: a lane for each response."""

from collections import Counter
from collections.abc import Sequence
from datetime import date, tzinfo
from typing import Final

from markupsafe import Markup, escape

from polypward.care import RESPONSES, refusals_in_a_row, response_of
from polypward.records import CareEvent
from polypward_cli.report import words
from polypward_cli.report.charts import LEFT, RIGHT, WIDTH, date_axis, x_scale
from polypward_cli.report.views import ChartView

__all__ = ["food_chart"]

TITLE: Final = "Response to food"
# px: the first lane's height above the bottom of the picture, and from lane to lane.
_TOP, _LANE, _FOOT = 14, 20, 26
_HEIGHT: Final = _TOP + (len(RESPONSES) - 1) * _LANE + 14 + _FOOT


def food_chart(
    care: Sequence[CareEvent], zone: tzinfo, *, first: date | None = None, last: date | None = None
) -> ChartView | None:
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
    ChartView or None
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
    parts = [
        f'<svg class="chart food" viewBox="0 0 {WIDTH} {_HEIGHT}" role="img" '
        f'aria-labelledby="food-t food-d"><title id="food-t">{TITLE}</title>'
        f'<desc id="food-d">{escape(_summary(care, [word for _, word, _ in told]))}</desc>'
    ]
    parts += [
        f'<path class="grid" d="M{LEFT} {y}H{WIDTH - RIGHT}"/>'
        f'<text class="num" x="{LEFT - 4}" y="{y + 4}">{word}</text>'
        for word, y in lanes.items()
    ]
    if not all(response for _, response, _ in told):
        parts.append(f'<path class="grid" d="M{LEFT} {axis}H{WIDTH - RIGHT}"/>')
    for day, response, event in told:
        x = x_scale(day, first=start, last=end)
        said = f"{day}: {response or 'nobody watched'}"
        said += f", {event.detail['food']}" if event.detail.get("food") else ""
        title = f"<title>{escape(said)}</title>"
        if response:
            parts.append(f"<g>{title}{_shape(response, x, lanes[response])}</g>")
        else:
            parts.append(f'<g>{title}<path class="sd" d="M{x} {axis}v-5"/></g>')
    parts += date_axis(start, end, height=_HEIGHT)
    parts.append("</svg>")
    return ChartView(title=TITLE, svg=Markup("".join(parts)))  # user text above was escaped


def _shape(response: str, x: float, y: float) -> str:
    if response == "took":
        return f'<circle class="dot" cx="{x}" cy="{y}" r="4.5"/>'
    ring = f'<circle class="ring" cx="{x}" cy="{y}" r="4"/>'
    if response == "part":
        return f'{ring}<path class="half" d="M{x} {y - 4}a4 4 0 0 1 0 8z"/>'
    if response == "refused":
        return ring
    return f'<path class="ring" d="M{x - 4} {y - 4}l8 8m0 -8l-8 8"/>'


def _summary(care: Sequence[CareEvent], responses: Sequence[str]) -> str:
    counts = Counter(word for word in responses if word)
    told = ", ".join(f"{word} {counts[word]}" for word in RESPONSES if counts[word])
    text = f"{words.counted(len(responses), 'feeding')}: {told}"
    unseen = len(responses) - counts.total()
    text += f", not watched {unseen}" if unseen else ""
    row = len(refusals_in_a_row(care))
    return f"{text}. The last {row} in a row were refused." if row > 1 else f"{text}."
