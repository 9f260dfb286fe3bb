"""``python -m bench.photo_courses``: from rendered photos to flags, scored visit by visit.

Each ward's photos are written into folders as a person keeps them and scored by the command
`polypward score` once a visit; what scores.csv says after each visit is then judged as somebody
would who sees nothing else. A flag counts at the visit after which it first stands.
"""

import argparse
import csv
import json
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from datetime import date, datetime
from functools import partial
from math import dist, sqrt
from pathlib import Path

from typer.testing import CliRunner

from bench.photo_judge import ALARMS, Outcome, table_of
from bench.photo_kinds import KINDS, VISITS, Kind, Photo, draw_ward, photograph
from bench.shots import each
from phantoms.settings import HELD_OUT, TRAIN, UNSEEN
from polypward.course.paling import Axis, clip
from polypward.course.settings import DEFAULT_WHITE_LAB
from polypward_cli.main import app

__all__ = ["judge_ward", "main"]

FAMILIES = {family.name: family for family in (TRAIN, HELD_OUT, UNSEEN)}


def judge_ward(number: int, *, seed: int, family: str, out: Path) -> list[Outcome]:
    """Write the photos of one ward, score them visit by visit, and set them beside the truth."""
    tales = {
        f"W{number}-{index:02d}": (kind, photos)
        for index, (kind, photos) in enumerate(
            zip(KINDS, _drawn(out / f"drawn-{number}", family, seed, number), strict=True)
        )
    }
    folder, kept = out / f"photos-{number}", out / f"ward-{number}"
    for old in (folder, kept):
        shutil.rmtree(old, ignore_errors=True)
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
                    "height_mm": round(photo.height_mm, 1),
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


def _drawn(folder: Path, family: str, seed: int, number: int) -> list[list[Photo]]:
    """Draw a ward's photos, or take those that a run with the same --keep drew."""
    facts = folder / "photos.json"
    if facts.exists():
        return [
            [
                Photo(
                    jpeg=(folder / f"{course:02d}-{visit}.jpg").read_bytes(),
                    taken_at=datetime.fromisoformat(one.pop("taken_at")),
                    **one,
                )
                for visit, one in enumerate(photos)
            ]
            for course, photos in enumerate(json.loads(facts.read_text()))
        ]
    ward = draw_ward(FAMILIES[family], seed=seed, number=number)
    drawn = [photograph(ward, kind, index) for index, kind in enumerate(KINDS)]
    folder.mkdir(parents=True, exist_ok=True)
    for course, photos in enumerate(drawn):
        for visit, photo in enumerate(photos):
            (folder / f"{course:02d}-{visit}.jpg").write_bytes(photo.jpeg)
    facts.write_text(json.dumps([[_facts(one) for one in photos] for photos in drawn], default=str))
    return drawn


def _facts(photo: Photo) -> dict[str, object]:
    facts = asdict(replace(photo, jpeg=b""))
    del facts["jpeg"]
    return facts


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
        true_cover=tuple(photo.cover for photo in photos),
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
    labs = [photo.lab_live for photo in photos]
    bare = [photo.lab_bare for photo in photos if photo.lab_bare is not None]
    white = bare[0] if bare else DEFAULT_WHITE_LAB
    known = [lab for lab in labs if lab is not None]
    rich = max(known, key=lambda lab: dist(lab, white))
    axis = Axis(rich, white)
    return tuple(None if lab is None else clip(axis.place(lab)[0]) for lab in labs)


def _true_recovery(photos: Sequence[Photo], palings: Sequence[float | None]) -> float | None:
    first, last = (100 * sqrt(photos[at].cover * (1 - (palings[at] or 0.0))) for at in (0, -1))
    room = 100 - first if last >= first else first
    return 100 * (last - first) / room if room > 0 else None


def main(words: Sequence[str] | None = None) -> None:
    """Print the table of courses from photos."""
    parser = argparse.ArgumentParser(prog="python -m bench.photo_courses", description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--wards", type=int, default=4, help=f"{len(KINDS)} specimens each")
    parser.add_argument("--first", type=int, default=0, help="number of the first ward")
    parser.add_argument("--family", choices=FAMILIES, default=UNSEEN.name)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument(
        "--keep",
        type=Path,
        help="keep photos, wards and outcomes here; photos there are not drawn again",
    )
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
    for line in table_of(outcomes):
        print(line)


if __name__ == "__main__":
    main()
