"""Tiles for `phantoms.train_net`: rendered, photographed, corrected, at 0.4 mm, in one small file.

``python -m phantoms.net_tiles FOLDER PACK.npz [--photo 800 --dressed 440 --drawn 190]``
keeps every tile in FOLDER, so that a broken run goes on. Only the TRAIN family is used; the colours
of tissue and growth come from anywhere for most tiles.
"""

import argparse
import io
import os
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from phantoms import dress
from phantoms.drawn_tiles import ground
from phantoms.photo_tiles import any_colours, photo_tile
from phantoms.settings import TRAIN
from phantoms.train_model import drawn, held_out_photo
from polypward_vision.tissue import LabelledTile

__all__ = ["packed", "small"]

GROWTH = dict(dress.GROWTH)


def _any_growth(rng: np.random.Generator) -> None:
    """Let the training growths wear colours from anywhere, for most tiles."""
    for name in TRAIN.growths:
        dress.GROWTH[name] = GROWTH[name]
    if rng.random() >= 0.6:
        return
    for name in TRAIN.growths:
        lightness, chroma = rng.uniform(18, 62), rng.uniform(0, 42)
        hue = rng.uniform(0, 2 * np.pi)
        if rng.random() < 0.6:  # reds, browns and greens are what grows most
            hue = rng.uniform(-0.5, 2.4)
        a, b = chroma * np.cos(hue), chroma * np.sin(hue)
        step = rng.normal(0, [8, 7, 7])
        other = (float(np.clip(lightness + step[0], 10, 75)), a + step[1], b + step[2])
        dress.GROWTH[name] = ((lightness, a, b), other)


def _made(kind: str, seed: int) -> LabelledTile | None:
    rng = np.random.default_rng([seed, 977])
    if kind == "held":
        photo = held_out_photo(seed)
        return photo.tile if photo else None
    if kind == "drawn":
        return drawn(50_000 + seed, dressed=False)
    _any_growth(rng)
    if kind == "dressed":
        return drawn(50_000 + seed, dressed=True)
    photo = photo_tile(5_000 + seed, TRAIN if rng.random() < 0.3 else any_colours(rng, TRAIN))
    return photo.tile if photo else None


def small(tile: LabelledTile) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """Halve a tile: bytes of 2.3 L, 1.2 a + 128, 1.2 b + 128, and labels, 255 where none."""
    rows, cols = (round(side / 2) for side in tile.labels.shape)
    lab = cv2.resize(tile.lab, (cols, rows), interpolation=cv2.INTER_AREA)
    scaled = np.round(lab * np.array([2.3, 1.2, 1.2]) + np.array([0, 128, 128]))
    shares = np.stack([tile.labels == label for label in range(4)], axis=2).astype(np.float32)
    labels = cv2.resize(shares, (cols, rows), interpolation=cv2.INTER_AREA).argmax(axis=2)
    valid = cv2.resize(tile.valid.astype(np.uint8), (cols, rows), interpolation=cv2.INTER_NEAREST)
    return np.clip(scaled, 0, 255).astype(np.uint8), np.where(valid > 0, labels, 255).astype(
        np.uint8
    )


def _kept(seed: int, *, kind: str, folder: Path) -> Path | None:
    """Make one tile unless it is there."""
    cv2.setNumThreads(1)
    path = folder / f"{kind}-{seed}.npz"
    if not path.exists():
        tile = _made(kind, seed)
        if tile is None:
            return None
        colour, labels = small(tile)
        part = path.with_suffix(".part")
        with part.open("wb") as file:
            np.savez_compressed(file, q=colour, l=labels)
        part.replace(path)
    return path


def _grounds(count: int) -> list[tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]]:
    tiles = []
    for seed in range(count):
        rng = np.random.default_rng([seed, 31])
        lab = ground(rng, (576, 576), 0.2)
        shape = lab.shape[:2]
        tile = LabelledTile(
            lab=lab, valid=np.ones(shape, bool), labels=np.zeros(shape, np.uint8), mm_per_px=0.2
        )
        tiles.append(small(tile))
    return tiles


def packed(
    tiles: list[tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]],
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.int64]]:
    """Bytes of all tiles, a JPEG and a PNG each, and where they end, shape (n, 2)."""
    data, ends = bytearray(), []
    for colour, labels in tiles:
        jpeg, png = io.BytesIO(), io.BytesIO()
        Image.fromarray(colour).save(jpeg, "JPEG", quality=92, subsampling=0)
        data += jpeg.getvalue()
        middle = len(data)
        Image.fromarray(labels).save(png, "PNG", optimize=True)
        data += png.getvalue()
        ends.append((middle, len(data)))
    return np.frombuffer(bytes(data), np.uint8), np.array(ends, np.int64)


def main() -> None:
    """Make the tiles and the pack."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("pack", type=Path)
    for kind, count in (("photo", 800), ("dressed", 440), ("drawn", 190), ("held", 40)):
        parser.add_argument(f"--{kind}", type=int, default=count)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only-there", action="store_true", help="pack what FOLDER holds")
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    arrays = {}
    groups = {"train": ("photo", "dressed", "drawn"), "held": ("held",)}
    for group, kinds in groups.items():
        paths: list[Path] = []
        for kind in kinds:
            seeds = range(getattr(asked, kind))
            if asked.only_there:
                paths += [p for s in seeds if (p := asked.folder / f"{kind}-{s}.npz").exists()]
                continue
            with ProcessPoolExecutor(asked.workers) as pool:
                make = partial(_kept, kind=kind, folder=asked.folder)
                paths += [path for path in pool.map(make, seeds, chunksize=4) if path]
        tiles = []
        for path in paths:
            with np.load(path, allow_pickle=False) as tile:
                tiles.append((tile["q"], tile["l"]))
        arrays[f"{group}_bytes"], arrays[f"{group}_ends"] = packed(tiles)
        print(f"{group}: {len(tiles)} tiles, {arrays[f'{group}_bytes'].size / 1e6:.1f} MB")
    arrays["ground_bytes"], arrays["ground_ends"] = packed(_grounds(160))
    np.savez(asked.pack, allow_pickle=False, **arrays)


if __name__ == "__main__":
    main()
