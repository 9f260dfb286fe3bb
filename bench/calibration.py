"""``python -m bench.calibration``: false alarms and delays of the flags over simulated wards.

Every course is scored again at each visit with what was known by then, as a ward does it, and a
flag counts when it is raised on that day. The limits in `polypward.course.settings` were chosen
with this script on seeds 1, 2 and 20261125; the figures that are told come from a seed that was not
looked at before.
"""

import argparse
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final

import numpy as np

from bench.course_kinds import (
    HARMS,
    QUIET,
    Harm,
    Truth,
    Ward,
    photos,
    plain,
    quiet,
    true_condition,
)
from polypward.course import Course, CourseSettings, PooledSd, pool_sd, score_specimen
from polypward.records import Reading, Specimen

__all__ = ["ALARMS", "Alarms", "Found", "alarms", "coverage", "found", "main"]

ALARMS: Final = ("overgrowth", "paling", "recession", "sharp-loss")
WEEKS: Final = 26


@dataclass(frozen=True, slots=True)
class Alarms:
    """False alarms of one ward per 100 specimen-weeks: all together, and of each flag."""

    weeks: float
    all: float
    each: dict[str, float]


@dataclass(frozen=True, slots=True)
class Found:
    """How a harm was found: shares within two visits, mean delay in visits and in days."""

    within_two: float
    named: float
    visits: float
    days: float
    never: float


def _days(readings: Sequence[Reading]) -> list[date]:
    return sorted({one.taken_at.date() for one in readings if one.taken_at is not None})


def _until(readings: Sequence[Reading], day: date) -> list[Reading]:
    return [one for one in readings if one.taken_at is not None and one.taken_at.date() <= day]


def _score(
    readings: Sequence[Reading], pooled: PooledSd | None, settings: CourseSettings, today: date
) -> Course:
    return score_specimen(
        readings,
        specimen=Specimen(specimen=readings[0].specimen),
        pooled=pooled,
        settings=settings,
        today=today,
    )


def _raised(
    readings: Sequence[Reading], pooled: PooledSd | None, settings: CourseSettings, day: date
) -> set[str]:
    course = _score(_until(readings, day), pooled, settings, day)
    return {flag.name for flag in course.flags if flag.raised_on == day and flag.name in ALARMS}


def alarms(
    ward: Ward, *, specimens: int, a_visit: int, seed: int, settings: CourseSettings
) -> Alarms:
    """Count false alarms in a ward without harm.

    Parameters
    ----------
    ward : Ward
        Its kind.
    specimens : int
        Each is watched for `WEEKS` weeks.
    a_visit : int
        Photos a visit.
    seed : int
        Of the draws.
    settings : CourseSettings
        The limits.
    """
    rng = np.random.default_rng([seed, a_visit, *ward.name.encode()])
    every = [
        photos(quiet(ward, f"Q{i}", WEEKS, rng), ward, rng, a_visit=a_visit)
        for i in range(specimens)
    ]
    pooled = pool_sd([reading for readings in every for reading in readings])
    counts = dict.fromkeys(ALARMS, 0)
    weeks = 0.0
    for readings in every:
        days = _days(readings)
        weeks += (days[-1] - days[0]).days / 7
        for day in days[1:]:
            for name in _raised(readings, pooled, settings, day):
                counts[name] += 1
    each = {name: 100 * count / weeks for name, count in counts.items()}
    return Alarms(weeks=weeks, all=sum(each.values()), each=each)


def found(
    harm: Harm, *, courses: int, a_visit: int, seed: int, settings: CourseSettings, more: int = 6
) -> Found:
    """Count how a harm is found, in an inflating ward that knows its repeatability.

    Parameters
    ----------
    harm : Harm
        What befalls each specimen at a visit between the 4th and the 15th.
    courses : int
        Their number.
    a_visit, seed, settings
        As of `alarms`.
    more : int
        Visits after the harm that are waited for.
    """
    rng = np.random.default_rng([seed, a_visit, *harm.name.encode()])
    ward = Ward("harmed", swing=1.2)
    pool = [
        reading
        for i in range(30)
        for reading in photos(quiet(ward, f"P{i}", 10, rng), ward, rng, a_visit=a_visit)
    ]
    pooled = pool_sd(pool)
    hits = named = never = 0
    visits: list[int] = []
    waited: list[int] = []
    for i in range(courses):
        at = (3 if not harm.early and "recovery" not in harm.name else 6) + i % 9
        truth = harm.change(plain(f"H{i}", at + more + 1, rng), at)
        readings = photos(truth, ward, rng, a_visit=a_visit)
        days = _days(readings)
        first: int | None = None
        names: set[str] = set()
        for position in range(at - harm.early, len(days)):
            raised = _raised(readings, pooled, settings, days[position])
            if raised and first is None:
                first = position
            if position <= at + 1:
                names |= raised
            elif first is not None:
                break
        hits += first is not None and first <= at + 1
        named += harm.flag in names
        if first is None:
            never += 1
        else:
            visits.append(max(0, first - at))
            waited.append(max(0, (days[first] - days[at]).days))
    return Found(
        within_two=hits / courses,
        named=named / courses,
        visits=float(np.mean(visits)) if visits else float("nan"),
        days=float(np.mean(waited)) if waited else float("nan"),
        never=never / courses,
    )


def coverage(*, courses: int, seed: int, settings: CourseSettings) -> tuple[float, float, int]:
    """How often the 90 % interval of recovery holds the true recovery.

    Returns
    -------
    share : float
        Of the courses whose recovery is told.
    width : float
        Median width of the interval, points.
    told : int
        Courses whose recovery is told.

    Notes
    -----
    Colours up to the specimen's own healthy colour and stays there for at least five visits, so
    that the truth does not hang on how the reference is chosen: truth is counted from that colour.
    """
    rng = np.random.default_rng([seed, 77])
    ward = Ward("recovering", swing=0.3, memory=0.0)
    inside = told = 0
    widths: list[float] = []
    every: list[tuple[Truth, list[Reading]]] = []
    for i in range(courses):
        n = int(rng.integers(8, 16))
        truth = plain(f"R{i}", n, rng)
        rise = np.clip(np.arange(n) / (n - 5), 0, 1)
        start, end = rng.uniform(0.45, 0.8), rng.uniform(0.5, 0.97)
        pale = rng.uniform(0.15, 0.6)
        truth = replace(truth, cover=start + (end - start) * rise, paling=pale * (1 - rise))
        every.append((truth, photos(truth, ward, rng, a_visit=1)))
    pooled = pool_sd([reading for _, readings in every for reading in readings])
    for truth, readings in every:
        score = _score(readings, pooled, settings, _days(readings)[-1]).score
        if score.recovery is None or score.recovery_low is None or score.recovery_high is None:
            continue
        condition = true_condition(truth)
        moved = condition[-1] - condition[0]
        room = 100 - condition[0] if moved >= 0 else condition[0]
        true = 100 * moved / room
        told += 1
        inside += score.recovery_low <= true <= score.recovery_high
        widths.append(score.recovery_high - score.recovery_low)
    return inside / told, float(np.median(widths)), told


def _alarm_rows(options: argparse.Namespace, settings: CourseSettings) -> Iterable[str]:
    yield "| ward without harm | photos a visit | specimen-weeks | false alarms per 100 | of them |"
    yield "| --- | --- | --- | --- | --- |"
    for ward in QUIET:
        for a_visit in (1, 2):
            one = alarms(
                ward,
                specimens=options.specimens,
                a_visit=a_visit,
                seed=options.seed,
                settings=settings,
            )
            parts = ", ".join(f"{name} {value:.2f}" for name, value in one.each.items() if value)
            yield f"| {ward.name} | {a_visit} | {one.weeks:.0f} | {one.all:.2f} | {parts} |"


def _found_rows(options: argparse.Namespace, settings: CourseSettings) -> Iterable[str]:
    yield "| harm | photos a visit | within two visits | by its name | mean delay | never |"
    yield "| --- | --- | --- | --- | --- | --- |"
    for harm in HARMS:
        for a_visit in (1, 2):
            one = found(
                harm,
                courses=options.courses,
                a_visit=a_visit,
                seed=options.seed,
                settings=settings,
            )
            yield (
                f"| {harm.name} | {a_visit} | {100 * one.within_two:.1f} % | "
                f"{100 * one.named:.1f} % | {one.visits:.2f} visits, {one.days:.1f} days | "
                f"{100 * one.never:.1f} % |"
            )


def main(words: Sequence[str] | None = None) -> None:
    """Print the table of calibration."""
    parser = argparse.ArgumentParser(prog="python -m bench.calibration", description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--specimens", type=int, default=90, help="of each ward without harm")
    parser.add_argument("--courses", type=int, default=200, help="of each harm")
    parser.add_argument("--set", nargs="*", default=[], metavar="NAME=VALUE", dest="changes")
    parser.add_argument("--only", choices=("alarms", "harms", "recovery"), default=None)
    options = parser.parse_args(words)
    plain_settings = CourseSettings()
    changes: dict[str, Any] = {}
    for text in options.changes:
        name, _, value = text.partition("=")
        changes[name] = type(getattr(plain_settings, name))(float(value))
    settings = replace(plain_settings, **changes)
    print(f"seed {options.seed}" + (f", {changes}" if changes else ""))
    if options.only in (None, "alarms"):
        for row in _alarm_rows(options, settings):
            print(row, flush=True)
    if options.only in (None, "harms"):
        for row in _found_rows(options, settings):
            print(row, flush=True)
    if options.only in (None, "recovery"):
        share, width, told = coverage(courses=1000, seed=options.seed, settings=settings)
        print(
            f"90 % interval of recovery holds the truth in {100 * share:.1f} % of {told} courses, "
            f"median width {width:.0f} points"
        )


if __name__ == "__main__":
    main()
