"""``python -m bench.confusions``: what the tissue map takes for what, by body plan and by colour.

By plan: the cut-outs of the family `UNSEEN` that `bench.segmenters` judges. By colour: bodies of
the same family, painted so that tissue and what it is mistaken for are as alike as they get.
"""

import argparse
import importlib
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np
import numpy.typing as npt

from bench.segmenters import UNSEEN_TILES, unseen_photo
from phantoms.kept_tiles import photo_tiles, tiles_folder
from phantoms.photo_tiles import PhotoTile, tile_of
from phantoms.scene import Lab, Scene
from phantoms.settings import UNSEEN, random_camera, random_scene
from polypward.labels import BACKGROUND, BARE, LABEL_NAMES, LIVE, OVERGROWN
from polypward_vision.tissue import Labeller, load_base_model, map_tissue

__all__ = ["PAIRS", "Pair", "counts", "main", "painted_photo"]

SEED = 3_000_000
MEGAPIXELS = 2.2
LOST = 0.35  # share of the body that is bare or overgrown


@dataclass(frozen=True, slots=True)
class Pair:
    """Tissue of a colour, and the label of what looks like it with that one's colour."""

    name: str
    tissue: Lab
    label: int
    other: Lab


PAIRS = (
    Pair("white polyps on white skeleton", (84, 0, 8), BARE, (86, 0, 7)),
    Pair("brown tissue, brown algae", (42, 10, 26), OVERGROWN, (38, 9, 22)),
    Pair("green tissue, turf", (48, -24, 28), OVERGROWN, (42, -18, 24)),
    Pair("purple tissue, coralline plug", (46, 24, -18), BACKGROUND, (50, 26, -6)),
)


def _near(rng: np.random.Generator, lab: Lab, spread: float) -> Lab:
    light, a, b = np.array(lab) + rng.normal(0, spread, 3)
    return (float(np.clip(light, 12, 93)), float(a), float(b))


def painted(rng: np.random.Generator, pair: Pair) -> Scene:
    """Draw a scene in which tissue and what it is mistaken for have about one colour."""
    scene = random_scene(rng, UNSEEN)
    one = scene.specimens[0]
    look = replace(
        one.look,
        main=_near(rng, pair.tissue, 3),
        second=_near(rng, pair.tissue, 5),
        rim=_near(rng, pair.tissue, 5),
        mouth=_near(rng, pair.tissue, 6),
    )
    one = replace(
        one,
        look=look,
        paling=0.0,
        growth_colours=(_near(rng, pair.other, 4), _near(rng, pair.other, 6)),
        bare=LOST if pair.label == BARE else 0.0,
        overgrown=LOST if pair.label == OVERGROWN else 0.0,
    )
    ground = scene.ground
    if pair.label == BACKGROUND:
        radius = 0.9 * one.radius_mm + 5
        ground = replace(ground, plug=_near(rng, pair.other, 4), plug_radius_mm=radius)
    return replace(scene, specimens=(one,), ground=ground)


def painted_photo(seed: int) -> PhotoTile | None:
    """Photograph a painted scene; the pairs take turns."""
    pair = PAIRS[seed % len(PAIRS)]
    rng = np.random.default_rng([SEED, seed])
    scene = painted(rng, pair)
    camera = random_camera(rng, UNSEEN, megapixels=MEGAPIXELS)
    tile = tile_of(scene, camera, seed=SEED + seed)
    return None if tile is None else replace(tile, drawn=tile.drawn | {"pair": pair.name})


def counts(model: Labeller, tile: PhotoTile) -> npt.NDArray[np.float64]:
    """Pixels by true label (rows) and by found label (columns), (4, 4)."""
    one = tile.tile
    found = map_tissue(
        one.lab, valid=one.valid, mm_per_px=one.mm_per_px, model=model, aim_mm=one.centre_mm
    )
    truth = np.where(one.valid, one.labels, 0).astype(int)
    table = np.bincount((truth * 4 + found.labels).ravel(), minlength=16)
    return table.reshape(4, 4).astype(float)


def _overlap(table: npt.NDArray[np.float64], label: int) -> float:
    either = table[label].sum() + table[:, label].sum() - table[label, label]
    return float(table[label, label] / either) if either else float("nan")


def _by_plan(model: Labeller, tiles: Sequence[PhotoTile]) -> str:
    lines = [
        "| plan | cut-outs | IoU live | bare | overgrown | live taken for bare | for overgrown "
        "| for ground |",
        "| --- |" + " --- |" * 7,
    ]
    groups: dict[str, list[npt.NDArray[np.float64]]] = {}
    for tile in tiles:
        groups.setdefault(tile.drawn["plan"], []).append(counts(model, tile))
    for plan, tables in sorted(groups.items()):
        table = np.sum(tables, axis=0)
        live = table[LIVE] / table[LIVE].sum()
        overlaps = " | ".join(f"{_overlap(table, k):.2f}" for k in (LIVE, BARE, OVERGROWN))
        lines.append(
            f"| {plan} | {len(tables)} | {overlaps} | {live[BARE]:.1%} | {live[OVERGROWN]:.1%} "
            f"| {live[BACKGROUND]:.1%} |"
        )
    return "\n".join(lines)


def _by_colour(model: Labeller, tiles: Sequence[PhotoTile]) -> str:
    lines = [
        "| colours | cut-outs | IoU live | tissue taken for the other "
        "| the other taken for tissue |",
        "| --- | --- | --- | --- | --- |",
    ]
    for pair in PAIRS:
        tables = [counts(model, one) for one in tiles if one.drawn["pair"] == pair.name]
        table = np.sum(tables, axis=0)
        # The ground is large: what it is mistaken for is told as a share of the specimen.
        body = table[1:].sum()
        gained = table[pair.label, LIVE] / (
            body if pair.label == BACKGROUND else table[pair.label].sum()
        )
        lines.append(
            f"| {pair.name} | {len(tables)} | {_overlap(table, LIVE):.2f} "
            f"| {table[LIVE, pair.label] / table[LIVE].sum():.1%} to "
            f"{'ground' if pair.label == BACKGROUND else LABEL_NAMES[pair.label]} "
            f"| {gained:.1%}{' of the specimen' if pair.label == BACKGROUND else ''} |"
        )
    return "\n".join(lines)


def main() -> None:
    """Print both tables for the base model."""
    parser = argparse.ArgumentParser(prog="python -m bench.confusions", description=__doc__)
    parser.add_argument("--cache", type=Path, help="folder for rendered tiles")
    parser.add_argument("--photos", type=int, default=8, help="of each pair of colours")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    folder = tiles_folder(asked.cache)
    model = load_base_model()
    tiles = photo_tiles(UNSEEN_TILES, unseen_photo, folder=folder, workers=1)
    alike = photo_tiles(asked.photos * len(PAIRS), painted_photo, folder=folder, workers=1)
    print(_by_plan(model, tiles), _by_colour(model, alike), sep="\n\n")


if __name__ == "__main__":
    importlib.import_module("bench.confusions").main()
