"""Photo tiles to judge models by, and to fit plain ones to, kept in a folder once made."""

import json
import os
import tempfile
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from phantoms.photo_tiles import PhotoTile, photo_tile
from phantoms.settings import HELD_OUT, TRAIN
from polypward_vision.tissue import LabelledTile

__all__ = ["held_out_photo", "photo_tiles", "tiles_folder", "training_photo"]

HELD_OUT_SEED = 1_000_000  # far from every training seed


def training_photo(seed: int, *, mm_per_px: float | None = None) -> PhotoTile | None:
    """Photograph a training scene; four of five wear colours from anywhere."""
    return photo_tile(seed, TRAIN, vary=seed % 5 > 0, mm_per_px=mm_per_px)


def held_out_photo(seed: int, *, mm_per_px: float | None = None) -> PhotoTile | None:
    """Photograph a scene of the family that is never trained on."""
    return photo_tile(HELD_OUT_SEED + seed, HELD_OUT, mm_per_px=mm_per_px)


def _cached(
    seed: int, *, make: Callable[[int], PhotoTile | None], folder: Path
) -> PhotoTile | None:
    """Make a photo tile or take it from the cache; a rejected photo is an empty file."""
    cv2.setNumThreads(1)
    path = folder / f"{make.__name__}-{seed}.npz"
    if not path.exists():
        made = make(seed)
        arrays: dict[str, Any] = {}
        if made is not None:
            tile = made.tile
            arrays = {
                "lab": tile.lab.astype(np.float16),
                "valid": tile.valid,
                "labels": tile.labels,
                "mm_per_px": tile.mm_per_px,
                "centre_mm": np.array(tile.centre_mm),
                "drawn": json.dumps(made.drawn),
            }
        part = path.with_suffix(f".{os.getpid()}.part")
        with part.open("wb") as file:
            np.savez_compressed(file, **arrays)
        part.replace(path)
    with np.load(path, allow_pickle=False) as arrays:
        if "lab" not in arrays:
            return None
        x, y = arrays["centre_mm"]
        tile = LabelledTile(
            lab=arrays["lab"].astype(np.float32),
            valid=arrays["valid"],
            labels=arrays["labels"],
            mm_per_px=float(arrays["mm_per_px"]),
            centre_mm=(float(x), float(y)),
        )
        return PhotoTile(tile=tile, drawn=json.loads(str(arrays["drawn"])))


def tiles_folder(cache: Path | None) -> Path:
    """Return the folder in which rendered tiles are kept, made if missing."""
    folder = cache or Path(tempfile.gettempdir()) / "polypward-tiles"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def photo_tiles(
    count: int, make: Callable[[int], PhotoTile | None], *, folder: Path, workers: int
) -> list[PhotoTile]:
    """Photograph `count` scenes; rejected photos are left out."""
    kept = partial(_cached, make=make, folder=folder)
    if workers == 1:
        made = list(map(kept, range(count)))
    else:
        with ProcessPoolExecutor(workers) as pool:
            made = list(pool.map(kept, range(count), chunksize=4))
    return [tile for tile in made if tile is not None]
