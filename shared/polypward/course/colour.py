"""Give visits and readings their paling, each light period on its own axis, and condition."""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import fmean, median
from typing import Final

import numpy as np

from polypward.course.condition import condition
from polypward.course.like import like_periods
from polypward.course.paling import Axis, clip, pale_mm2
from polypward.course.reference import light_periods, richest
from polypward.course.results import Reference, Visit
from polypward.course.settings import CourseSettings, Lab
from polypward.course.visits import has_colour
from polypward.records import Reading

__all__ = ["ViewColour", "colour_view"]

_CARRY_VISITS: Final = 3
_NEAR_WHITE: Final = 0.9


@dataclass(frozen=True, slots=True)
class ViewColour:
    """A view's visits with paling and condition, its readings, the last light's reference."""

    visits: tuple[Visit, ...]
    readings: Mapping[tuple[str, str], Reading]  # by photo and sha256
    reference: Reference
    axes: Mapping[int, Axis]  # by light period
    notes: tuple[str, ...]


def _carried(visits: Sequence[Visit], index: float, white: Lab) -> Lab | None:
    """Rich end that gives the first visits of a new light the paling index of the old one."""
    if index >= _NEAR_WHITE:
        return None
    first = [visit.lab for visit in visits if visit.lab is not None][:_CARRY_VISITS]
    middle = np.median(np.asarray(first, float), axis=0)
    rich = (middle - index * np.asarray(white)) / (1 - index)
    return float(rich[0]), float(rich[1]), float(rich[2])


def _references(
    visits: Sequence[Visit],
    lights: Sequence[int | None],
    white: Lab,
    white_basis: str,
    repeat_lab: float,
    settings: CourseSettings,
    kind: str,
) -> dict[int, Reference]:
    """Find the reference of each light period; a later one is carried on from the one before."""
    found: dict[int, Reference] = {}
    lit: dict[int, list[Visit]] = defaultdict(list)
    for visit, light in zip(visits, lights, strict=True):
        if light is not None:
            lit[light].append(visit)
    for period, own in sorted(lit.items()):
        here = richest(
            own,
            white=white,
            white_basis=white_basis,
            lab_sd=repeat_lab,
            settings=settings,
            kind=kind,
        )
        before = found.get(period - 1)
        if (
            before is not None
            and before.available
            and before.lab
            and kind not in (settings.kind_references)
        ):
            axis = Axis(before.lab, white)
            last = [v.lab for v in lit[period - 1] if v.lab][-_CARRY_VISITS:]
            index = fmean(clip(axis.place(lab)[0]) for lab in last)
            rich = _carried(own, index, white)
            if rich is not None and (here.axis_lab or 0.0) < math.dist(rich, white):
                length = math.dist(rich, white)
                here = replace(
                    here,
                    lab=rich,
                    axis_lab=length,
                    available=length >= settings.min_axis_lab,
                    basis=f"carried on under a new light since {own[0].day}, "
                    "as if nothing had changed with it",
                    days=(),
                )
        found[period] = here
    return found


def colour_view(
    visits: Sequence[Visit],
    readings: Sequence[Reading],
    *,
    white: Lab,
    white_basis: str,
    repeat_lab: float,
    repeat_cover: float,
    settings: CourseSettings,
    kind: str = "",
) -> ViewColour:
    """Paling of the visits and readings of one view, and the condition that follows.

    Parameters
    ----------
    visits : sequence of Visit
        Of one view, in the order of days.
    readings : sequence of Reading
        The accepted readings behind them.
    white, white_basis : tuple of 3 floats, str
        White end of the specimen and where it came from.
    repeat_lab : float
        Repeatability of colour along one direction, Lab units, one SD.
    repeat_cover : float
        Repeatability of live cover, one SD.
    settings : CourseSettings
        Least distance of the ends, visits that make a new light period.
    kind : str
        The specimen's kind, for a named reference.

    Returns
    -------
    ViewColour
    """
    lights = light_periods(visits, settings)
    alike = like_periods(visits, settings)
    references = _references(visits, lights, white, white_basis, repeat_lab, settings, kind)
    axes = {
        period: Axis(reference.lab, white)
        for period, reference in references.items()
        if reference.lab is not None and reference.axis_lab
    }
    done: list[Visit] = []
    filled: dict[tuple[str, str], Reading] = {}
    by_key = {(reading.photo, reading.sha256): reading for reading in readings}
    for visit, light, like in zip(visits, lights, alike, strict=True):
        photos = [by_key[key] for key in visit.keys]
        axis = None if light is None else axes.get(light)
        ready = light is not None and light in axes and references[light].available
        values: list[Reading] = []
        for reading in photos:
            fits = has_colour(reading) and (
                visit.light_changed or "light-changed" not in reading.reasons
            )
            paling = paling_sd = pale = None
            if ready and axis is not None and fits and reading.L is not None:
                index, _ = axis.place((reading.L, reading.a or 0.0, reading.b or 0.0))
                paling = clip(index)
                paling_sd = axis.index_sd(math.hypot(reading.lab_sd or 0.0, repeat_lab))
                pale = None if reading.live_palette is None else _pale_part(reading, axis)
            new = replace(
                reading,
                expansion=_expansion(reading, visit),
                paling=paling,
                paling_sd=paling_sd,
                pale_mm2=pale,
            )
            values.append(new)
            filled[reading.photo, reading.sha256] = new
        raw = off = paling = paling_sd = pale = None
        if ready and axis is not None and visit.lab is not None:
            raw, off = axis.place(visit.lab)
            paling = clip(raw)
            paling_sd = axis.index_sd(math.hypot(visit.lab_sd or 0.0, repeat_lab))
            areas = [new.pale_mm2 for new in values if new.pale_mm2 is not None]
            pale = median(areas) if areas else None
        found = _condition(visit, paling, paling_sd, repeat_cover)
        done.append(
            replace(
                visit,
                light=light,
                like=like.period,
                unlike=like.unlike,
                paling=paling,
                paling_raw=raw,
                paling_sd=paling_sd,
                off_axis_lab=off,
                pale_mm2=pale,
                condition=found and found[0],
                condition_sd=found and found[1],
            )
        )
    notes = []
    if len(references) > 1:
        notes.append("The light or the card changed; colour is compared within each of them only.")
    if references:
        reference = references[max(references)]
    else:
        reference = richest(
            (),
            white=white,
            white_basis=white_basis,
            lab_sd=repeat_lab,
            settings=settings,
            kind=kind,
        )
    return ViewColour(tuple(done), filled, reference, axes, tuple(notes))


def _condition(
    visit: Visit, paling: float | None, paling_sd: float | None, repeat_cover: float
) -> tuple[float, float] | None:
    if visit.live_cover is None:
        return None
    cover_sd = max(visit.live_cover_sd or 0.0, repeat_cover)
    return condition(visit.live_cover, paling, cover_sd=cover_sd, paling_sd=paling_sd or 0.0)


def _pale_part(reading: Reading, axis: Axis) -> float:
    assert reading.live_palette is not None
    area = pale_mm2(reading.live_palette, axis)
    return area if reading.live_mm2 is None else min(area, reading.live_mm2)


def _expansion(reading: Reading, visit: Visit) -> float | None:
    """Live area of one photo over the specimen's usual live area."""
    if visit.expansion is None or not visit.live_mm2 or reading.live_mm2 is None:
        return None
    return visit.expansion * reading.live_mm2 / visit.live_mm2
