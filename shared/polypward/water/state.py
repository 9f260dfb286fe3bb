"""What the tests of a water system say: latest value, its age, its trend, and what is out."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Final, Literal
from zoneinfo import ZoneInfo

from polypward.water.ammonia import Nh3, nh3_of_tests
from polypward.water.parameters import PARAMETERS, Target, parameter, shown
from polypward.water.tests import WaterTest

__all__ = ["State", "Verdict", "WaterTrend", "judge", "surprising", "water_state"]

# "in target" is all that is said of a good value; "not tested" is never fine, nor is "too old".
Verdict = Literal[
    "not tested", "too old", "in target", "under target", "over target", "undetectable", "no target"
]
# Days back that a trend looks: what the water did long ago says nothing of where it goes.
TREND_DAYS: Final = 42
MIN_FOR_TREND: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterTrend:
    """Change a week (canonical unit), its two-sided Mann-Kendall p, tests and days it stands on."""

    per_week: float
    p: float
    n: int
    days: int


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What is known of one parameter of one system on a day.

    `remarks` are sentences on what is odd: undetectable twice, a jump; `expired` says that the kit
    of the latest test was past its day. `trend` is None with fewer than three tests on different
    days, or where a test was under the kit's reach. `nh3` is the un-ionised part of ammonia that
    was tested.
    """

    parameter: str
    verdict: Verdict
    latest: WaterTest | None
    age_days: int | None
    target: Target | None
    trend: WaterTrend | None
    remarks: tuple[str, ...] = ()
    expired: bool = False
    nh3: Nh3 | None = None

    @property
    def out(self) -> bool:
        """Whether it belongs on the list of what is out of its target, or odd."""
        return self.off_target or self.expired or bool(self.remarks)

    @property
    def off_target(self) -> bool:
        """Whether the latest value is outside its target, or none of a nutrient that needs some."""
        wanted = self.target is not None and self.target.low is not None
        return self.verdict in ("under target", "over target") or (
            self.verdict == "undetectable" and wanted
        )

    @property
    def notes(self) -> tuple[str, ...]:
        """All that is to be said beside the value: remarks, an expired kit, un-ionised ammonia."""
        told = list(self.remarks)
        if self.expired and self.latest:
            words, day = parameter(self.parameter).words, self.latest.kit_expires
            told.append(f"the kit of {words} had expired on {day}: test with a fresh one")
        if self.nh3 is not None:
            told.append(self.nh3.text())
        return tuple(told)


def judge(test: WaterTest, target: Target | None) -> Verdict:
    """Return how a value stands to its target, whatever its age.

    A nutrient that no kit finds is "undetectable", never "in target": none left is no good sign.
    """
    if test.below and parameter(test.parameter).nutrient:
        return "undetectable"
    if target is None or (target.low is None and target.high is None):
        return "no target"
    slack = 10.0 ** -parameter(test.parameter).decimals / 2  # half of the last digit shown
    if target.low is not None and test.value < target.low - slack:
        return "under target"
    if target.high is not None and test.value > target.high + slack and not test.below:
        return "over target"
    return "in target"


def surprising(tests: Sequence[WaterTest], *, a_day: float | None) -> str:
    """Say why the newest test of one parameter asks for a second one; "" if it does not.

    Parameters
    ----------
    tests : sequence of WaterTest
        Of one parameter of one system, by time.
    a_day : float or None
        The largest change of the water a day that its keeper allows.

    Returns
    -------
    str
        A sentence if the newest test is further from the one before than the water should go in
        that time. A test that agrees with the one before it is none, so a repeat settles it.
    """
    if len(tests) < 2:
        return ""
    before, last = tests[-2], tests[-1]
    if _jump(before, last, a_day) <= 0:
        return ""
    moved = shown(last.parameter, abs(last.value - before.value))
    ago = _ago(last.at - before.at)
    return (
        f"{parameter(last.parameter).words} is {moved} away from the test before ({before.text()}, "
        f"{ago} earlier): test once more before any dose"
    )


def _jump(before: WaterTest, last: WaterTest, a_day: float | None) -> float:
    """How far two tests are apart beyond what is allowed in their time."""
    days = (last.at - before.at).total_seconds() / 86400
    return (
        abs(last.value - before.value)
        - parameter(last.parameter).jump.value
        - ((a_day or 0.0) * days)
    )


def _ago(span: timedelta) -> str:
    hours = span.total_seconds() / 3600
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} days"


def water_state(
    tests: Iterable[WaterTest],
    *,
    targets: Mapping[str, Target],
    on: date,
    zone: ZoneInfo,
) -> tuple[State, ...]:
    """Return the state of every parameter of one system on a day, in the order of checking.

    Parameters
    ----------
    tests : iterable of WaterTest
        Of one system, in any order; those after the day are left out.
    targets : mapping of parameter to Target
        Those that its keeper accepted.
    on : date
        The day, in `zone`.
    zone : ZoneInfo
        The ward's time zone: ages are counted in its calendar days.
    """
    series: dict[str, list[WaterTest]] = {key: [] for key in PARAMETERS}
    for test in sorted(tests, key=lambda test: (test.at, test.id or 0)):
        if test.at.astimezone(zone).date() <= on:
            series[test.parameter].append(test)
    found = tuple(
        _state(key, tests, target=targets.get(key), on=on, zone=zone)
        for key, tests in series.items()
    )
    nh3 = nh3_of_tests(test for tests in series.values() for test in tests)
    return tuple(
        replace(state, nh3=nh3) if state.parameter == "ammonia" else state for state in found
    )


def _state(
    key: str, tests: list[WaterTest], *, target: Target | None, on: date, zone: ZoneInfo
) -> State:
    if not tests:
        return State(
            parameter=key,
            verdict="not tested",
            latest=None,
            age_days=None,
            target=target,
            trend=None,
        )
    last = tests[-1]
    one = parameter(key)
    age = (on - last.at.astimezone(zone).date()).days
    old = age > one.good_days.value
    verdict: Verdict = judge(last, target)
    remarks = []
    if one.nutrient and len(tests) > 1 and last.below and tests[-2].below:
        remarks.append(
            f"{one.words} undetectable twice in a row: fleshy corals need some, and the kit may "
            "be wrong; test with another kit, and ask whether the animals are fed enough"
        )
    allowed = target.a_day if target and target.a_day is not None else one.target.a_day
    if told := surprising(tests, a_day=allowed):
        remarks.append(told)
    return State(
        parameter=key,
        verdict="too old" if old and verdict in ("in target", "no target") else verdict,
        latest=last,
        age_days=age,
        target=target,
        trend=_trend(tests, on=on, zone=zone),
        remarks=tuple(remarks),
        expired=bool(last.kit_expires and last.kit_expires < last.at.astimezone(zone).date()),
    )


def _trend(tests: Sequence[WaterTest], *, on: date, zone: ZoneInfo) -> WaterTrend | None:
    recent = [test for test in tests if (on - test.at.astimezone(zone).date()).days <= TREND_DAYS]
    first = recent[0].at if recent else None
    days = [(test.at - first).total_seconds() / 86400 for test in recent] if first else []
    if len({round(day) for day in days}) < MIN_FOR_TREND or any(test.below for test in recent):
        return None
    from polypward.course.trend import mann_kendall_p, theil_sen

    values = [test.value for test in recent]
    return WaterTrend(
        per_week=7 * theil_sen(days, values),
        p=mann_kendall_p(values),
        n=len(values),
        days=round(days[-1]),
    )
