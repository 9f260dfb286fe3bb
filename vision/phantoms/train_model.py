"""Fit the tissue model that comes with polypward, measure it, and write it with its provenance.

``python -m phantoms.train_model [--cache DIR] [--net FOLDER]``: the first look is the network that
`phantoms.net.train` made (FOLDER), else the one already in the model; the second look is fitted
here, to tiles that the network was not trained on. The same settings and seeds give the same model
on one machine. Tiles are kept in the cache folder, so that a second run only fits and measures.
"""

import argparse
import json
import os
import tempfile
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np
import sklearn

from phantoms.disturb import disturbed
from phantoms.drawn_tiles import drawn_tile
from phantoms.photo_tiles import PhotoTile, photo_tile
from phantoms.settings import HELD_OUT, TRAIN
from phantoms.tissue_figures import tissue_figures
from polypward_vision.tissue import (
    LabelledTile,
    TissueModel,
    fit_tissue_model,
    load_base_model,
    model_from_arrays,
)
from polypward_vision.tissue.features import SECOND_FEATURES
from polypward_vision.tissue.network import Network

DATA = Path(__file__).resolve().parents[1] / "polypward_vision" / "tissue" / "data"
HELD_OUT_SEED = 1_000_000  # far from every training seed


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything that the model depends on besides the code."""

    seed: int = 7
    photo_tiles: int = 190
    dressed_tiles: int = 240
    drawn_tiles: int = 160
    held_out_tiles: int = 40
    units: int = 48
    pixels_per_label: int = 130
    epochs: int = 14


def training_photo(seed: int) -> PhotoTile | None:
    """Photograph a training scene; four of five wear colours from anywhere."""
    return photo_tile(seed, TRAIN, vary=seed % 5 > 0)


def held_out_photo(seed: int) -> PhotoTile | None:
    """Photograph a scene of the family that is never trained on."""
    return photo_tile(HELD_OUT_SEED + seed, HELD_OUT)


def drawn(seed: int, *, dressed: bool) -> LabelledTile:
    """Draw a tile without a camera; a dressed one shows a specimen of the training family."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([seed, 5 if dressed else 6])
    lab, labels = drawn_tile(rng, family=TRAIN if dressed else None)
    tile = LabelledTile(lab=lab, valid=np.ones(labels.shape, bool), labels=labels, mm_per_px=0.2)
    return disturbed(tile, rng)


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
    made = _all(partial(_cached, make=make, folder=folder), count, workers=workers)
    return [tile for tile in made if tile is not None]


def _all(make: Callable[[int], Any], count: int, *, workers: int) -> list[Any]:
    """Make the tiles of seeds 0 to count - 1, in order."""
    if workers == 1:
        return list(map(make, range(count)))
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(make, range(count), chunksize=4))


def training_tiles(
    settings: Settings, photos: list[PhotoTile], *, workers: int
) -> list[LabelledTile]:
    """All tiles to fit: photos (every second one disturbed), dressed and drawn tiles."""
    tiles = []
    for index, photo in enumerate(photos):
        rng = np.random.default_rng([settings.seed, index])
        tiles.append(photo.tile if index % 2 else disturbed(photo.tile, rng))
    tiles += _all(partial(drawn, dressed=True), settings.dressed_tiles, workers=workers)
    tiles += _all(partial(drawn, dressed=False), settings.drawn_tiles, workers=workers)
    return tiles


def write(
    model: TissueModel,
    settings: Settings,
    figures: dict[str, Any],
    trained: int,
    network: dict[str, Any],
) -> None:
    """Write base_model.npz and its provenance, and read them back."""
    today = date.today().isoformat()
    provenance = {
        "version": f"base-{today}",
        "script": "vision/phantoms/train_model.py (make model)",
        "date": today,
        "seed": settings.seed,
        "settings": {name: getattr(settings, name) for name in Settings.__slots__},
        "tiles": trained,
        "first": {"script": "vision/phantoms/net/train.py", **network},
        "features": list(SECOND_FEATURES),
        "libraries": {
            "numpy": np.__version__, "opencv": cv2.__version__, "scikit-learn": sklearn.__version__
        },
        "held_out": figures,
    }  # fmt: skip
    np.savez_compressed(DATA / "base_model.npz", **model.to_arrays())
    (DATA / "base_model.json").write_text(json.dumps(provenance, indent=1) + "\n", encoding="utf-8")
    with np.load(DATA / "base_model.npz", allow_pickle=False) as arrays:
        model_from_arrays(arrays)


def main() -> None:
    """Make tiles, fit, measure on the held-out family, write, print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cache", type=Path, help="folder for rendered tiles")
    parser.add_argument("--net", type=Path, help="folder that phantoms.net.train wrote")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--tiles-only", action="store_true", help="fill the cache and stop")
    asked = parser.parse_args()
    settings = Settings()
    cv2.setNumThreads(1)
    folder = tiles_folder(asked.cache)
    held = photo_tiles(
        settings.held_out_tiles, held_out_photo, folder=folder, workers=asked.workers
    )
    photos = photo_tiles(settings.photo_tiles, training_photo, folder=folder, workers=asked.workers)
    print(f"{len(photos)} training and {len(held)} held-out photos")
    if asked.tiles_only:
        return
    if asked.net:
        first = Network((asked.net / "net.onnx").read_bytes())
        network = json.loads((asked.net / "net.json").read_text(encoding="utf-8"))
    else:
        base = load_base_model()
        first, network = base.first, dict(base.provenance["first"])
    tiles = training_tiles(settings, photos, workers=asked.workers)
    model = fit_tissue_model(
        tiles,
        first=first,
        seed=settings.seed,
        units=settings.units,
        per_label=settings.pixels_per_label,
        epochs=settings.epochs,
    )
    figures = tissue_figures(model, held)
    write(model, settings, figures, len(tiles), network)
    print(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main()
