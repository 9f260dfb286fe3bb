"""``python -m phantoms.traced OUT --first SEED --count N --variant cuda_ad_spectral``: make tiles.

Tiles that are there already are kept, so that a broken run goes on. `--workers` processes draw the
meshes and develop the pictures while this one traces.
"""

import argparse
import json
import multiprocessing
import os
import time
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np

from phantoms.packed_tile import packed
from phantoms.traced.phone import photographed
from phantoms.traced.plan import Plan, make_plan
from phantoms.traced.settings import HELD_OUT, TRAIN, Settings
from phantoms.traced.studio import Shot, Studio
from phantoms.traced.textures import load_textures
from phantoms.traced.upsample import coefficients

__all__ = ["main"]


class _Here(Executor):
    """Does the work at once, in this process."""

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_result(fn(*args, **kwargs))
        return future


def _path(folder: Path, settings: Settings, seed: int) -> Path:
    kind = "tracedheld" if settings is HELD_OUT else "traced"
    return folder / f"{kind}-{seed}.npz"


def _finish(shot: Shot, plan: Plan, settings: Settings, path: Path, full: bool) -> None:
    """Develop a shot and write its tile."""
    cv2.setNumThreads(1)
    tile = photographed(shot, plan, settings)
    colour, labels = packed(tile)
    arrays: dict[str, Any] = {"q": colour, "l": labels, "drawn": json.dumps(plan.drawn)}
    if full:
        arrays |= {"lab": tile.lab, "labels": tile.labels, "valid": tile.valid}
    part = path.with_suffix(".part")
    with part.open("wb") as file:
        np.savez(file, **arrays)
    part.replace(path)


def _drawn(seed: int, settings: Settings, textures: Path | None = None) -> Plan:
    """Draw a plan and give its colours spectra."""
    cv2.setNumThreads(1)
    plan = make_plan(seed, settings, load_textures(textures) if textures else None)
    for part in plan.parts.values():
        part.colour = coefficients(part.colour)
    return plan


def _plans(pool: Executor, seeds: list[int], settings: Settings, asked: Any) -> Iterator[Plan]:
    """Draw plans a little ahead of their use."""
    waiting: deque[Future[Plan]] = deque()
    textures = None if settings is HELD_OUT else asked.textures
    for seed in seeds:
        waiting.append(pool.submit(_drawn, seed, settings, textures))
        if len(waiting) > 2 * asked.workers:
            yield waiting.popleft().result()
    while waiting:
        yield waiting.popleft().result()


def _make(pool: Executor, seeds: list[int], settings: Settings, asked: Any) -> None:
    studio = Studio(settings, variant=asked.variant, side_px=asked.side)
    began, drawing, tracing = time.monotonic(), 0.0, 0.0
    finishing: deque[Future[None]] = deque()
    mark = began
    for done, plan in enumerate(_plans(pool, seeds, settings, asked), start=1):
        start = time.monotonic()
        drawing += start - mark
        shot = studio.shoot(plan, spp=asked.spp)
        mark = time.monotonic()
        tracing += mark - start
        bare = replace(plan, parts={}, face_labels=plan.face_labels[:0])
        path = _path(asked.out, settings, plan.seed)
        finishing.append(pool.submit(_finish, shot, bare, settings, path, asked.full))
        while len(finishing) > 2 * asked.workers:
            finishing.popleft().result()
        if done == 1 or done % 50 == 0 or done == len(seeds):
            spent = mark - began
            print(
                f"{done} of {len(seeds)} tiles, {done / spent:.2f} a second "
                f"(tracing {tracing:.1f} s, waiting {drawing:.1f} s)",
                flush=True,
            )
        if asked.minutes and time.monotonic() - began > 60 * asked.minutes:
            break
    for future in finishing:
        future.result()


def main() -> None:
    """Make the tiles that are missing."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=24)
    parser.add_argument("--variant", default="llvm_ad_spectral")
    parser.add_argument("--held-out", action="store_true", help="settings never trained on")
    parser.add_argument("--spp", type=int, default=64, help="paths a pixel")
    parser.add_argument("--side", type=int, default=640, help="side of the traced picture, px")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=0, help="stop after so long")
    parser.add_argument("--full", action="store_true", help="keep lab, labels, valid too")
    parser.add_argument("--textures", type=Path, help="folder of reef photos (see textures.py)")
    asked = parser.parse_args()
    settings = HELD_OUT if asked.held_out else TRAIN
    asked.out.mkdir(parents=True, exist_ok=True)
    seeds = list(range(asked.first, asked.first + asked.count))
    missing = [seed for seed in seeds if not _path(asked.out, settings, seed).exists()]
    if missing:
        context = multiprocessing.get_context("spawn")
        pool: Executor = _Here()
        if asked.workers > 1:
            pool = ProcessPoolExecutor(asked.workers, mp_context=context)
        with pool:
            _make(pool, missing, settings, asked)
