"""Charts as inline SVG, drawn by Vega: what a chart consists of, and the one call that draws.

Vega (BSD-3-Clause, in vl-convert-python) lays out scales, lines, areas, symbols and text of a
specification; it asks nothing of any network. What it draws bears no colours: groups of marks have
a class, the page's style sheet does the rest, so that a chart follows it into dark mode and print.
"""

import json
import marshal
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from hashlib import sha256
from typing import Any, Final

from markupsafe import Markup, escape

__all__ = [
    "AS_IT_IS",
    "BOTTOM",
    "HEIGHT",
    "LEFT",
    "RIGHT",
    "TOP",
    "WIDTH",
    "Drawing",
    "Rows",
    "clean",
    "date_labels",
    "date_scale",
    "date_texts",
    "draw",
    "grid",
    "mark",
    "number_scale",
    "scaled",
    "texts",
]

WIDTH, HEIGHT = 360, 176
LEFT, RIGHT, TOP, BOTTOM = 46, 14, 20, 26
# The first and the last visit stand clear of the axis' ends.
INSET: Final = 8
MAX_DATE_LABELS: Final = 4
# A symbol of this size is drawn as its path says, in px (Vega scales by half its root).
AS_IT_IS: Final = 4

_VERSION: Final = 1  # raise when the drawing changes, so that kept charts are drawn again

Rows = Sequence[Mapping[str, Any]]
Channel = Mapping[str, Any]

_FRAME: Final = {
    "$schema": "https://vega.github.io/schema/vega/v6.json",  # a name; Vega asks for nothing there
    "width": WIDTH,
    "height": HEIGHT,
    "padding": 0,
    "autosize": "none",
    # Nothing but the style sheet says a colour or a width.
    "config": {
        **{kind: {"fill": None} for kind in ("symbol", "area", "text", "group")},
        "line": {"stroke": None, "strokeWidth": None},
        "rule": {"stroke": None},
    },
}
_BEGIN: Final = '<g class="mark-group role-chart"><g transform="translate(0,0)"><g>'
_END: Final = "</g></g></g>"
_AFTER: Final = "</g></g></g></g></svg>"
_NEEDLESS: Final = re.compile(
    r' aria-hidden="true"| aria-roledescription="[\w ]*"| role="graphics-\w+"'
    r'| pointer-events="none"| font-family="[\w-]*" font-size="[\w.]*"'
    r'|<path class="(?:back|fore)ground"[^>]*/>'
)
_CLASS: Final = re.compile(r'class="mark-\w+ role-([\w ]+)"')
_PLACE: Final = re.compile(r"(translate\(-?\d+(?:\.\d\d?)?)\d*,(-?\d+(?:\.\d\d?)?)\d*\)")
_TOLD: Final = re.compile(r'<(\w+) aria-label="([^"]*)"([^>]*?)(/?)>')
# What XML 1.0 cannot hold (production 2, Char); the library ends the program on it.
_NO_TEXT: Final = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A chart to be drawn: what it is called, and its Vega scales and marks, px from its top left.

    `key` names it on its page, `summary` says for those who cannot see it what it shows; `kind` is
    a further class for the style sheet. `data` are the rows that the marks name.
    """

    key: str
    title: str
    summary: str
    height: int = HEIGHT
    kind: str = ""
    data: Mapping[str, Rows] = field(default_factory=dict)
    scales: Sequence[Mapping[str, Any]] = ()
    marks: Sequence[Mapping[str, Any]] = ()

    def digest(self) -> str:
        """Return what tells it from any that comes out as another picture, 20 hex digits.

        By `marshal`, which takes a fifth of the time of JSON; of another Python it may be another.
        """
        told = (_VERSION, [*self.data.items()], [*self.scales], [*self.marks])
        return sha256(marshal.dumps(told, 2)).hexdigest()[:20]

    def specification(self) -> str:
        """Return it as one Vega group, JSON."""
        group = {
            "type": "group",
            "role": "chart",
            "data": [{"name": name, "values": rows} for name, rows in self.data.items()],
            "scales": self.scales,
            "marks": self.marks,
        }
        return json.dumps(group, separators=(",", ":"), allow_nan=False)

    def page_svg(self, drawn: str) -> Markup:
        """Return the ``<svg>`` element around what was drawn, with its title and description."""
        key, kind = escape(self.key), f" {self.kind}" if self.kind else ""
        return Markup(
            f'<svg class="chart{kind}" viewBox="0 0 {WIDTH} {self.height}" role="img" '
            f'aria-labelledby="{key}-t {key}-d"><title id="{key}-t">{escape(self.title)}</title>'
            f'<desc id="{key}-d">{escape(self.summary)}</desc>{drawn}</svg>'
        )


def draw(specifications: Sequence[str]) -> list[str]:
    """Draw charts in one go, which is cheaper than one by one.

    Parameters
    ----------
    specifications : sequence of str
        Of `Drawing.specification`.

    Returns
    -------
    list of str
        For each the content of an ``<svg>`` element, without name space, colour or any address;
        a ``<title>`` in a mark tells what a pointer over it shows.

    Raises
    ------
    RuntimeError
        If the library draws something else than it was asked for.
    """
    from vl_convert import vega_to_svg

    if not specifications:
        return []
    frame = json.dumps(_FRAME)[:-1]
    drawn = vega_to_svg(f'{frame},"marks":[{",".join(specifications)}]}}', allowed_base_urls=[])
    drawn = _CLASS.sub(r'class="\1"', _NEEDLESS.sub("", drawn).replace(_BEGIN, "\0"))
    parts = _TOLD.sub(_with_title, _PLACE.sub(r"\1,\2)", drawn)).split("\0")[1:]
    if len(parts) != len(specifications) or not parts[-1].endswith(_END + _AFTER):
        raise RuntimeError(f"{len(specifications)} charts were asked for, {len(parts)} drawn")
    parts[-1] = parts[-1].removesuffix(_AFTER)
    return [part.removesuffix(_END) for part in parts]


def _with_title(found: re.Match[str]) -> str:
    name, told, rest, closed = found.groups()
    return f"<{name}{rest}><title>{told}</title>{f'</{name}>' if closed else ''}"


def clean(text: str) -> str:
    """Return text as a chart can hold it: what no XML file can hold becomes a question mark."""
    return _NO_TEXT.sub("\N{REPLACEMENT CHARACTER}", text)


def mark(kind: str, role: str, data: str, **channels: Channel | str | float) -> dict[str, Any]:
    """Return a set of marks of a Vega kind, one for each row of `data`; `role` is their class.

    A channel is a field's name, a number in px, or what `scaled` returns.
    """
    enter = {
        name: value
        if isinstance(value, Mapping)
        else {"field" if isinstance(value, str) else "value": value}
        for name, value in channels.items()
    }
    return {
        "type": kind,
        "role": role,
        "aria": False,
        "from": {"data": data},
        "encode": {"enter": enter},
    }


def texts(role: str, data: str, **channels: Channel | str | float) -> dict[str, Any]:
    """Return lines of text, the field `text` of each row.

    The style sheet says their size; with one here each would be measured, which takes its time.
    """
    return mark("text", role, data, text="text", fontSize=0, **channels)


def scaled(scale: str, name: str) -> Channel:
    """Return the channel of a field on a scale."""
    return {"scale": scale, "field": name}


def number_scale(name: str, domain: tuple[float, float], pixels: tuple[float, float]) -> Any:
    """Return a linear scale; what lies beyond its domain is drawn at its end."""
    ends = {"domain": domain, "range": pixels, "clamp": True, "zero": False}
    return {"name": name, "type": "linear", **ends}


def date_scale(first: date, last: date) -> Any:
    """Return the scale "x" of days, as ordinals; equal ends are widened by three days each."""
    wider = 0 if last > first else 3
    ends = (first.toordinal() - wider, last.toordinal() + wider)
    return number_scale("x", ends, (LEFT + INSET, WIDTH - RIGHT - INSET))


def date_texts(first: date, last: date) -> Rows:
    """Return the days under an axis as rows: `x` in px, `align`, `text`."""
    labels = date_labels(first, last)
    span = (last - first).days
    room = WIDTH - LEFT - RIGHT - 2 * INSET
    rows = []
    for number, day in enumerate(labels):
        share = (day - first).days / span if span else 0.5
        align, x = "center", LEFT + INSET + share * room
        if len(labels) > 1:
            ends = {0: ("left", LEFT), len(labels) - 1: ("right", WIDTH - RIGHT)}
            align, x = ends.get(number, (align, x))
        rows.append({"x": round(x, 1), "align": align, "text": f"{day.day} {day:%b}"})
    return rows


def date_labels(first: date, last: date) -> list[date]:
    """Return the days that are written under an axis from `first` to `last`, a few at most."""
    span = (last - first).days
    count = min(MAX_DATE_LABELS, span + 1)
    if count < 2:
        return [first]
    days = [round(span * number / (count - 1)) for number in range(count)]
    return [date.fromordinal(first.toordinal() + day) for day in days]


def grid(data: str, y: Channel | str, *, gap: float = 6) -> Iterable[dict[str, Any]]:
    """Return level lines across the plot, one a row, with each row's `text` left of it."""
    yield mark("rule", "grid", data, x=LEFT, x2=WIDTH - RIGHT, y=y)
    yield texts("num", data, x=LEFT - gap, y=y, dy=4, align={"value": "right"})
