"""Fine structure of real reef, cut from openly licensed photos, to lay over traced colours.

Photos: github.com/XL-SHAO/CoralConditionDataset, commit 5e9295b (coral_images/, tabular_data/),
Koh Tao 2023, MIT licence, (c) 2024 Xinlei Shao. They are not part of this project: give a folder
that holds ``patch_labels.csv`` (file, patchid, labels, ...) and the pictures that it names.
"""

import csv
import functools
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from phantoms.fields import Field

__all__ = ["Textures", "load_textures"]

# The data set's label numbers: 1 healthy, 2 compromised, 3 dead coral, 4 rubble, 5 competition,
# 8 physical issues. Pictures with a label not named here are left out.
_LIVE = ({"1"}, {"2"}, {"1", "8"}, {"1", "2", "8"}, {"1", "2", "6"}, {"2", "6"})
_DEAD = ({"3"}, {"4"}, {"5"}, {"1", "3"}, {"1", "4"}, {"0"})
# Patches darker than this (mean of linear light) hold more noise than structure.
_DARKEST = 0.02
# Structure wider than this (SD of a Gaussian, px of 512) is light and shape of another body.
_WIDE_PX = 30.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Textures:
    """Pictures of structure, each (rows, cols, 3): brightness over that of the surroundings."""

    live: tuple[Field, ...]
    dead: tuple[Field, ...]

    def laid(
        self, rng: np.random.Generator, kind: str, shape: tuple[int, int], step_mm: float
    ) -> Field:
        """Lay one at a random place, turn and scale over a grid: factors (rows, cols, 3)."""
        pictures: tuple[Field, ...] = getattr(self, kind)
        picture = pictures[rng.integers(len(pictures))]
        scale = rng.uniform(4, 12) * step_mm  # picture's pixels a node; no scale came with them
        angle = rng.uniform(0, 2 * np.pi)
        cos, sin = scale * np.cos(angle), scale * np.sin(angle)
        turn = np.array([[cos, -sin], [sin, cos]])
        to = rng.uniform(0.35, 0.65, 2) * picture.shape[1::-1]
        move = np.column_stack([turn, to - turn @ (np.array(shape[::-1]) / 2)])
        return np.asarray(
            cv2.warpAffine(
                picture, move, shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_REFLECT,
            ), np.float32,
        )  # fmt: skip


@functools.cache
def load_textures(folder: Path, *, judged: bool = False) -> Textures:
    """Read the pictures that ``patch_labels.csv`` in `folder` names.

    The first, third, ... of each kind are for training, the others, with `judged`, for judging.

    Raises
    ------
    FileNotFoundError
        If the table is not there.
    ValueError
        If it names no usable picture of one kind.
    """
    found: dict[str, list[Field]] = {"live": [], "dead": []}
    with (folder / "patch_labels.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            labels = set(row["labels"].split(","))
            kind = "live" if labels in _LIVE else "dead" if labels in _DEAD else ""
            data = np.fromfile(folder / row["file"], np.uint8) if kind else None
            picture = None if data is None else cv2.imdecode(data, cv2.IMREAD_COLOR)
            if picture is None:
                continue
            light = (np.asarray(picture[..., ::-1], np.float32) / np.float32(255)) ** np.float32(
                2.2
            )
            if light.mean() > _DARKEST:
                found[kind].append(_structure(light))
    found = {kind: pictures[judged::2] for kind, pictures in found.items()}
    if not found["live"] or not found["dead"]:
        raise ValueError(f"{folder}: no usable pictures of live or of dead reef")
    return Textures(live=tuple(found["live"]), dead=tuple(found["dead"]))


def _structure(light: Field) -> Field:
    """Brightness over that of the surroundings, its colour halved: the water tinted it."""
    wide = np.asarray(cv2.GaussianBlur(light, (0, 0), _WIDE_PX), np.float32)
    share = np.clip((light + 0.01) / (wide + 0.01), 0.3, 2.5)
    grey = share.mean(axis=2, keepdims=True)
    return np.asarray(0.5 * share + 0.5 * grey, np.float32)
