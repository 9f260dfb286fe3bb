"""``python -m bench.composites FOLDER``: the tissue map on photos that wear structure of real reef.

Cut-outs of the family `UNSEEN`, as `bench.segmenters` judges them, with the fine structure of reef
photos laid over tissue, skeleton and growth (see `phantoms.traced.textures` for what FOLDER holds,
and for source and licence). Some of the path-traced tiles that the network was trained on wear
structure from the same photos, in other places and on other bodies: the bodies are unseen, the
structure is not.
"""

import argparse
import os
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np
from skimage.color import lab2xyz, xyz2lab

from bench.segmenters import UNSEEN_TILES, unseen_photo
from phantoms.kept_tiles import photo_tiles, tiles_folder
from phantoms.photo_tiles import PhotoTile
from phantoms.tissue_figures import tissue_figures
from phantoms.traced.textures import Textures, load_textures
from polypward.labels import BARE, LIVE, OVERGROWN
from polypward_vision.tissue import load_base_model

__all__ = ["clothed", "main"]

KINDS = {LIVE: "live", BARE: "dead", OVERGROWN: "dead"}
STRENGTHS = (0.0, 0.5, 1.0)


def clothed(
    photo: PhotoTile, textures: Textures, *, strength: float, rng: np.random.Generator
) -> PhotoTile:
    """Lay real structure over a cut-out's specimen: light times factors to the power `strength`."""
    tile = photo.tile
    factors = np.ones_like(tile.lab)
    for label, kind in KINDS.items():
        laid = textures.laid(rng, kind, tile.labels.shape, tile.mm_per_px)
        there = tile.labels == label
        factors[there] = laid[there] ** strength
    factors = np.asarray(cv2.GaussianBlur(factors, (0, 0), 0.6), np.float32)  # as a lens would
    light = lab2xyz(tile.lab, illuminant="D50") * factors
    lab = xyz2lab(np.clip(light, 0, 1.2), illuminant="D50").astype(np.float32)
    return replace(photo, tile=replace(tile, lab=lab))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("textures", type=Path, help="folder of reef photos")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--photos", type=int, default=UNSEEN_TILES)
    parser.add_argument("--cache", type=Path, help="folder for rendered tiles")
    parser.add_argument("--workers", type=int, default=1)
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    folder = tiles_folder(asked.cache)
    photos = photo_tiles(asked.photos, unseen_photo, folder=folder, workers=asked.workers)
    textures, model = load_textures(asked.textures, judged=True), load_base_model()
    print("| structure of real reef | live | bare | overgrown | cover error | not one specimen |")
    print("| --- |" + " --- |" * 5)
    for strength in STRENGTHS:
        dressed = [
            clothed(photo, textures, strength=strength, rng=np.random.default_rng([asked.seed, at]))
            for at, photo in enumerate(photos)
        ]
        found = tissue_figures(model, dressed)
        cells = [f"{found['iou_mean'][name]:.2f}" for name in ("live", "bare", "overgrown")]
        cells += [f"{found['cover_error']:.3f}", f"{found['problems']} of {len(photos)}"]
        print(f"| strength {strength:g} | " + " | ".join(cells) + " |", flush=True)


if __name__ == "__main__":
    main()
