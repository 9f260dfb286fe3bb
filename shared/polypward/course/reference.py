"""The ends of the paling axis: the specimen's own rich colour and bare-skeleton white.

An arrival may already be pale, so its first visits are no reference for health. The rich end is the
specimen's own richest run of three visits. Richness is the distance from white with chroma counted
half: bleached tissue may turn more colourful (Bollati et al. 2020, Current Biology 30:2433-2445),
so chroma alone must not make a visit rich; lightness decides most.
"""

import math
from collections.abc import Sequence
from datetime import date
from statistics import fmean
from typing import Final

import numpy as np

from polypward.course.paling import Axis
from polypward.course.results import Reference, Visit
from polypward.course.settings import CourseSettings, Lab
from polypward.course.visits import has_colour
from polypward.records import Reading

__all__ = ["find_white", "light_periods", "pick_bias_sds", "richest"]

# Lamp, card serial (nominal cards only), and whether the light was noted as changed.
_Light = tuple[str, str, bool]

_CHROMA_WEIGHT: Final = 0.5
# How far the best running median of three reads beyond the truth, in SDs of one visit, by the
# number of visits to pick from: own simulation of a stable specimen (normal scatter, SD 0.03:
# 0.010, 0.022, 0.036 for 5, 10, 30 visits); nothing to pick from with three.
_PICK_VISITS: Final = (3, 5, 10, 30)
_PICK_SDS: Final = (0.0, 0.33, 0.73, 1.20)


def pick_bias_sds(visits: int) -> float:
    """Bias of the best running median of three, in SDs of one visit.

    Parameters
    ----------
    visits : int
        Number of visits to pick from.

    Returns
    -------
    float
        0 up to three visits, interpolated in the logarithm of the number, 1.2 from 30 on.
    """
    return float(np.interp(math.log(max(visits, 1)), np.log(_PICK_VISITS), _PICK_SDS))


def find_white(readings: Sequence[Reading], settings: CourseSettings) -> tuple[Lab, str]:
    """White end of a specimen's axis, the same for its whole series.

    Parameters
    ----------
    readings : sequence of Reading
        Accepted readings in the order of time.
    settings : CourseSettings
        Least bare area and lightness; the default white.

    Returns
    -------
    lab : tuple of 3 floats
        Median of the specimen's own bare skeleton in the first three photos that show enough of
        it (later ones age under algae), else the stated default.
    basis : str
        Which of the two, in words.
    """
    shown = [
        reading.bare_lab
        for reading in readings
        if reading.bare_lab is not None
        and has_colour(reading)
        and "light-changed" not in reading.reasons
        and (reading.bare_mm2 or 0.0) >= settings.white_min_bare_mm2
        and reading.bare_lab[0] >= settings.white_min_l
    ][:3]
    if not shown:
        return settings.white_lab, "a stated default, since its own bare skeleton does not show"
    middle = np.median(np.asarray(shown, float), axis=0)
    photos = "photo" if len(shown) == 1 else "photos"
    return (
        (float(middle[0]), float(middle[1]), float(middle[2])),
        f"its own bare skeleton in {len(shown)} {photos}",
    )


def light_periods(visits: Sequence[Visit], settings: CourseSettings) -> list[int | None]:
    """Count the periods of light: colour is compared within a period only.

    Parameters
    ----------
    visits : sequence of Visit
        Of one view, in the order of days.
    settings : CourseSettings
        `lamp_visits`: how many visits in a row under a new light start a period.

    Returns
    -------
    list of int or None
        Period of each visit: 0, 1 ... or None without colour and for a light that did not last or
        has not lasted yet.
    """
    coloured = [index for index, visit in enumerate(visits) if visit.lab is not None]
    result: list[int | None] = [None] * len(visits)
    period = 0
    current: _Light | None = None
    waiting: list[int] = []
    for index in coloured:
        visit = visits[index]
        if current is None:
            current = _light(visit)
        key = _light(visit)
        if _same(key, current):
            # A lamp or a card that was not named before is named from here on.
            current = (current[0] or key[0], current[1] or key[1], key[2])
            waiting = []
            result[index] = period
            continue
        if waiting and not _same(_light(visits[waiting[-1]]), key):
            waiting = []
        waiting.append(index)
        if len(waiting) >= settings.lamp_visits:
            period += 1
            current = key
            for late in waiting:
                result[late] = period
            waiting = []
    return result


def _light(visit: Visit) -> _Light:
    return visit.lamp, visit.card, visit.light_changed


def _same(one: _Light, other: _Light) -> bool:
    """Whether two visits stand under one light; a name that is not known fits any."""
    named = zip(one[:2], other[:2], strict=True)
    return one[2] == other[2] and all(a == b or not a or not b for a, b in named)


def _richness(lab: Lab, white: Lab) -> float:
    light, a, b = (x - w for x, w in zip(lab, white, strict=True))
    return math.copysign(
        math.sqrt(light**2 + (_CHROMA_WEIGHT * a) ** 2 + (_CHROMA_WEIGHT * b) ** 2), -light
    )


def _middle_of_three(one: Lab, two: Lab, three: Lab) -> Lab:
    light, a, b = (sorted(channel)[1] for channel in zip(one, two, three, strict=True))
    return light, a, b


def richest(
    visits: Sequence[Visit],
    *,
    white: Lab,
    white_basis: str,
    lab_sd: float,
    settings: CourseSettings,
    kind: str = "",
) -> Reference:
    """Colour reference from one period of light.

    Parameters
    ----------
    visits : sequence of Visit
        Visits of the period, in the order of days.
    white : tuple of 3 floats
        White end, CIELAB D50.
    white_basis : str
        Where it came from.
    lab_sd : float
        SD of a visit's colour along one direction, Lab units.
    settings : CourseSettings
        Named references by kind, least distance of the ends.
    kind : str
        The specimen's kind.

    Returns
    -------
    Reference
        `lab` is the componentwise median of the richest three visits in a row, moved towards
        white by the bias of picking the best; of one or two visits their mean. Contracted and
        handled visits are left out where three others remain.
    """

    def reference(lab: Lab | None, basis: str, days: tuple[date, ...], short: bool) -> Reference:
        axis = None if lab is None else math.dist(lab, white)
        return Reference(
            lab=lab,
            white_lab=white,
            axis_lab=axis,
            available=axis is not None and axis >= settings.min_axis_lab,
            provisional=short,
            basis=basis,
            white_basis=white_basis,
            days=days,
        )

    if kind in settings.kind_references:
        named = settings.kind_references[kind]
        return reference(named, f"the reference named for {kind}", (), False)
    coloured = [visit for visit in visits if visit.lab is not None]
    calm = [
        visit
        for visit in coloured
        if not visit.handled
        and (visit.footprint is None or visit.footprint >= settings.contracted_below)
    ]
    pool = calm if len(calm) >= 3 else coloured
    if not pool:
        return reference(None, "no usable colour yet", (), True)
    points = [visit.lab for visit in pool if visit.lab is not None]
    if len(pool) < 3:
        mean = [fmean(channel) for channel in zip(*points, strict=True)]
        words = "the only visit" if len(pool) == 1 else "the mean of the only two visits"
        return reference(
            (mean[0], mean[1], mean[2]),
            f"{words} with usable colour",
            tuple(visit.day for visit in pool),
            True,
        )
    labs = [_middle_of_three(*run) for run in zip(points, points[1:], points[2:], strict=False)]
    best = max(range(len(labs)), key=lambda i: (_richness(labs[i], white), -i))
    lab = labs[best]
    length = math.dist(lab, white)
    if length > 0:
        # Only visits that could have been this rich by chance were there to pick from.
        axis = Axis(lab, white)
        near = sum(axis.place(point)[0] * length <= 3 * lab_sd for point in points)
        step = min(1.0, pick_bias_sds(near) * lab_sd / length)
        lab = (
            lab[0] + step * (white[0] - lab[0]),
            lab[1] + step * (white[1] - lab[1]),
            lab[2] + step * (white[2] - lab[2]),
        )
    days = tuple(visit.day for visit in pool[best : best + 3])
    return reference(lab, f"its richest three visits, {days[0]} to {days[-1]}", days, False)
