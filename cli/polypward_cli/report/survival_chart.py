"""Survival of groups as steps over days since arrival, with the numbers still watched below."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from polypward_cli.report import words
from polypward_cli.report.drawing import (
    LEFT,
    RIGHT,
    WIDTH,
    Drawing,
    clean,
    grid,
    mark,
    number_scale,
    scaled,
    texts,
)

if TYPE_CHECKING:
    from polypward_cli.worth import Group

__all__ = ["MOST_CURVES", "day_ticks", "survival_chart"]

# More curves in one picture cannot be told apart; the table below the picture has them all.
MOST_CURVES: Final = 4
_TOP, _PLOT, _AXIS, _ROW = 12, 130, 36, 34
_MOST_TICKS: Final = 6
_LONGEST_NAME: Final = 34
# A tick across a curve, px above and below it.
_TICK_PX: Final = 4


def survival_chart(key: str, title: str, groups: Sequence["Group"]) -> Drawing:
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
    Drawing
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

    x, y = scaled("x", "day"), scaled("y", "share")
    data: dict[str, list[dict[str, Any]]] = {
        "levels": [{"share": share, "text": f"{100 * share:.0f} %"} for share in (0.0, 0.5, 1.0)],
        "days": [{"day": day, "y": floor + 15, "text": str(day)} for day in ticks],
        "what": [{"text": "days since arrival; below: still watched"}],
        "names": [],
    }
    marks = [
        *grid("levels", y),
        texts("day", "what", x=LEFT, y=floor + 30),
        texts("name", "names", x=LEFT + 34, y="y", dy=4, description="name"),
    ]
    for number, group in enumerate(drawn):
        top = floor + _AXIS + number * _ROW
        curve, left = f"curve{number}", f"left{number}"
        data[curve], data[left] = _steps(group), _watched(group)
        told = {"value": clean(_told(group))}
        form = {"interpolate": {"value": "step-after"}, "description": told}
        marks.append(mark("line", f"curve c{number}", curve, x=x, y=y, **form))
        if data[left]:
            ends = {"y": {**y, "offset": -_TICK_PX}, "y2": {**y, "offset": _TICK_PX}}
            marks.append(mark("rule", f"left c{number}", left, x=x, **ends))
        name = clean(group.name)
        short = name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}\u2026"
        data["names"].append({"y": top + 8, "text": short, "name": name})
        marks.append(mark("rule", f"curve c{number}", f"key{number}", x=LEFT, x2=LEFT + 28, y="y"))
        data[f"key{number}"] = [{"y": top + 8}]
        data["days"] += [
            {
                "day": day,
                "y": top + 26,
                "text": str(sum(life.days >= day for life in group.lives)),
            }
            for day in ticks
        ]
    marks.append(texts("day", "days", x=x, y="y", align={"value": "center"}))
    return Drawing(
        key=key,
        title=title,
        summary=_summary(drawn),
        height=height,
        data={name: rows for name, rows in data.items() if rows},
        scales=(
            number_scale("x", (0, max(last, ticks[-1])), (LEFT, WIDTH - RIGHT - 8)),
            number_scale("y", (0, 1), (floor, _TOP)),
        ),
        marks=marks,
    )


def day_ticks(last: int) -> list[int]:
    """Return the days that are written under an axis of `last` days: round steps from 0."""
    step = next(
        size * factor
        for size in (1, 10, 100, 1000, 10_000)
        for factor in (1, 2, 5)
        if last / (size * factor) <= _MOST_TICKS
    )
    return list(range(0, last + 1, step))


def _steps(group: "Group") -> list[dict[str, Any]]:
    """Return the corners of a group's curve, from all to its last watched day."""
    curve = group.curve
    corners = [(0, 1.0), *((step.day, step.survival) for step in curve.steps)]
    corners.append((curve.watched_days, corners[-1][1]))
    return [{"day": day, "share": share} for day, share in corners]


def _watched(group: "Group") -> list[dict[str, Any]]:
    """Return where the curve has a tick: a specimen that was watched up to that day."""
    steps = _steps(group)
    days = sorted({life.days for life in group.lives if not life.died})
    shares = (next(step["share"] for step in reversed(steps) if step["day"] <= d) for d in days)
    return [{"day": day, "share": share} for day, share in zip(days, shares, strict=True)]


def _told(group: "Group") -> str:
    end = group.curve.steps[-1].survival if group.curve.steps else 1.0
    died = words.counted(group.curve.deaths, "death")
    return (
        f"{group.name}: {len(group.lives)} came, {died}, {100 * end:.0f} % alive at the end of "
        f"{words.counted(group.curve.watched_days, 'day')}"
    )


def _summary(groups: Sequence["Group"]) -> str:
    return words.sentence("; ".join(map(_told, groups)))
