"""What came of rendered courses: false alarms, what was found and when, recovery, errors."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from bench.photo_kinds import AT, KINDS, VISITS

__all__ = ["ALARMS", "Judged", "Outcome", "judge", "table_of"]

ALARMS = ("overgrowth", "paling", "recession", "sharp-loss")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What scores.csv said of one specimen, visit by visit, beside the truth.

    `new` are the flags that first stood after each visit; `cover`, `condition` told; the truth's
    are `true_*`, None where it has none.
    """

    kind: str
    ward: int
    plan: str
    specimen: str
    days: tuple[int, ...]
    new: tuple[tuple[str, ...], ...]
    cover: tuple[float | None, ...]
    true_cover: tuple[float, ...]
    paling: tuple[float | None, ...]
    true_paling: tuple[float | None, ...]
    recovery: tuple[float | None, float | None, float | None]
    true_recovery: float | None
    rejected: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What one kind of course came to."""

    kind: str
    courses: int
    weeks: float  # without harm
    false: tuple[str, ...]
    within_two: int
    named: int
    delays: tuple[float, ...]  # days from the harm's first visit
    never: int


def judge(outcomes: Sequence[Outcome]) -> Iterator[Judged]:
    """Judge the outcomes, kind by kind; a flag before the harm is a false alarm."""
    for kind in KINDS:
        mine = [one for one in outcomes if one.kind == kind.name]
        false: list[str] = []
        weeks, within, named, never = 0.0, 0, 0, 0
        delays: list[float] = []
        for one in mine:
            start = AT - kind.early if kind.flag else VISITS
            false += [flag for flags in one.new[:start] for flag in flags]
            weeks += one.days[min(start, VISITS) - 1] / 7
            if not kind.flag:
                continue
            found = [visit for visit in range(start, VISITS) if one.new[visit]]
            # One that stands from before the harm cannot be raised again: it counts as false only.
            within += bool(found) and found[0] <= AT + 1
            named += any(kind.flag in flags for flags in one.new[start : AT + 2])
            never += not found
            delays += [max(0.0, one.days[found[0]] - one.days[AT])] if found else []
        yield Judged(
            kind=kind.name,
            courses=len(mine),
            weeks=weeks,
            false=tuple(false),
            within_two=within,
            named=named,
            delays=tuple(delays),
            never=never,
        )


def _rows(outcomes: Sequence[Outcome]) -> Iterator[str]:
    yield (
        "| course | courses | false alarms | weeks without harm | within two visits | by its name "
        "| mean delay, days | never |"
    )
    yield "| --- | --- | --- | --- | --- | --- | --- | --- |"
    harm = {kind.name: kind.flag for kind in KINDS}
    for one in judge(outcomes):
        false = f"{len(one.false)}" + (f" ({', '.join(one.false)})" if one.false else "")
        seen = ["", "", "", ""]
        if harm[one.kind]:
            mean = f"{np.mean(one.delays):.1f}" if one.delays else "n/a"
            of = f" of {one.courses}"
            seen = [f"{one.within_two}{of}", f"{one.named}{of}", mean, str(one.never)]
        yield f"| {one.kind} | {one.courses} | {false} | {one.weeks:.0f} | {' | '.join(seen)} |"


def _figures(outcomes: Sequence[Outcome]) -> Iterator[str]:
    every = list(judge(outcomes))
    weeks, false = sum(one.weeks for one in every), sum(len(one.false) for one in every)
    yield f"false alarms: {false} in {weeks:.0f} specimen-weeks, {100 * false / weeks:.1f} per 100"
    for name, told, true in (
        ("live cover", [one.cover for one in outcomes], [one.true_cover for one in outcomes]),
        ("paling", [one.paling for one in outcomes], [one.true_paling for one in outcomes]),
    ):
        bias, scatter = [], []
        for ours, theirs in zip(told, true, strict=True):
            errors = [a - b for a, b in zip(ours, theirs, strict=True) if None not in (a, b)]
            if len(errors) > 2:
                bias.append(float(np.mean(errors)))
                scatter.append(float(np.std(errors, ddof=1)))
        yield (
            f"{name}: error of a course's level, median {np.median(np.abs(bias)):.3f}, worst "
            f"{np.max(np.abs(bias)):.3f}; scatter about it, median {np.median(scatter):.3f}, "
            f"worst {np.max(scatter):.3f}"
        )
    errors, inside = [], []
    for one in outcomes:
        value, low, high = one.recovery
        if value is None or low is None or high is None or one.true_recovery is None:
            continue
        errors.append(value - one.true_recovery)
        inside.append(low <= one.true_recovery <= high)
    yield (
        f"recovery: told for {len(errors)} of {len(outcomes)}, median error "
        f"{np.median(np.abs(errors)):.1f} points, worst {np.max(np.abs(errors)):.0f}; its 90 % "
        f"interval holds the truth in {sum(inside)} of {len(inside)}"
    )
    yield f"photos rejected: {sum(one.rejected for one in outcomes)}"


def table_of(outcomes: Sequence[Outcome]) -> Iterator[str]:
    """Yield the table, a row a kind, and the figures below it."""
    yield from _rows(outcomes)
    yield from _figures(outcomes)
