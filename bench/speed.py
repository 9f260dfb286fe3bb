"""Time: a 12-megapixel photo against a bare decode of its bytes, and two workers against one."""

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from statistics import median
from typing import Any

import cv2
import numpy as np

from bench.rows import Row, Size
from bench.shots import Shot, card_of, each, held_out, model, settings_of
from polypward.errors import PhotoRejectedError
from polypward_vision import measure_photo
from polypward_vision.load import decode

__all__ = ["measure", "read", "shots", "workers_rows"]

MEGAPIXELS = 12.0
COPIES = 6  # of each photo in the scored folder, told apart by a byte after the picture's end


def _shot(index: int, *, seed: int) -> Shot:
    return held_out(seed + 5, index, megapixels=MEGAPIXELS)


def shots(size: Size) -> list[Shot]:
    """Render the photos that are timed."""
    work = partial(_shot, seed=size.seed)
    return list(each(work, range(max(size.timed, size.folder)), jobs=size.jobs))


def _cpu(work: Callable[[], Any], *, times: int) -> float:
    """CPU seconds of the process, all its threads, the middle of `times` readings.

    Not the best: a virtual machine's clock now and then tells half of what was spent.
    """
    spent = []
    for _ in range(times):
        start = time.process_time()
        work()
        spent.append(time.process_time() - start)
    return median(spent)


def read(one: Shot) -> Any:
    """Read a photo through all stages, as one of a nominal card; None where it is refused."""
    try:
        return measure_photo(
            decode(one.jpeg),
            settings=settings_of(one),
            cards=[card_of(one, measured=False)],
            model=model(),
        )
    except PhotoRejectedError:
        return None


def _ratio_row(timed: list[Shot]) -> Row:
    """Time decode and reading of the same bytes in turn, after each was read once."""
    cv2.setNumThreads(1)
    refused = sum(read(one) is None for one in timed)
    bare, whole = [], []
    for one in timed:
        data = np.frombuffer(one.jpeg, np.uint8)
        bare.append(_cpu(lambda data=data: cv2.imdecode(data, cv2.IMREAD_COLOR), times=3))
        whole.append(_cpu(lambda one=one: read(one), times=3))
    ratio = np.median(np.array(whole) / np.array(bare))
    return Row(
        what="CPU of one 12 MP photo, all stages, over a bare full decode",
        reach="<= 3x",
        measured=f"{ratio:.2f}x ({1000 * np.median(whole):.0f} ms over "
        f"{1000 * np.median(bare):.0f} ms)",
        settings=f"{len(timed)} JPEGs of {np.mean([len(one.jpeg) for one in timed]) / 1e6:.1f} MB, "
        f"{refused} of them refused; one thread, pairwise, median; start-up apart",
        reached=bool(ratio <= 3),
    )


def _score(folder: Path, ward: Path, workers: int) -> float:
    """Wall seconds of `polypward score`, start-up included."""
    command = [sys.executable, "-c", "from polypward_cli.main import app; app()", "score"]
    command += [str(folder), "--ward", str(ward), "--workers", str(workers)]
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return time.perf_counter() - start


def workers_rows(timed: list[Shot]) -> list[Row]:
    """Score one folder with one and with two workers, each into a new ward."""
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        folders = {}
        for label, copies in (("few", 1), ("many", 1 + COPIES)):
            folders[label] = root / label
            for number, one in enumerate(timed):
                home = root / label / f"s{number:03d}"
                home.mkdir(parents=True)
                for copy in range(copies):
                    (home / f"2026-01-{copy + 1:02d}.jpg").write_bytes(one.jpeg + bytes([copy]))
        spent = {
            (label, workers): _score(folder, root / f"{label}-{workers}", workers)
            for workers in (1, 2)
            for label, folder in folders.items()
        }
    more = COPIES * len(timed)
    steady = {workers: spent["many", workers] - spent["few", workers] for workers in (1, 2)}
    gain = steady[1] / steady[2]
    return [
        Row(
            what="2 workers over 1 worker on 2 cores",
            reach=">= 1.8x",
            measured=f"{gain:.2f}x ({more / steady[1]:.1f} and {more / steady[2]:.1f} photos/s)",
            settings=f"`polypward score`, {more} further photos of 12 MP, start-up apart; "
            f"with it {spent['many', 1] / spent['many', 2]:.2f}x over {more + len(timed)}",
            reached=gain >= 1.8,
        )
    ]


def measure(size: Size) -> list[Row]:
    """Render the photos, then time."""
    made = shots(size)
    return [_ratio_row(made[: size.timed]), *workers_rows(made[: size.folder])]
