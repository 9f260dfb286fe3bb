"""What the ward's own page shows, in records: water, batches, survival, worth, claims."""

from dataclasses import dataclass

from polypward_cli.report.views import ChartView

__all__ = [
    "ClaimView",
    "GroupRowView",
    "ParameterView",
    "ResultView",
    "SurvivalView",
    "WardPageView",
    "WaterView",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ParameterView:
    """A parameter of water as it stands: value, age, verdict, target, trend; all as text."""

    name: str
    value: str
    age: str
    verdict: str
    target: str
    trend: str
    out: bool
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterView:
    """A water system with its parameters and a chart for each that was tested twice."""

    system: str
    volume: str
    parameters: tuple[ParameterView, ...]
    never: str
    charts: tuple[ChartView, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupRowView:
    """A group of specimens that came: counts and shares as text."""

    name: str
    came: int
    held: int
    sold: int
    left: int
    died: str
    dead_on_arrival: str
    half: str
    to_sale: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SurvivalView:
    """Survival by one word of the register: the chart, the groups, how they compare."""

    by: str
    title: str
    chart: ChartView | None
    drawn: int
    rows: tuple[GroupRowView, ...]
    compared: str
    not_counted: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultView:
    """What a batch came to; `remark` says what is missing or still open."""

    batch: str
    sales: str
    credits: str
    landed: str
    care: str
    result: str
    remark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimView:
    """A claim: whose, what for, how long there is, what was asked and came of it."""

    batch: str
    supplier: str
    state: str
    pieces: str
    window: str
    claimed: str
    credited: str
    open: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WardPageView:
    """The page of the ward; `money` and `water` are the lines of the first page."""

    money: str
    water: str
    currency: str = ""
    claimed: str = ""
    tested: str = ""
    worth: str = ""
    waters: tuple[WaterView, ...] = ()
    survivals: tuple[SurvivalView, ...] = ()
    results: tuple[ResultView, ...] = ()
    claims: tuple[ClaimView, ...] = ()
