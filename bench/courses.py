"""Simulated courses: false alarms and detection of the flags, scored visit by visit.

Every course is scored again at each visit with what was known by then, as a ward does it, and a
flag counts when it is raised on that day. Truth and noise are drawn here, not taken from the
model of the charts: expansion is an autocorrelated walk between 0.5 and 1.2 of the usual area,
contracted tissue looks paler by a law that is not straight, a part of the scatter of cover is
autocorrelated, and the photos' own SDs are told wrongly by up to 15 %.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt

from bench.rows import Row, Size
from polypward.course import CourseSettings, PooledSd, pool_sd, score_specimen
from polypward.records import Reading, Specimen

__all__ = ["Truth", "measure", "simulate"]

ALARMS: Final = frozenset({"paling", "recession", "overgrowth", "sharp-loss"})
_START: Final = datetime(2026, 1, 5, 10, tzinfo=UTC)
_WHITE: Final = np.array([89.0, 1.0, 9.0])
_COVER_SD: Final = 0.01
_LAB_SD: Final = 1.5
_AREA_MM2: Final = 1800.0
# Paler by this times (1 - expansion) to the power 1.3 when contracted, Lab units.
_AWAY_LAB: Final = 12.0

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Truth:
    """True course of one specimen: a value per visit."""

    name: str
    days: Sequence[int]
    cover: Floats
    overgrown: Floats
    paling: Floats
    rich: Floats = field(default_factory=lambda: np.array([46.0, 6.0, 22.0]))


def _expansion(rng: np.random.Generator, n: int) -> Floats:
    """Draw an autocorrelated walk of the polyps' area, 0.5 to 1.2 of the usual."""
    state, result = rng.normal(), []
    for _ in range(n):
        result.append(0.5 + 0.7 / (1 + np.exp(-(0.5 + 1.2 * state))))
        state = 0.6 * state + 0.8 * rng.normal()
    return np.array(result)


def _photos(truth: Truth, rng: np.random.Generator) -> list[Reading]:
    """One photo reading a visit."""
    n = len(truth.days)
    expansion = _expansion(rng, n)
    slow = 0.0
    readings = []
    for i, day in enumerate(truth.days):
        slow = 0.3 * slow + np.sqrt(1 - 0.09) * rng.normal()
        noise = _COVER_SD * (0.8 * rng.normal() + 0.6 * slow)
        cover = float(np.clip(truth.cover[i] + noise, 0, 1))
        grown = float(np.clip(truth.overgrown[i] + 0.5 * _COVER_SD * rng.normal(), 0, 1 - cover))
        if truth.overgrown[i] == 0:
            grown = min(1 - cover, abs(grown))
        whole = _AREA_MM2 * expansion[i]
        axis = _WHITE - truth.rich
        away = _AWAY_LAB * max(0.0, 1 - expansion[i]) ** 1.3  # Lab units towards white
        lab = truth.rich + axis * (truth.paling[i] + away / np.linalg.norm(axis))
        lab = lab + _LAB_SD * rng.normal(size=3)
        told = rng.uniform(0.85, 1.15)
        readings.append(
            Reading(
                photo=f"{truth.name}/{i:03}.jpg",
                sha256=f"{truth.name}-{i}",
                specimen=truth.name,
                taken_at=_START + timedelta(days=int(day), hours=float(rng.uniform(-1, 1))),
                colour_grade="relative",
                live_mm2=whole * cover,
                live_mm2_sd=0.02 * whole,
                bare_mm2=whole * (1 - cover - grown),
                overgrown_mm2=whole * grown,
                live_cover=cover,
                live_cover_sd=_COVER_SD * told,
                L=float(lab[0]),
                a=float(lab[1]),
                b=float(lab[2]),
                lab_sd=_LAB_SD * told,
            )
        )
    return readings


def _raised(
    readings: Sequence[Reading], pooled: PooledSd | None, settings: CourseSettings
) -> set[str]:
    """Find the flags that are raised on the day of the last reading."""
    last = readings[-1]
    assert last.taken_at is not None
    today: date = last.taken_at.date()
    course = score_specimen(
        readings,
        specimen=Specimen(specimen=last.specimen),
        pooled=pooled,
        settings=settings,
        today=today,
    )
    return {flag.name for flag in course.flags if flag.raised_on == today and flag.name in ALARMS}


def _quiet(name: str, kind: int, n: int, rng: np.random.Generator) -> Truth:
    """Draw a course without any harm: three of four stable, one recovering; levels differ."""
    days = [7 * i for i in range(n)]
    level = float(rng.choice([0.99, 0.94, 0.9, 0.8, 0.6]))
    grown = 0.0 if level > 0.95 else float(rng.choice([0.0, 0.03]))
    pale = float(rng.choice([0.05, 0.1, 0.3]))
    week = np.arange(n, dtype=float)
    if kind % 4 == 3:
        cover = np.minimum(0.97, 0.6 + 0.02 * week)
        paling = np.maximum(0.05, 0.5 - 0.03 * week)
        return Truth(name, days, cover, np.zeros(n), paling)
    return Truth(name, days, np.full(n, level), np.full(n, grown), np.full(n, pale))


def _harmed(
    name: str, before: int, harm: Callable[[Truth, int], Truth], rng: np.random.Generator
) -> Truth:
    n = before + 2
    plain = Truth(
        name,
        [7 * i for i in range(n)],
        np.full(n, 0.9),
        np.zeros(n),
        np.full(n, float(rng.choice([0.05, 0.15]))),
    )
    return harm(plain, before)


def _loss(truth: Truth, at: int) -> Truth:
    cover = truth.cover.copy()
    cover[at:] *= 0.9
    return replace(truth, cover=cover)


def _slow_loss(truth: Truth, at: int) -> Truth:
    """2.5 % a week; the truth crosses 10 % at visit `at`."""
    week = np.arange(len(truth.days), dtype=float)
    fall = np.clip(0.025 * (week - at + 4), 0, None)
    return replace(truth, cover=truth.cover * (1 - fall))


def _smothered(truth: Truth, at: int) -> Truth:
    lost = _loss(truth, at)
    return replace(lost, overgrown=truth.cover - lost.cover)


def _pale(truth: Truth, at: int) -> Truth:
    paling = truth.paling.copy()
    paling[at:] += 0.15
    return replace(truth, paling=paling)


def _relapse(truth: Truth, at: int) -> Truth:
    """Rise from 0.6 by 0.03 a week up to three visits before, then lose 10 %."""
    week = np.arange(len(truth.days), dtype=float)
    cover = np.minimum(0.9, 0.9 + 0.03 * (week - at + 3))
    return _loss(replace(truth, cover=np.maximum(cover, 0.3)), at)


def simulate(
    *, specimens: int, weeks: int, courses: int, seed: int, settings: CourseSettings | None = None
) -> dict[str, float]:
    """Simulate quiet and harmed courses and count flags.

    Parameters
    ----------
    specimens, weeks : int
        Quiet courses and their weekly visits.
    courses : int
        Harmed courses of each kind.
    seed : int
        Seed of the draws.
    settings : CourseSettings, optional
        The defaults if not given.

    Returns
    -------
    dict
        "weeks": specimen-weeks watched; "alarms": newly raised paling, recession, overgrowth and
        sharp-loss per 100 of them, and each flag's own share under its name; "<harm>": share of
        courses flagged at the visit of the harm or the next one; "<harm> named": the share where
        the flag that names the harm was among them.
    """
    settings = settings or CourseSettings()
    rng = np.random.default_rng(seed)
    quiet = [_photos(_quiet(f"Q{i}", i, weeks, rng), rng) for i in range(specimens)]
    # The ward's own repeatability, as it would be after the whole time.
    pooled = pool_sd([reading for readings in quiet for reading in readings])
    counts = dict.fromkeys(sorted(ALARMS), 0)
    for readings in quiet:
        for n in range(2, weeks + 1):
            for name in _raised(readings[:n], pooled, settings):
                counts[name] += 1
    watched = specimens * (weeks - 1)
    result = {name: 100 * count / watched for name, count in counts.items()}
    result["alarms"] = sum(result.values())
    result["weeks"] = watched
    harms: tuple[tuple[str, Callable[[Truth, int], Truth], str], ...] = (
        ("loss of 10 % in a week", _loss, "recession"),
        ("loss of 10 % over four weeks", _slow_loss, "recession"),
        ("loss of 10 % after a recovery", _relapse, "recession"),
        ("10 % overgrown", _smothered, "overgrowth"),
        ("paling by 0.15", _pale, "paling"),
    )
    for words, harm, flag in harms:
        found = named = 0
        for i in range(courses):
            before = 3 + i % 12 if harm in (_loss, _smothered, _pale) else 6 + i % 9
            readings = _photos(_harmed(f"H{i}", before, harm, rng), rng)
            # A slow loss may be flagged before it reaches 10 %; that counts too.
            first = before if harm in (_loss, _smothered, _pale, _relapse) else before - 3
            raised: set[str] = set()
            for n in range(first + 1, before + 3):
                raised |= _raised(readings[:n], pooled, settings)
            found += bool(raised)
            named += flag in raised
        result[words] = found / courses
        result[f"{words} named"] = named / courses
    return result


def measure(size: Size) -> list[Row]:
    """Return the rows of the simulated courses for the table of figures."""
    specimens = max(20, size.courses // 4)
    weeks = 26
    courses = size.courses // 2
    found = simulate(specimens=specimens, weeks=weeks, courses=courses, seed=size.seed)
    parts = ", ".join(f"{name} {found[name]:.2f}" for name in sorted(ALARMS))
    rows = [
        Row(
            what="false alarms per 100 specimen-weeks",
            reach="<= 1",
            measured=f"{found['alarms']:.2f}",
            settings=f"{found['weeks']:.0f} simulated specimen-weeks; {parts}",
            reached=found["alarms"] <= 1,
        )
    ]
    for words in [key for key in found if f"{key} named" in found]:
        rows.append(
            Row(
                what=f"{words}: flagged within two visits",
                reach=">= 90 %",
                measured=f"{100 * found[words]:.0f} %",
                settings=f"{courses} simulated courses; under its own name "
                f"{100 * found[f'{words} named']:.0f} %",
                reached=found[words] >= 0.9,
            )
        )
    return rows
