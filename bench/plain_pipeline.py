"""``python -m bench.plain_pipeline``: polypward beside a plain pipeline of general-purpose parts.

The plain one (`bench.plain_photo`) is fitted on photos of the family `TRAIN`; both read photos of
the family `UNSEEN`, in turn, and are timed and judged. Areas of the plain one need a scale from
outside: it is given the true one. What is known of training photos is kept in the cache folder.
"""

import argparse
import os
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np

from bench import photos, speed
from bench.plain_photo import Plain, picture_labels, training_regions
from bench.shots import Shot, each, held_out
from polypward.labels import BACKGROUND, LIVE

__all__ = ["Judged", "beside"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What came of one photo: CPU seconds, overlap of live tissue, errors of cover and live area.

    Areas as found over true; `own_area` with the scale of the specimen's own plane instead of the
    card's. NaN where too little is live for a ratio to mean something.
    """

    seconds: float
    iou: float
    cover_error: float
    area: float
    own_area: float


def _plain(plain: Plain, shot: Shot) -> Judged:
    true, card, own = picture_labels(shot.truth, shot.scene, shot.camera)
    start = time.process_time()
    found = plain.labels(shot.jpeg)
    seconds = time.process_time() - start
    live, really = found == LIVE, true == LIVE
    pixels, body = int(live.sum()), int((found != BACKGROUND).sum())
    both, either = int((live & really).sum()), int((live | really).sum())
    enough = shot.truth.live_mm2 >= photos.ENOUGH_MM2
    area = pixels / shot.truth.live_mm2 if enough else np.nan
    return Judged(
        seconds=seconds,
        iou=both / max(either, 1) if enough else np.nan,
        cover_error=pixels / max(body, 1) - shot.truth.live_cover,
        area=area * card**2,
        own_area=area * own**2,
    )


def _polypward(shot: Shot) -> Judged | None:
    """Read a photo as the table of accuracy does; None if it is refused."""
    found = photos.read(shot)
    if found.code:
        return None
    enough = found.true_live_mm2 >= photos.ENOUGH_MM2
    both, either = found.overlaps[photos.CLASSES.index(LIVE)]
    area = found.live_mm2 / found.true_live_mm2 if enough else np.nan
    return Judged(
        seconds=_seconds(lambda: speed.read(shot)),
        iou=both / either if enough else np.nan,
        cover_error=found.cover - found.true_cover,
        area=area,
        own_area=area,
    )


def _seconds(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def beside(plain: Plain, shots: Sequence[Shot]) -> str:
    """Read photos by both, in turn, and return the figures as a Markdown table."""
    cv2.setNumThreads(1)
    for warm in (_polypward, partial(_plain, plain)):
        warm(shots[0])
    bare: list[float] = []
    ours: list[Judged] = []
    theirs: list[Judged] = []
    refused: list[Judged] = []  # what the plain one says of photos that polypward refuses
    for shot in shots:
        data = np.frombuffer(shot.jpeg, np.uint8)
        bare.append(_seconds(lambda data=data: cv2.imdecode(data, cv2.IMREAD_COLOR)))  # type: ignore[misc]
        own, other = _polypward(shot), _plain(plain, shot)
        if own is None:
            refused.append(other)
        else:
            ours.append(own)
            theirs.append(other)
    lines = [
        f"{len(shots)} photos, {len(refused)} refused by polypward and left out; bare decode "
        f"{1000 * np.median(bare):.0f} ms",
        "",
        "| | CPU a photo | over a bare decode | IoU live | live cover error | live area error, "
        "median | by its own plane's scale |",
        "| --- |" + " --- |" * 6,
    ]
    kinds = {"plain pipeline": theirs, "polypward": ours, "plain, those refused": refused}
    lines += [_row(name, judged, float(np.median(bare))) for name, judged in kinds.items()]
    return "\n".join(lines)


def _row(name: str, judged: Sequence[Judged], bare: float) -> str:
    """Condense the figures of one pipeline into a row."""
    if not judged:
        return f"| {name} | none |" + " |" * 5
    seconds = float(np.median([one.seconds for one in judged]))
    iou = np.array([one.iou for one in judged])
    cover = np.abs([one.cover_error for one in judged])
    cells = [
        f"{1000 * seconds:.0f} ms",
        f"{seconds / bare:.0f}x",
        f"{np.nanmean(iou):.3f} (worst {np.nanmin(iou):.2f})",
        f"{cover.mean():.3f} (median {np.median(cover):.3f})",
    ]
    for areas in ([one.area for one in judged], [one.own_area for one in judged]):
        off = 100 * (np.array(areas) - 1)
        cells.append(f"{np.nanmedian(np.abs(off)):.1f} % (mean {np.nanmean(off):+.1f} %)")
    return f"| {name} | " + " | ".join(cells) + " |"


def _unseen(index: int, *, seed: int, megapixels: float) -> Shot:
    return held_out(seed + 7, index, megapixels=megapixels)


def main(words: list[str] | None = None) -> None:
    """Fit the plain pipeline, read the photos by both, print the table."""
    parser = argparse.ArgumentParser(prog="python -m bench.plain_pipeline", description=__doc__)
    parser.add_argument("--seed", type=int, default=20260)
    parser.add_argument("--photos", type=int, default=24, help="of the family UNSEEN, judged")
    parser.add_argument("--training", type=int, default=60, help="of the family TRAIN, fitted to")
    parser.add_argument("--megapixels", type=float, default=12.0)
    parser.add_argument("--cache", type=Path, help="folder for what is known of training photos")
    parser.add_argument("--jobs", type=int, default=min(2, os.cpu_count() or 1))
    options = parser.parse_args(words)
    folder = options.cache or Path(tempfile.gettempdir()) / "polypward-plain"
    folder.mkdir(parents=True, exist_ok=True)
    known = partial(training_regions, folder=folder, megapixels=options.megapixels)
    parts = list(each(known, range(options.training), jobs=options.jobs))
    plain = Plain.fit(
        np.concatenate([one[0] for one in parts]), np.concatenate([one[1] for one in parts])
    )
    take = partial(_unseen, seed=options.seed, megapixels=options.megapixels)
    shots = list(each(take, range(options.photos), jobs=options.jobs))
    print(f"{options.training} training photos, seed {options.seed}, {options.megapixels:g} MP")
    print(beside(plain, shots))


if __name__ == "__main__":
    main()
