"""Water on the ward's page: how each parameter stands, its course, and the oldest test of all."""

import math
from collections.abc import Sequence
from datetime import tzinfo
from typing import Final

from polypward.units import CANONICAL
from polypward.water import Dose, State, Target, WaterTest, parameter, shown
from polypward_cli.report import words
from polypward_cli.report.charts import Chart, Mark, Point, drawing_of
from polypward_cli.report.drawing import Drawing
from polypward_cli.report.drawn import Drawn
from polypward_cli.report.gather import Water
from polypward_cli.report.ward_views import ParameterView, WaterView

__all__ = ["nice_range", "oldest_test", "water_view"]

# A trend is told where its p is under this; the same as on the command line.
CLEAR_P: Final = 0.05
# Tests of so many days before the newest: a chart shows where the water goes.
CHART_DAYS: Final = 90


def oldest_test(waters: Sequence[Water], *, brief: bool = False) -> str:
    """Return the oldest wanted test, and what was never tested; in `brief` only counted.

    Wanted is what has a target, and what was ever tested in that water.
    """
    if not waters:
        return "No water system is named in the register yet, so no test can be told of."
    wanted = [
        (water.system, state)
        for water in waters
        for state in water.states
        if state.latest is not None or state.target is not None
    ]
    tested = [(system, state) for system, state in wanted if state.age_days is not None]
    never = [f"{parameter(s.parameter).words} ({system})" for system, s in wanted if not s.latest]
    without = [water.system for water in waters if not any(s.latest for s in water.states)]
    parts = []
    if tested:
        system, state = max(tested, key=lambda one: one[1].age_days or 0)
        parts.append(
            f"Oldest water test: {parameter(state.parameter).words} of {system}, "
            f"{age_words(state.age_days)}."
        )
    if without:
        parts.append(f"No test was noted yet of {_few(without)}.")
        never = [one for one in never if not one.endswith(tuple(f"({w})" for w in without))]
    if never and brief:
        parts.append(f"Never tested, though a target is set: {words.counted(len(never), 'value')}.")
    elif never:
        parts.append(f"With a target but never tested: {_few(never)}.")
    return " ".join(parts)


def age_words(days: int | None) -> str:
    """Return how long ago a test was, in days: "today", "yesterday", "12 days ago"."""
    if days is None:
        return "never"
    return {0: "today", 1: "yesterday"}.get(days, f"{days} days ago")


def _few(names: Sequence[str], *, most: int = 4) -> str:
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


def water_view(water: Water, *, number: int, zone: tzinfo, drawn: Drawn) -> WaterView:
    """Return a system as its page shows it; `number` tells its charts from those of others."""
    tested = [(state, state.latest) for state in water.states if state.latest is not None]
    missing = [state for state in water.states if state.latest is None]
    charts = []
    for state, latest in tested:
        tests = [
            test
            for test in water.tests
            if test.parameter == state.parameter and 0 <= (latest.at - test.at).days <= CHART_DAYS
        ]
        if len({test.at.astimezone(zone).date() for test in tests}) > 1:
            charts.append(_chart(f"w{number}-{state.parameter}", state, tests, water.given, zone))
    return WaterView(
        system=water.system,
        volume=f"{water.volume.litres:g} L" if water.volume else "volume not known",
        parameters=tuple(_parameter(state) for state, _ in tested),
        never=", ".join(parameter(state.parameter).words for state in missing),
        charts=drawn.views(f"/water/{water.system}", charts),
    )


def _parameter(state: State) -> ParameterView:
    assert state.latest is not None
    verdict: str = state.verdict
    if verdict == "too old":
        verdict = "too old to say anything of today"
    told = ", ".join(part for part in (state.latest.kit, state.latest.by) if part)
    return ParameterView(
        name=parameter(state.parameter).words,
        value=_degrees(state.latest.text()),
        age=age_words(state.age_days) + (f" ({told})" if told else ""),
        verdict=verdict,
        target=_degrees(state.target.text()) if state.target else "not set",
        trend=_trend(state),
        out=state.out,
        remarks=tuple(words.sentence(_degrees(note)) for note in state.notes),
    )


def _trend(state: State) -> str:
    trend = state.trend
    if trend is None:
        return "too few tests"
    step = shown(state.parameter, abs(trend.per_week))
    if trend.p > CLEAR_P or step.split()[0] == "0":
        return f"no clear trend ({trend.n} tests in {trend.days} days)"
    way = "rising" if trend.per_week > 0 else "falling"
    return f"{way} {_degrees(step)} a week, doses included ({trend.n} tests in {trend.days} days)"


def _chart(
    key: str, state: State, tests: Sequence[WaterTest], given: Sequence[Dose], zone: tzinfo
) -> Drawing:
    one = parameter(state.parameter)
    target = state.target or Target(parameter=state.parameter)
    points = tuple(
        Point(
            day=test.at.astimezone(zone).date(),
            value=test.value,
            low=target.low,
            high=target.high,
            hollow=test.below,
        )
        for test in tests
    )
    first, last = points[0].day, points[-1].day
    marks = tuple(
        Mark(day=day, text=_given_words(dose), flag=False)
        for dose in given
        if first <= (day := dose.at.astimezone(zone).date()) <= last
        and (dose.raises == state.parameter or dose.what == "water change")
    )
    edges = [value for value in (target.low, target.high) if value is not None]
    if target.high is not None and target.low is None:
        edges.append(0.0)  # "up to" begins there
    bottom, top, decimals = nice_range([test.value for test in tests] + edges)
    unit = _degrees(CANONICAL[state.parameter])
    title = f"{one.words[:1].upper()}{one.words[1:]}{', ' + unit if unit else ''}"
    newest = points[-1]
    assert newest.value is not None
    summary = (
        f"{words.counted(len(points), 'test')} from {words.day(first)} to {words.day(last)}, "
        f"the newest {_degrees(tests[-1].text())}. Target: {_degrees(target.text())}."
    )
    drawn = Chart(
        key=key,
        title=title,
        summary=summary,
        unit="",
        points=points,
        marks=marks,
        decimals=decimals,
        bottom=bottom,
        top=top,
        limits=(
            *(("low",) if target.low is not None else ()),
            *(("high",) if target.high is not None else ()),
        ),
    )
    return drawing_of(drawn, first=first, last=last)


def _degrees(text: str) -> str:
    return text.replace("degC", "\N{DEGREE SIGN}C")


def _given_words(dose: Dose) -> str:
    return f"{dose.what} {dose.amount:g} {dose.unit}"


def nice_range(values: Sequence[float]) -> tuple[float, float, int]:
    """Return the ends of an axis that holds all values, and the decimals that its middle needs.

    The ends are an even number of round steps (1, 2 or 5 times a power of ten) apart.
    """
    low, high = min(values), max(values)
    span = max(high - low, abs(high) * 0.02, 1e-3)
    size = 10.0 ** math.floor(math.log10(span / 4))
    step = next(size * factor for factor in (1, 2, 5, 10) if span / (size * factor) <= 4.001)
    below, above = math.floor(low / step - 0.1), math.ceil(high / step + 0.1)
    above += (above - below) % 2
    if low >= 0 and below < 0:
        below, above = 0, above - below
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return round(below * step, 9), round(above * step, 9), decimals
