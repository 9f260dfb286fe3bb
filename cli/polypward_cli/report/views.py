"""What a page of the report shows, in records: nothing here knows of files or of HTML."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from markupsafe import Markup

from polypward_cli.report.cutouts import Outlines

__all__ = [
    "ChartView",
    "CutOutView",
    "Direction",
    "EventView",
    "FactsView",
    "FlagView",
    "Group",
    "IndexView",
    "PhotoView",
    "ReadingView",
    "ReasonView",
    "SpecimenView",
    "StripView",
    "WardView",
]

Direction = Literal["rising", "falling", "steady", "unknown"]
Group = Literal["needs", "back", "sale", "steady", "left"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WardView:
    """What every page says about the ward and the report itself."""

    name: str
    today: str
    made_at: str
    version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagView:
    """A flag with its evidence; `when` says since when, or that it has cleared."""

    words: str
    when: str
    evidence: str
    urgent: bool
    standing: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CutOutView:
    """A cut-out: its file as seen from the page, size in px, outlines as SVG path data.

    `style` puts it at its place in a square that all cut-outs of its strip share, so that they have
    one scale and one middle; "" where its scale is not known: it then fills the square.
    """

    src: str
    style: str
    width: int
    height: int
    outlines: Outlines
    day: str
    words: str
    alt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StripView:
    """The cut-outs of one view, in time order; `side_mm` is the width of their squares."""

    key: str
    title: str
    side_mm: int | None
    cutouts: tuple[CutOutView, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartView:
    """A drawn chart and the line above it."""

    title: str
    svg: Markup


@dataclass(frozen=True, slots=True, kw_only=True)
class EventView:
    """Something done to or seen on a specimen."""

    day: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingView:
    """A row of the table of photo readings: its cells as text, in the order of the columns."""

    accepted: bool
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FactsView:
    """Figures that belong together, each with its label, and remarks below them."""

    title: str
    facts: tuple[tuple[str, str], ...]
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecimenView:
    """A specimen on the first page and on its own.

    `condition` and `cover` are whole points and per cent. `href` is its page as seen from the
    first page; `latest` its newest cut-out, likewise. `standing` names the flags that stand,
    `visits` are the cells of the table of visits.
    """

    name: str
    href: str
    group: Group
    recovered: bool
    line: str
    short_line: str
    place: str
    batch: str
    state: str
    left_on: str
    state_line: str
    condition: int | None
    cover: int | None
    direction: Direction
    from_above: bool
    cover_note: str
    flags: tuple[FlagView, ...]
    standing: str
    urgent: bool
    advice: str
    advice_words: str
    advice_reason: str
    next_photo: str
    due: bool
    overdue: bool
    last_seen: str
    why: str
    todo: str
    latest: CutOutView | None
    strips: tuple[StripView, ...]
    charts: tuple[ChartView, ...]
    facts: tuple[FactsView, ...]
    visits: tuple[tuple[str, ...], ...]
    remarks: tuple[str, ...]
    events: tuple[EventView, ...]
    readings: tuple[ReadingView, ...]
    shared_notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoView:
    """A photo that was not counted, with what was seen on it."""

    photo: str
    specimen: str
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReasonView:
    """A reason, what to do differently, how many photos carry it, and which if they are named."""

    means: str
    do: str
    count: int
    photos: Sequence[PhotoView] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexView:
    """The first page, the page of all specimens and the page of photos.

    `money` and `water` are a line each: claims and worth; the oldest test.
    """

    summary: str
    scored: str
    money: str
    water: str
    prices: str
    photo_summary: str
    needs: Sequence[SpecimenView] = ()
    back: Sequence[SpecimenView] = ()
    sale: Sequence[SpecimenView] = ()
    sale_recovered: bool = False
    steady: Sequence[SpecimenView] = ()
    left: Sequence[SpecimenView] = ()
    due: Sequence[SpecimenView] = ()
    rejected: int = 0
    reasons: Sequence[ReasonView] = ()
    notes: Sequence[ReasonView] = ()
