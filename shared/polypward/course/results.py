"""What a course holds: visits, charts, flags, score and advice, all frozen."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Literal

from polypward.course.prospect import Prospect
from polypward.course.rules import AdviceWord, Fact
from polypward.course.settings import Lab
from polypward.records import Reading

__all__ = [
    "Advice",
    "Chart",
    "Course",
    "Flag",
    "FlagName",
    "Grounds",
    "Reference",
    "Score",
    "Trend",
    "TrendPart",
    "Visit",
]

FlagName = Literal[
    "paling", "recession", "overgrowth", "stalled", "sharp-loss", "look-again", "overdue"
]
View = Literal["top", "side"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """All accepted photos of a specimen on one day in one view.

    Shares (`live_cover`, `bare_share`, `overgrown_share`, `paling`) are 0..1, `*_sd` one standard
    deviation of the visit's value, areas mm², colour CIELAB D50. `paling_raw` is the paling index
    before clipping, `off_axis_lab` the colour shift beside the axis (Lab units). `footprint` is
    the specimen's whole area over its usual one, `expansion` the same of the live area alone.
    """

    day: date
    view: View
    at: datetime  # of the last photo
    photos: tuple[str, ...]
    keys: tuple[tuple[str, str], ...] = ()  # photo and sha256 of each
    live_mm2: float | None = None
    live_mm2_sd: float | None = None
    bare_mm2: float | None = None
    overgrown_mm2: float | None = None
    live_cover: float | None = None
    live_cover_sd: float | None = None
    bare_share: float | None = None
    overgrown_share: float | None = None
    lab: Lab | None = None
    lab_sd: float | None = None
    lamp: str = ""
    card: str = ""  # serial of a card with nominal values: colour holds against that print only
    light_changed: bool = False
    light: int | None = None  # number of the light period; None = a light that did not last
    unsure: float | None = None  # share of the specimen of which the tissue map is unsure
    handled: bool = False  # soon after heavy feeding, dip, cut or move
    open: str = ""
    like: int | None = None  # number of the period of like visits; None = unlike the others
    unlike: str = ""  # what is unlike about it, in words
    expansion: float | None = None
    footprint: float | None = None
    paling: float | None = None
    paling_raw: float | None = None
    paling_sd: float | None = None
    off_axis_lab: float | None = None
    pale_mm2: float | None = None
    condition: float | None = None
    condition_sd: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """The two ends of the paling axis and how they were found.

    `lab` is the rich end, `white_lab` the white end, `axis_lab` their distance (Lab units).
    `available` is False where the ends are too close for an index. `basis` and `white_basis` say
    in words where each end came from; `provisional` marks a rich end from fewer than three visits.
    """

    lab: Lab | None
    white_lab: Lab
    axis_lab: float | None
    available: bool
    provisional: bool
    basis: str
    white_basis: str
    days: tuple[date, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """An EWMA control chart of one measure in one view; tuples run over its visits.

    `value` and `sd` are the visit's figure and the SD that the limits use; `ewma`, `lower`,
    `upper` and `baseline` are None where the visit was not charted. `unit` is "share", "index" or
    "Lab". `bad` says which side raises the flag.
    """

    measure: Literal["cover", "overgrown", "paling"]
    view: View
    unit: Literal["share", "index", "Lab"]
    bad: Literal["low", "high"]
    dates: tuple[date, ...] = ()
    value: tuple[float | None, ...] = ()
    sd: tuple[float | None, ...] = ()
    ewma: tuple[float | None, ...] = ()
    lower: tuple[float | None, ...] = ()
    upper: tuple[float | None, ...] = ()
    baseline: tuple[float | None, ...] = ()
    out: tuple[bool, ...] = ()  # beyond the bad limit at that visit
    baseline_on: tuple[date | None, ...] = ()  # last day of the baseline it is compared with


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """One raising of a flag: from when it could be raised at all to when it was cleared."""

    name: FlagName
    evidence: str
    raised_on: date
    could_raise_on: date | None  # first day on which there was enough to raise this flag
    standing: bool
    urgent: bool = False
    view: View = "top"
    cleared_on: date | None = None
    cleared_by: Literal["", "visits", "person"] = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Theil-Sen slope per week, its 90 % interval, and two-sided Mann-Kendall p over n visits."""

    per_week: float
    p: float
    n: int
    days: int
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendPart:
    """A measure before or after something that may have changed its course.

    `began` says in words what was changed on `since`; it is empty for the first part. `trend` is
    None for fewer than three visits.
    """

    measure: str
    since: date
    until: date
    began: str
    trend: Trend | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """A row of scores.csv: the fields are its columns, in order; None = not available."""

    specimen: str
    first_seen: date | None = None
    last_seen: date | None = None
    visits: int = 0
    condition: float | None = None
    condition_sd: float | None = None
    condition_intake: float | None = None
    recovery: float | None = None
    recovery_low: float | None = None
    recovery_high: float | None = None
    live_mm2: float | None = None
    live_change_pct: float | None = None
    cover_change_per_week: float | None = None
    paling_change_per_week: float | None = None
    flags: tuple[str, ...] = ()
    advice: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """What is advised, why, what would change it, and when to photograph next.

    `what` is empty for a specimen that has left. A person decides.
    """

    what: AdviceWord
    reason: str
    changes: str = ""
    next_photo_on: date | None = None
    rule: str = ""
    worth: str = ""  # expected price against the cost of a week, where enough cases have ended


@dataclass(frozen=True, slots=True, kw_only=True)
class Grounds:
    """What flags, score and advice of any day stand on (`day.stand_on`).

    `flags` are all but `overdue`, `score` has neither flags nor advice yet, `facts` are those of
    `gather_facts`. `last_on` is the day of the last accepted photo. `gone` says how the specimen
    left the ward, "" while it is here.
    """

    score: Score
    flags: tuple[Flag, ...]
    facts: Mapping[str, Fact]
    here_since: date | None
    arrived_on: date | None
    last_on: date | None
    gone: str = ""
    gone_on: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """A specimen through time.

    `chart` is keyed by measure ("cover", "overgrown", "paling") for the view the score stands on,
    and by measure and view ("cover side") for another. `could_raise` gives, for each flag that
    photos can raise, the first day on which there was enough to raise it (None: not yet). `trends`
    are keyed like `chart`, with "condition" besides; `smallest_changes` says by measure ("cover",
    "overgrown", "area", "colour" in Lab, "paling") how much two visits must differ to be told from
    noise. `notes` are sentences on what the figures stand on.
    """

    specimen: str
    view: View
    visits: tuple[Visit, ...]
    readings: tuple[Reading, ...]
    reference: Reference
    chart: Mapping[str, Chart]
    flags: tuple[Flag, ...]
    score: Score
    advice: Advice
    grounds: Grounds
    trends: Mapping[str, Trend] = field(default_factory=dict)
    trend_parts: tuple[TrendPart, ...] = ()  # only where a change was logged
    smallest_changes: Mapping[str, float] = field(default_factory=dict)
    prospect: Prospect | None = None  # only with enough finished cases of its kind and state
    could_raise: Mapping[str, date | None] = field(default_factory=dict)
    facts: Mapping[str, Fact] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
