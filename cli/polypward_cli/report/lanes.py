"""A chart of lanes: what was done or seen on a day stands in the lane of its kind."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from polypward_cli.report.drawing import (
    AS_IT_IS,
    Drawing,
    Rows,
    date_scale,
    date_texts,
    grid,
    mark,
    scaled,
    texts,
)

__all__ = ["lanes_drawing"]


def lanes_drawing(
    *,
    key: str,
    title: str,
    summary: str,
    tops: Mapping[str, int],
    height: int,
    days: tuple[date, date],
    symbols: Mapping[str, Rows],
    behind: Sequence[tuple[Mapping[str, Any], Rows]] = (),
    gap: float = 6,
    kind: str = "",
) -> Drawing:
    """Return the chart of lanes on a date axis; marks and symbols without a row are left out.

    Parameters
    ----------
    key, title, summary, kind : str
        As `Drawing`.
    tops : mapping of str to int
        Each lane's name and its place, px from the top of the picture, which is `height` px.
    days : (date, date)
        Ends of the axis.
    symbols : mapping of str to rows
        By their class: `day` as an ordinal, `y` in px, `shape` as a path in px, `text`.
    behind : sequence of (mark, rows)
        What is drawn behind them.
    gap : float
        From a lane's name to the plot, px.
    """
    rows = {one["from"]["data"]: rows for one, rows in behind} | dict(symbols)
    data = {name: told for name, told in rows.items() if told}
    x = scaled("x", "day")
    marks = [
        *(one for one, _ in behind),
        *(
            mark("symbol", role, role, x=x, y="y", shape="shape", size=AS_IT_IS, description="text")
            for role in symbols
        ),
    ]
    return Drawing(
        key=key,
        kind=kind,
        title=title,
        summary=summary,
        height=height,
        data={
            "lanes": [{"y": top, "text": lane} for lane, top in tops.items()],
            "days": date_texts(*days),
            **data,
        },
        scales=(date_scale(*days),),
        marks=[
            *grid("lanes", "y", gap=gap),
            *(one for one in marks if one["from"]["data"] in data),
            texts("day", "days", x="x", y=height - 8, align="align"),
        ],
    )
