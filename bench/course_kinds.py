"""Simulated specimens through time: their truth, and the photo readings of it.

Truth and noise are drawn here, not taken from the model of the charts. A fleshy coral's area is an
autocorrelated walk between 0.5 and 1.2 of the usual, contracted tissue looks paler by a law that is
not straight, a part of the scatter is autocorrelated or shared by the photos of a day, and the
photos' own SDs are told wrongly by up to 15 %. Visits are 7 +- 2 days apart.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt

from polypward.records import Reading

__all__ = ["HARMS", "QUIET", "RICH", "WHITE", "Harm", "Truth", "Ward", "photos", "true_condition"]

Floats = npt.NDArray[np.float64]

WHITE: Final = np.array([89.0, 1.0, 9.0])
RICH: Final = np.array([46.0, 6.0, 22.0])
_START: Final = datetime(2026, 1, 5, 10, tzinfo=UTC)
_AREA_MM2: Final = 1800.0
# Scatter of one visit's cover and of one Lab channel: common to the photos of a day, and each own.
# Together 0.01 and 1.5 Lab: assumed repeatability of hand-held photos, no published figure.
_COVER_SDS: Final = (0.006, 0.008)
_LAB_SDS: Final = (0.9, 1.2)
# Paler by this times (1 - expansion) to the power 1.3 when contracted, Lab units.
_AWAY_LAB: Final = 12.0


@dataclass(frozen=True, slots=True)
class Ward:
    """How the specimens of a simulated ward behave besides their truth.

    `swing` scales the walk of the area, `memory` is its correlation from visit to visit and that
    of the scatter of cover, `lamps` says whether the light changes now and then.
    """

    name: str
    swing: float = 0.5
    memory: float = 0.3
    lamps: bool = False
    recovering: bool = False


# Kinds of wards without harm: any flag of a decline is a false alarm.
QUIET: Final = (
    Ward("stable"),
    Ward("inflating", swing=1.6),
    Ward("lamp changes", lamps=True),
    Ward("autocorrelated polyp state", swing=1.2, memory=0.6),
    Ward("recovering", recovering=True),
)


@dataclass(frozen=True, slots=True)
class Truth:
    """True course of one specimen: a value per visit; `aside` is colour beside the paling axis."""

    name: str
    days: npt.NDArray[np.int64]
    cover: Floats
    overgrown: Floats
    paling: Floats
    aside: Floats
    rich: Floats = field(default_factory=RICH.copy)


@dataclass(frozen=True, slots=True)
class Harm:
    """What befalls a specimen at a visit, the flag that names it, and when it counts from."""

    name: str
    flag: str
    change: Callable[[Truth, int], Truth]
    early: int = 0  # visits before the harm's own at which a flag counts too


def quiet(ward: Ward, name: str, visits: int, rng: np.random.Generator) -> Truth:
    """Draw the truth of a specimen without harm; levels differ."""
    days = np.cumsum(np.concatenate([[0], rng.integers(5, 10, visits - 1)]))
    level = float(rng.choice([0.99, 0.94, 0.9, 0.8, 0.6]))
    grown = 0.0 if level > 0.95 else float(rng.choice([0.0, 0.03]))
    pale = float(rng.choice([0.05, 0.1, 0.3]))
    week = days / 7
    flat = np.ones(visits)
    if ward.recovering:
        cover = np.minimum(0.97, 0.6 + 0.02 * week)
        paling = np.maximum(0.05, 0.5 - 0.03 * week)
        return Truth(name, days, cover, 0 * flat, paling, 0 * flat)
    return Truth(name, days, level * flat, grown * flat, pale * flat, 0 * flat)


def plain(name: str, visits: int, rng: np.random.Generator) -> Truth:
    """Draw the truth of a specimen that a harm will befall."""
    days = np.cumsum(np.concatenate([[0], rng.integers(5, 10, visits - 1)]))
    flat = np.ones(visits)
    pale = float(rng.choice([0.05, 0.15]))
    return Truth(name, days, 0.9 * flat, 0 * flat, pale * flat, 0 * flat)


def _walk(ward: Ward, rng: np.random.Generator, n: int) -> Floats:
    """Draw the polyps' area, 0.5 to 1.2 of the usual."""
    state, result = rng.normal(), []
    keep = np.sqrt(1 - ward.memory**2)
    for _ in range(n):
        result.append(0.5 + 0.7 / (1 + np.exp(-(0.8 + ward.swing * state))))
        state = ward.memory * state + keep * rng.normal()
    return np.array(result)


def _lights(ward: Ward, rng: np.random.Generator, n: int) -> list[tuple[str, bool, Floats]]:
    """Lamp, whether the change was noticed only by its correction, and the shift of each visit."""
    usual = ("white", False, np.zeros(3))
    lights = [usual] * n
    if not ward.lamps or n < 8:
        return lights
    # One odd evening under another lamp, one odd light nobody named, then a new lamp for good.
    odd, strange, new = sorted(rng.choice(np.arange(3, n), 3, replace=False))
    lights[odd] = ("evening", False, rng.normal(0, 6, 3))
    lights[strange] = ("white", True, rng.normal(0, 6, 3))
    for late in range(new, n):
        lights[late] = ("new lamp", False, lights[new][2] if late > new else rng.normal(0, 5, 3))
    return lights


def photos(truth: Truth, ward: Ward, rng: np.random.Generator, *, a_visit: int) -> list[Reading]:
    """Photo readings of a truth, `a_visit` each visit, in the order of time."""
    n = len(truth.days)
    expansion = _walk(ward, rng, n)
    lights = _lights(ward, rng, n)
    slow = rng.normal()
    keep = np.sqrt(1 - ward.memory**2)
    readings: list[Reading] = []
    axis = WHITE - truth.rich
    for i, day in enumerate(truth.days):
        slow = ward.memory * slow + keep * rng.normal()
        lamp, noticed, shift = lights[i]
        away = _AWAY_LAB * max(0.0, 1 - expansion[i]) ** 1.3
        lab = truth.rich + axis * (truth.paling[i] + away / np.linalg.norm(axis)) + shift
        lab = lab + np.array([0.0, 0.9, 0.4]) * truth.aside[i] + _LAB_SDS[0] * rng.normal(size=3)
        for photo in range(a_visit):
            noise = _COVER_SDS[0] * slow + _COVER_SDS[1] * rng.normal()
            cover = float(np.clip(truth.cover[i] + noise, 0, 1))
            grown = float(np.clip(truth.overgrown[i] + 0.005 * rng.normal(), 0, 1 - cover))
            if truth.overgrown[i] == 0:
                grown = min(1 - cover, abs(0.005 * rng.normal()))
            whole = _AREA_MM2 * expansion[i]
            seen = lab + _LAB_SDS[1] * rng.normal(size=3)
            told = rng.uniform(0.85, 1.15)
            at = _START + timedelta(days=int(day), hours=float(rng.uniform(-1, 1)))
            readings.append(
                Reading(
                    photo=f"{truth.name}/{i:03}-{photo}.jpg",
                    sha256=f"{truth.name}-{i}-{photo}",
                    specimen=truth.name,
                    taken_at=at,
                    reasons=("light-changed",) if noticed else (),
                    lamp=lamp,
                    colour_grade="relative",
                    live_mm2=whole * cover,
                    live_mm2_sd=0.02 * whole,
                    bare_mm2=whole * (1 - cover - grown),
                    overgrown_mm2=whole * grown,
                    live_cover=cover,
                    live_cover_sd=0.01 * told,
                    L=float(seen[0]),
                    a=float(seen[1]),
                    b=float(seen[2]),
                    lab_sd=1.5 * told,
                )
            )
    return sorted(readings, key=lambda one: (one.taken_at or _START, one.photo))


def true_condition(truth: Truth) -> Floats:
    """Photo condition of the truth at each visit, 0..100."""
    return np.asarray(100 * np.sqrt(truth.cover * (1 - truth.paling)))


def _loss(truth: Truth, at: int) -> Truth:
    cover = truth.cover.copy()
    cover[at:] *= 0.9
    return replace(truth, cover=cover)


def _slow_loss(truth: Truth, at: int) -> Truth:
    """2.5 % a week; the truth crosses 10 % at visit `at`."""
    week = (truth.days - truth.days[at]) / 7 + 4
    return replace(truth, cover=truth.cover * (1 - np.clip(0.025 * week, 0, None)))


def _relapse(truth: Truth, at: int) -> Truth:
    """Rise from 0.6 by 0.03 a week up to three visits before, then lose 10 %."""
    week = (truth.days - truth.days[max(at - 3, 0)]) / 7
    cover = np.maximum(np.minimum(0.9, 0.9 + 0.03 * week), 0.3)
    return _loss(replace(truth, cover=cover), at)


def _smothered(truth: Truth, at: int) -> Truth:
    lost = _loss(truth, at)
    return replace(lost, overgrown=truth.cover - lost.cover)


def _sharp(truth: Truth, at: int) -> Truth:
    cover = truth.cover.copy()
    cover[at:] *= 0.75
    return replace(truth, cover=cover)


def _pale(truth: Truth, at: int) -> Truth:
    paling = truth.paling.copy()
    paling[at:] += 0.15
    return replace(truth, paling=paling)


def _colourful(truth: Truth, at: int) -> Truth:
    """Pales, and the host's own pigments show: chroma rises (Bollati et al. 2020)."""
    aside = truth.aside.copy()
    aside[at:] = 12.0
    return replace(_pale(truth, at), aside=aside)


HARMS: Final = (
    Harm("loss of 10 % in a week", "recession", _loss),
    Harm("loss of 10 % over four weeks", "recession", _slow_loss, early=3),
    Harm("loss of 10 % after a recovery", "recession", _relapse),
    Harm("10 % overgrown", "overgrowth", _smothered),
    Harm("sharp loss of 25 %", "sharp-loss", _sharp),
    Harm("paling by 0.15", "paling", _pale),
    Harm("colourful paling by 0.15", "paling", _colourful),
)
