"""``python -m bench.segmenters``: ways to make the tissue map, on the same rendered cut-outs.

Tiles, fits and figures are kept in the cache folder: a broken run goes on, and ``--only`` takes
some of the rows. What is no network is fitted to photos of training scenes; the network saw many
more.
"""

import argparse
import importlib
import json
import os
import pickle
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np
import numpy.typing as npt

from bench.plain_segmenters import (
    Pixelwise,
    Superpixelwise,
    by_cut,
    by_walker,
    fit_boosting,
    fit_perceptron,
    fit_trees,
)
from phantoms.base_model import HELD_OUT_TILES
from phantoms.kept_tiles import held_out_photo, photo_tiles, tiles_folder, training_photo
from phantoms.photo_tiles import PhotoTile, photo_tile
from phantoms.settings import UNSEEN
from phantoms.tissue_figures import tissue_figures
from polypward_vision.tissue import TissueModel, load_base_model
from polypward_vision.tissue.model import shown_view

__all__ = ["Timed", "main", "unseen_photo"]

UNSEEN_SEED, UNSEEN_TILES = 2_000_000, 48
TRAINING_TILES = 190
FITS: dict[str, tuple[Callable[..., Any], type[Pixelwise]]] = {
    "features + gradient boosting": (fit_boosting, Pixelwise),
    "features + perceptron": (fit_perceptron, Pixelwise),
    "superpixels + extra trees": (fit_trees, Superpixelwise),
}
SMOOTHERS = {"": None, ", graph cut": by_cut, ", random walker": by_walker}
NETWORKS = ("network, one look at its own scale", "network, a glance and a close look (in use)")


def unseen_photo(seed: int) -> PhotoTile | None:
    """Photograph a scene of the family that nothing was trained on or chosen by."""
    return photo_tile(UNSEEN_SEED + seed, UNSEEN)


@dataclass(slots=True)
class Timed:
    """A tissue model, or its network alone, with a stop-watch of CPU seconds."""

    model: TissueModel
    alone: bool
    seconds: float = 0.0

    def probabilities(
        self,
        lab: npt.NDArray[np.float32],
        *,
        mm_per_px: float,
        valid: npt.NDArray[np.bool_] | None = None,
        centre_mm: tuple[float, float] | None = None,
    ) -> npt.NDArray[np.float32]:
        """As `polypward_vision.tissue.TissueModel.probabilities`."""
        start = time.process_time()
        if self.alone:
            lab, _ = shown_view(lab, valid=valid, mm_per_px=mm_per_px)
            found = self.model.network(lab)
        else:
            found = self.model.probabilities(
                lab, mm_per_px=mm_per_px, valid=valid, centre_mm=centre_mm
            )
        self.seconds += time.process_time() - start
        return found


def _classifier(name: str, folder: Path, workers: int) -> bytes:
    """Fit a classifier, or take the one that an earlier run of this script left."""
    path = folder / f"{name.split()[-1]}.fit"
    if not path.exists():
        photos = photo_tiles(TRAINING_TILES, training_photo, folder=folder, workers=workers)
        path.write_bytes(pickle.dumps(FITS[name][0]([photo.tile for photo in photos])))
    return path.read_bytes()


def labeller(
    row: str, folder: Path, workers: int, memos: dict[str, dict[int, Any]]
) -> tuple[Timed | Pixelwise, int]:
    """Give the labeller of a row of the table and its size in bytes."""
    if row in NETWORKS:
        base = load_base_model()
        return Timed(base, row == NETWORKS[0]), len(base.network.onnx)
    name, _, smoother = row.partition(", ")
    raw = _classifier(name, folder, workers)
    smooth = SMOOTHERS[f", {smoother}" if smoother else ""]
    memo = memos.setdefault(name, {})
    return FITS[name][1](classifier=pickle.loads(raw), smooth=smooth, memo=memo), len(raw)


def _judge(
    row: str, folder: Path, workers: int, every: int, memos: dict[str, dict[int, Any]]
) -> dict[str, Any]:
    """Figures of one row on both families of tiles."""
    model, size = labeller(row, folder, workers, memos)
    found: dict[str, Any] = {"bytes": size}
    for family, make, count in (
        ("held-out", held_out_photo, HELD_OUT_TILES),
        ("unseen", unseen_photo, UNSEEN_TILES),
    ):
        photos = photo_tiles(count, make, folder=folder, workers=workers)[::every]
        model.seconds = 0.0
        figures = tissue_figures(model, photos)
        found[family] = figures | {"cpu_s": model.seconds / len(photos)}
    return found


def as_table(found: dict[str, dict[str, Any]]) -> str:
    """Lay the rows out in Markdown."""
    lines = [
        "| segmenter | live | bare | overgrown | cover error | UNSEEN: live | bare | overgrown | "
        "cover error | CPU s a tile | MB |",
        "| --- |" + " --- |" * 10,
    ]
    for row, one in found.items():
        cells = []
        for family in ("held-out", "unseen"):
            iou = one[family]["iou_mean"]
            cells += [f"{iou[label]:.2f}" for label in ("live", "bare", "overgrown")]
            cells.append(f"{one[family]['cover_error']:.3f}")
        cells += [f"{one['unseen']['cpu_s']:.2f}", f"{one['bytes'] / 1e6:.1f}"]
        lines.append(f"| {row} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main() -> None:
    """Judge every row that is asked for, keep its figures, print the table."""
    every = [*(f"{name}{smooth}" for name in FITS for smooth in SMOOTHERS), *NETWORKS]
    parser = argparse.ArgumentParser(prog="python -m bench.segmenters", description=__doc__)
    parser.add_argument("--cache", type=Path, help="folder for tiles, fits and figures")
    parser.add_argument("--only", nargs="+", choices=every, default=every, metavar="ROW")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--every", type=int, default=1, help="take every n-th tile only")
    parser.add_argument("--anew", action="store_true", help="judge the rows again")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    folder = tiles_folder(asked.cache)
    kept = folder / "segmenters.json"
    found = json.loads(kept.read_text(encoding="utf-8")) if kept.exists() else {}
    memos: dict[str, dict[int, Any]] = {}
    for row in asked.only:
        if row in found and not asked.anew:
            continue
        start = time.monotonic()
        found[row] = _judge(row, folder, asked.workers, asked.every, memos)
        kept.write_text(json.dumps(found, indent=1), encoding="utf-8")
        print(f"{row}: {time.monotonic() - start:.0f} s", file=sys.stderr)
    print(as_table({row: found[row] for row in every if row in found}))


if __name__ == "__main__":
    # Under its own name, so that what it pickles and what its workers make is found again.
    importlib.import_module("bench.segmenters").main()
