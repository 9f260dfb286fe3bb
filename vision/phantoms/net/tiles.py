"""Tiles for the training of the network: rendered, photographed, corrected, at MM_PER_PX.

``python -m phantoms.net.tiles FOLDER [--photo N --dressed N ...] [--workers 16]`` writes a file a
tile, so that a broken run goes on and a training can begin while tiles are still made. All but
`held` show the TRAIN family, four of five in colours and textures from anywhere.
"""

import argparse
import os
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np

from phantoms.disturb import disturbed
from phantoms.drawn_grounds import ground
from phantoms.drawn_tiles import drawn_tile
from phantoms.kept_tiles import held_out_photo, training_photo
from phantoms.packed_tile import MM_PER_PX, MOST_PX, packed
from phantoms.settings import TRAIN
from polypward_vision.tissue import LabelledTile

__all__ = ["KINDS"]

# Kinds of tile and how many are made unless said otherwise; the first two before all others.
KINDS = {"held": 40, "ground": 3000, "photo": 6000, "dressed": 2500, "drawn": 1500}


def _drawn(seed: int, *, dressed: bool) -> LabelledTile:
    """Draw a tile without a camera; a dressed one shows a specimen of the training family."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([seed, 5 if dressed else 6])
    lab, labels = drawn_tile(rng, family=TRAIN if dressed else None)
    shown = np.ones(labels.shape, bool)
    tile = LabelledTile(lab=lab, valid=shown, labels=labels, mm_per_px=MM_PER_PX)
    return disturbed(tile, rng)


def _ground(seed: int) -> LabelledTile:
    lab = ground(np.random.default_rng([seed, 31]), (MOST_PX, MOST_PX), MM_PER_PX)
    none = np.zeros(lab.shape[:2], np.uint8)
    return LabelledTile(lab=lab, valid=none == 0, labels=none, mm_per_px=MM_PER_PX)


def _made(kind: str, seed: int) -> LabelledTile | None:
    if kind == "ground":
        return _ground(seed)
    if kind in ("dressed", "drawn"):
        return _drawn(50_000 + seed, dressed=kind == "dressed")
    make, first = (held_out_photo, 0) if kind == "held" else (training_photo, 5_000)
    photo = make(first + seed, mm_per_px=MM_PER_PX)
    return photo.tile if photo else None


def _keep(task: tuple[str, int], *, folder: Path) -> bool:
    """Make one tile unless it is there; False when the photo was rejected."""
    cv2.setNumThreads(1)
    kind, seed = task
    path = folder / f"{kind}-{seed}.npz"
    if path.exists():
        return True
    tile = _made(kind, seed)
    if tile is None:
        return False
    colour, labels = packed(tile)
    part = path.with_suffix(".part")
    with part.open("wb") as file:
        np.savez(file, q=colour, l=labels)
    part.replace(path)
    return True


def _in_turn(counts: dict[str, int], begin: int) -> Iterator[tuple[str, int]]:
    """Every kind's seeds from `begin`, mixed so that all kinds are done at the same time."""
    first = ("held", "ground")
    for kind in first:
        yield from ((kind, seed) for seed in range(counts[kind]))
    rest = [
        ((seed + 0.5) / count, kind, begin + seed)
        for kind, count in counts.items()
        if kind not in first
        for seed in range(count)
    ]
    yield from ((kind, seed) for _, kind, seed in sorted(rest))


def main() -> None:
    """Make the tiles."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    for kind, count in KINDS.items():
        parser.add_argument(f"--{kind}", type=int, default=count)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--first-seed", type=int, default=0, help="of all but held and ground")
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    tasks = list(_in_turn({kind: getattr(asked, kind) for kind in KINDS}, asked.first_seed))
    with ProcessPoolExecutor(asked.workers) as pool:
        made = sum(pool.map(partial(_keep, folder=asked.folder), tasks, chunksize=2))
    print(f"{made} tiles in {asked.folder}, {len(tasks) - made} photos rejected")


if __name__ == "__main__":
    main()
