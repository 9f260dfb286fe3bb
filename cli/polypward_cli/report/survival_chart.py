"""Survival of groups as steps over days since arrival, with the numbers still watched below."""

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from markupsafe import Markup, escape

from polypward_cli.report import words
from polypward_cli.report.charts import LEFT, RIGHT, WIDTH, opening_tags
from polypward_cli.report.views import ChartView

if TYPE_CHECKING:
    from polypward_cli.worth import Group

__all__ = ["MOST_CURVES", "day_ticks", "survival_chart"]

# More curves in one picture cannot be told apart; the table below the picture has them all.
MOST_CURVES: Final = 4
_TOP, _PLOT, _AXIS, _ROW = 12, 130, 36, 34
_MOST_TICKS: Final = 6
_LONGEST_NAME: Final = 34


def survival_chart(key: str, title: str, groups: Sequence["Group"]) -> ChartView:
    """Draw the curves of up to four groups, the largest ones.

    Parameters
    ----------
    key : str
        Names the picture on its page.
    title : str
        What it shows.
    groups : sequence of Group
        At least one, each with lives.

    Returns
    -------
    ChartView
        A curve is told from another by the pattern of its stroke. A tick across it is a specimen
        that was sold, moved out or is still here, up to its last day. Under the axis stands, for
        each group, how many were still watched on each of the days written there.
    """
    drawn = sorted(groups, key=lambda group: -len(group.lives))[:MOST_CURVES]
    drawn.sort(key=lambda group: group.name)
    last = max([1, *(group.curve.watched_days for group in drawn)])
    ticks = day_ticks(last)
    floor = _TOP + _PLOT
    height = floor + _AXIS + len(drawn) * _ROW + 4

    def x(day: float) -> float:
        return round(LEFT + day * (WIDTH - RIGHT - LEFT - 8) / max(last, ticks[-1]), 1)

    def y(share: float) -> float:
        return round(floor - share * _PLOT, 1)

    parts = [opening_tags(key, title, _summary(drawn), height=height)]
    for share in (0.0, 0.5, 1.0):
        parts.append(
            f'<path class="grid" d="M{LEFT} {y(share)}H{WIDTH - RIGHT}"/>'
            f'<text class="num" x="{LEFT - 6}" y="{y(share) + 4:.1f}">{100 * share:.0f} %</text>'
        )
    parts += [
        f'<text class="day" text-anchor="middle" x="{x(day)}" y="{floor + 15}">{day}</text>'
        for day in ticks
    ]
    parts.append(
        f'<text class="day" x="{LEFT}" y="{floor + 30}">days since arrival; below: still '
        "watched</text>"
    )
    for number, group in enumerate(drawn):
        top = floor + _AXIS + number * _ROW
        parts.append(_curve(number, group, x, y))
        name = group.name
        short = name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}\u2026"
        parts.append(
            f'<path class="curve c{number}" d="M{LEFT} {top + 8}h28"/>'
            f'<text class="name" x="{LEFT + 34}" y="{top + 12}">{escape(short)}'
            f"<title>{escape(name)}</title></text>"
        )
        parts += [
            f'<text class="day" text-anchor="middle" x="{x(day)}" y="{top + 26}">'
            f"{sum(life.days >= day for life in group.lives)}</text>"
            for day in ticks
        ]
    parts.append("</svg>")
    return ChartView(title=title, svg=Markup("".join(parts)))  # user text above was escaped


def day_ticks(last: int) -> list[int]:
    """Return the days that are written under an axis of `last` days: round steps from 0."""
    step = next(
        size * factor
        for size in (1, 10, 100, 1000, 10_000)
        for factor in (1, 2, 5)
        if last / (size * factor) <= _MOST_TICKS
    )
    return list(range(0, last + 1, step))


def _curve(
    number: int, group: "Group", x: Callable[[float], float], y: Callable[[float], float]
) -> str:
    curve = group.curve
    corners = [(0, 1.0), *((step.day, step.survival) for step in curve.steps)]
    path = f"M{x(0)} {y(1.0)}"
    for _, (day, share) in pairwise(corners):
        path += f"H{x(day)}V{y(share)}"
    path += f"H{x(curve.watched_days)}"
    watched = sorted({life.days for life in group.lives if not life.died})
    ticks = "".join(f"M{x(day)} {y(_share_at(corners, day)) - 4:.1f}v8" for day in watched)
    told = f"<title>{escape(_told(group))}</title>"
    lost = f'<path class="left c{number}" d="{ticks}"/>' if ticks else ""
    return f'<g>{told}<path class="curve c{number}" d="{path}"/>{lost}</g>'


def _share_at(corners: Sequence[tuple[int, float]], day: int) -> float:
    return next(share for since, share in reversed(corners) if since <= day)


def _told(group: "Group") -> str:
    end = group.curve.steps[-1].survival if group.curve.steps else 1.0
    died = words.counted(group.curve.deaths, "death")
    return (
        f"{group.name}: {len(group.lives)} came, {died}, {100 * end:.0f} % alive at the end of "
        f"{words.counted(group.curve.watched_days, 'day')}"
    )


def _summary(groups: Sequence["Group"]) -> str:
    return words.sentence("; ".join(map(_told, groups)))
