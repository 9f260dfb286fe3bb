"""``python -m bench.photo_courses``: from rendered photos to flags, scored visit by visit.

Each ward's photos are written into folders as a person keeps them and scored by the command
`polypward score` once a visit; what scores.csv says after each visit is then judged as somebody
would who sees nothing else. A flag counts at the visit after which it first stands.
"""

import argparse
import csv
import json
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from functools import partial
from math import dist, sqrt
from pathlib import Path

import numpy as np
from typer.testing import CliRunner

from bench.photo_kinds import AT, KINDS, VISITS, Kind, Photo, draw_ward, photograph
from bench.shots import each
from phantoms.settings import HELD_OUT, TRAIN, UNSEEN
from polypward.course.paling import Axis, clip
from polypward.course.settings import DEFAULT_WHITE_LAB
from polypward_cli.main import app

__all__ = ["Judged", "Outcome", "judge", "judge_ward", "main"]

ALARMS = ("overgrowth", "paling", "recession", "sharp-loss")
FAMILIES = {family.name: family for family in (TRAIN, HELD_OUT, UNSEEN)}


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


def judge_ward(number: int, *, seed: int, family: str, out: Path) -> list[Outcome]:
    """Write the photos of one ward, score them visit by visit, and set them beside the truth."""
    ward = draw_ward(FAMILIES[family], seed=seed, number=number)
    tales: dict[str, tuple[Kind, list[Photo]]] = {
        f"W{number}-{index:02d}": (kind, photograph(ward, kind, index))
        for index, kind in enumerate(KINDS)
    }
    folder, kept = out / f"photos-{number}", out / f"ward-{number}"
    told: dict[str, list[dict[str, str]]] = {name: [] for name in tales}
    rows: list[dict[str, object]] = []
    for visit in range(VISITS):
        for name, (_, photos) in tales.items():
            photo = photos[visit]
            path = folder / name / f"{photo.taken_at:%Y-%m-%d}.jpg"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(photo.jpeg)
            rows.append(
                {
                    "photo": path.relative_to(folder).as_posix(),
                    "height_mm": round(photo.truth.height_mm, 1),
                    "lamp": photo.lamp,
                    "open": photo.open,
                }
            )
        _score(folder, kept, rows)
        scores = _table(kept / "scores.csv", "specimen")
        for name, seen in told.items():
            seen.append(scores[name])
    readings = _table(kept / "readings.csv", "photo")
    return [
        _outcome(name, kind, photos, told[name], readings, number)
        for name, (kind, photos) in tales.items()
    ]


def _score(folder: Path, ward: Path, rows: Sequence[Mapping[str, object]]) -> None:
    manifest = folder / "manifest.csv"
    with manifest.open("w", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]))
        table.writeheader()
        table.writerows(rows)
    words = ["score", folder, "--ward", ward, "--manifest", manifest, "--workers", 1]
    done = CliRunner().invoke(app, [str(word) for word in words])
    if done.exit_code:
        raise RuntimeError(done.output) from done.exception


def _table(path: Path, key: str) -> dict[str, dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return {row[key]: row for row in csv.DictReader(file)}


def _number(text: str) -> float | None:
    return float(text) if text else None


def _outcome(
    name: str,
    kind: Kind,
    photos: Sequence[Photo],
    told: Sequence[Mapping[str, str]],
    readings: Mapping[str, Mapping[str, str]],
    ward: int,
) -> Outcome:
    standing: set[str] = set()
    new = []
    for row in told:
        now = {flag for flag in row["flags"].split(";") if flag in ALARMS}
        new.append(tuple(sorted(now - standing)))
        standing = now
    own = [readings[f"{name}/{photo.taken_at:%Y-%m-%d}.jpg"] for photo in photos]
    palings = _true_palings(photos)
    last = told[-1]
    return Outcome(
        kind=kind.name,
        ward=ward,
        plan=photos[0].plan,
        specimen=name,
        days=tuple((photo.taken_at - photos[0].taken_at).days for photo in photos),
        new=tuple(new),
        cover=tuple(_number(row["live_cover"]) for row in own),
        true_cover=tuple(photo.truth.live_cover for photo in photos),
        paling=tuple(_number(row["paling"]) for row in own),
        true_paling=palings,
        recovery=(
            _number(last["recovery"]),
            _number(last["recovery_low"]),
            _number(last["recovery_high"]),
        ),
        true_recovery=_true_recovery(photos, palings),
        rejected=sum(row["status"] == "rejected" for row in own),
    )


def _true_palings(photos: Sequence[Photo]) -> tuple[float | None, ...]:
    """Paling of the truth from its own richest visit to its own bare skeleton or the default."""
    labs = [photo.truth.lab_live for photo in photos]
    bare = [photo.truth.lab_bare for photo in photos if photo.truth.lab_bare is not None]
    white = bare[0] if bare else DEFAULT_WHITE_LAB
    known = [lab for lab in labs if lab is not None]
    rich = max(known, key=lambda lab: dist(lab, white))
    axis = Axis(rich, white)
    return tuple(None if lab is None else clip(axis.place(lab)[0]) for lab in labs)


def _true_recovery(photos: Sequence[Photo], palings: Sequence[float | None]) -> float | None:
    first, last = (
        100 * sqrt(photos[at].truth.live_cover * (1 - (palings[at] or 0.0))) for at in (0, -1)
    )
    room = 100 - first if last >= first else first
    return 100 * (last - first) / room if room > 0 else None


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


def main(words: Sequence[str] | None = None) -> None:
    """Print the table of courses from photos."""
    parser = argparse.ArgumentParser(prog="python -m bench.photo_courses", description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--wards", type=int, default=4, help=f"{len(KINDS)} specimens each")
    parser.add_argument("--first", type=int, default=0, help="number of the first ward")
    parser.add_argument("--family", choices=FAMILIES, default=UNSEEN.name)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="keep photos, wards and outcomes.json here")
    options = parser.parse_args(words)
    print(f"seed {options.seed}, family {options.family}, {date.today()}")
    with tempfile.TemporaryDirectory() as folder:
        out = options.keep or Path(folder)
        work = partial(judge_ward, seed=options.seed, family=options.family, out=out)
        numbers = range(options.first, options.first + options.wards)
        outcomes = [one for ward in each(work, numbers, jobs=options.jobs) for one in ward]
        if options.keep:
            told = json.dumps([asdict(one) for one in outcomes], indent=1)
            (out / f"outcomes-{options.first}.json").write_text(told)
    for line in (*_rows(outcomes), *_figures(outcomes)):
        print(line)


if __name__ == "__main__":
    main()
