"""A form clothed: what lives, what is bare, what is overgrown; relief, colour and wetness of it."""

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.fields import Field
from phantoms.scene import Lab
from phantoms.traced.fate import Fate, fated
from phantoms.traced.form import Form, Ground2D, smoothstep, streaks
from polypward.labels import BACKGROUND, LIVE, OVERGROWN
from polypward_vision.colour.science import SRGB_TO_XYZ_D50, lab_to_xyz

__all__ = ["Look", "Skin", "cells", "clothe", "linear"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Colours (Lab D50) and surface of living tissue."""

    main: Lab
    second: Lab
    mouth: Lab
    tip: Lab
    pattern: str
    contrast: float
    paling: float
    coat: float  # strength of the wet coat, 0..1
    rough: float
    inflated: float  # 0 drawn in, 1 full
    speckle: float


@dataclass(slots=True, kw_only=True)
class Skin:
    """Fields (NODES, NODES[, 3]) of the clothed body; positions in mm, colours linear sRGB."""

    position: Field
    colour: Field
    rough: Field
    coat: Field
    labels: npt.NDArray[np.uint8]
    inside: npt.NDArray[np.bool_]


def linear(lab: npt.ArrayLike) -> Field:
    """Linear sRGB of CIELAB D50, kept to what a surface can reflect."""
    xyz = np.asarray(lab_to_xyz(np.asarray(lab, np.float64)))
    return np.clip(xyz @ np.linalg.inv(SRGB_TO_XYZ_D50).T, 0.004, 0.93).astype(np.float32)


def _pattern(grid: Ground2D, form: Form, look: Look) -> Field:
    if look.pattern == "stripes":
        field = 0.5 + 0.5 * np.tanh(2 * np.cos(2 * np.pi * form.along) + 0.4 * grid.noise(3))
    elif look.pattern == "rings":
        field = 0.5 + 0.5 * np.tanh(2.5 * np.cos(9 * form.across + 0.7 * grid.noise(8)))
    elif look.pattern == "mottled":
        field = 0.5 + 0.5 * np.tanh(0.9 * grid.noise(1.3) + 0.9 * grid.noise(5))
    elif look.pattern == "ridges":
        field = smoothstep(0.35, 0.75, form.across + 0.08 * grid.noise(3))
    else:
        field = 0.25 + 0.15 * grid.noise(8)
    return np.asarray(np.clip(look.contrast * field, 0, 1), np.float32)


def _tissue(form: Form, look: Look, skeleton: Field, ridge: Field) -> Field:
    """Colour of living tissue, linear, (NODES, NODES, 3)."""
    grid = form.grid
    main, second, mouth, tip = (linear(c) for c in (look.main, look.second, look.mouth, look.tip))
    mix = _pattern(grid, form, look)[..., None]
    colour = main * (1 - mix) + second * mix
    for weight, other in ((form.tip * 0.8, tip), (form.mouth, mouth)):
        share = np.clip(weight, 0, 1).astype(np.float32)[..., None]
        colour = colour * (1 - share) + other * share
    grain = 1 + look.speckle * (grid.noise(0.5) + 0.7 * grid.noise(1.4))
    colour = colour * np.clip(grain, 0.35, 1.8)[..., None]
    pale = look.paling * (1 + 0.35 * (1 - look.paling) * grid.noise(7))
    # Drawn in, tissue is thin over the septa, and they shine through.
    pale = pale + 0.22 * (1 - look.inflated) * np.clip(ridge, 0, 1.5)
    pale = np.clip(pale, 0, 0.97)[..., None]
    return np.asarray(colour * (1 - pale) + skeleton * 0.92 * pale, np.float32)


def _ridges(form: Form, rng: np.random.Generator) -> Field:
    """Septa: about -1 in the gaps to 1 on the walls."""
    fine = streaks(
        form.grid, form.across, width_mm=rng.uniform(0.45, 0.9), length_mm=rng.uniform(3, 8)
    )
    comb = np.abs(np.cos(2 * np.pi * form.along * 2 + 0.5 * form.grid.noise(4)))
    ridge = rng.uniform(0.55, 1) * np.tanh(fine) + rng.uniform(0, 0.6) * comb
    return np.asarray(ridge, np.float32)


def _dead(fate: Fate, grid: Ground2D, ridge: Field) -> tuple[Field, Field]:
    """Colours of bare skeleton and of growth, linear, (NODES, NODES, 3)."""
    stain = np.clip(0.25 + 0.25 * grid.noise(5) - 0.35 * np.tanh(ridge), 0, 0.8)[..., None]
    dirty = linear((fate.skeleton[0] - 16, fate.skeleton[1] + 1, fate.skeleton[2] + 8))
    bare = linear(fate.skeleton) * (1 - stain) + dirty * stain
    grown = fate.growth
    tuft = 0.5 + 0.5 * np.tanh(1.2 * grid.noise(grown.tuft_mm) + 0.6 * grid.noise(0.6))
    growth = linear(grown.first) * tuft[..., None] + linear(grown.second) * (1 - tuft[..., None])
    thin = np.clip((1 - grown.bury) * np.tanh(ridge) * 0.7, 0, 0.6)[..., None]
    growth = growth * (1 - thin) + bare * 0.6 * thin
    growth = growth * np.clip(1 + 0.13 * grid.noise(0.5), 0.4, 1.6)[..., None]
    return bare.astype(np.float32), growth.astype(np.float32)


def clothe(
    form: Form, look: Look, fate: Fate, *, base_mm: float, laid: Mapping[str, Field] | None = None
) -> Skin:
    """Clothe a form that stands `base_mm` over the ground.

    `laid` may hold factors (NODES, NODES, 3) of real structure for ``"live"`` and ``"dead"``.
    """
    grid, rng = form.grid, form.grid.rng
    real = {kind: np.ones((1, 1, 3), np.float32) for kind in ("live", "dead")} | dict(laid or {})
    inside: npt.NDArray[np.bool_] = form.reach < 1
    inside[[0, -1]] = inside[:, [0, -1]] = False
    labels = fated(form, fate, inside)
    whole = np.maximum(grid.soft(inside.astype(np.float32), 0.35), 1e-3)
    live, over = (
        np.clip(grid.soft((labels == label).astype(np.float32), 0.35) / whole, 0, 1)
        for label in (LIVE, OVERGROWN)
    )
    live, over = live * inside, over * inside
    gone = 1 - live
    ridge = _ridges(form, rng)
    # Skeleton: lower by the flesh, a cup in each polyp, septa across it, growth on it.
    cup = (1 - form.across) ** 2 * rng.uniform(0.2, 0.9) * form.flesh
    bone = grid.soft(form.z, 1.0) - form.flesh - cup
    septa = fate.septa_mm * ridge * (1 - 0.5 * form.mouth)
    grown = fate.growth
    fuzz = 0.8 * grid.noise(0.35) + grid.noise(grown.tuft_mm * 0.6)
    fuzz = grown.fuzz_mm * (fuzz + 1.2 * (grid.noise(grown.tuft_mm) + 1))
    dead = bone + septa * (1 - grown.bury * over) + 0.06 * grid.noise(0.4) + fuzz * over
    dead = dead + 0.35 * over * np.log(real["dead"]).mean(axis=2)
    # Flesh: as drawn when inflated; drawn in, it sinks to the bone and the septa show.
    full = look.inflated
    alive = full * form.z + (1 - full) * (bone + 0.35 * form.flesh + 0.55 * septa)
    bumps = rng.choice([0.02, 0.05, 0.12]) * rng.uniform(0.5, 1.3)
    alive = alive + bumps * (0.5 * grid.noise(0.8) + 0.9 * grid.noise(rng.uniform(1.4, 3)))
    alive = alive + 0.3 * np.log(real["live"]).mean(axis=2)
    # Flesh that has drawn back from a wound ends in a rounded lip.
    lip = np.exp(-(((live - 0.7) / 0.25) ** 2)) * (live < 0.99) * (labels == LIVE)
    alive = alive + lip * min(0.5, 0.18 * float(form.flesh.mean()))
    z = np.maximum(alive * live + dead * gone, 0.3) + base_mm
    position = np.stack([grid.x, grid.y, z.astype(np.float32)], axis=2)
    _hang(position, form, inside, np.asarray(live * full, np.float32), base_mm)
    bare, growth = _dead(fate, grid, ridge)
    tissue = _tissue(form, look, linear(fate.skeleton), ridge)
    tissue, growth = tissue * real["live"], growth * real["dead"]
    bones = np.clip(1 - live - over, 0, 1)
    colour = tissue * live[..., None] + growth * over[..., None] + bare * bones[..., None]
    # Sides and underside: old skeleton, stained or overgrown.
    share = np.clip(rng.uniform(-0.5, 1.5) + 0.7 * grid.noise(5), 0, 1)[..., None]
    wall = 0.75 * bare * (1 - share) + growth * share
    colour = np.where(inside[..., None], colour, wall)
    rough = look.rough * live + 0.75 * gone + 0.1 * over
    coat = look.coat * live + rng.uniform(0, 0.5) * look.coat * gone * (1 - over)
    return Skin(
        position=position,
        colour=np.clip(colour, 0.003, 0.95).astype(np.float32),
        rough=np.clip(rough, 0.08, 1).astype(np.float32),
        coat=(coat * inside).astype(np.float32),
        labels=labels,
        inside=inside,
    )


def _hang(
    position: Field, form: Form, inside: npt.NDArray[np.bool_], swollen: Field, base_mm: float
) -> None:
    """Let the rim hang out, and draw what is outside in below it; changes `position`."""
    grid = form.grid
    near = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 5) * grid.step
    away = cv2.distanceTransform((~inside).astype(np.uint8), cv2.DIST_L2, 5)
    smooth = grid.soft(inside.astype(np.float32), 1.5)
    gx, gy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    size = np.hypot(gx, gy) + 1e-6
    push = form.overhang * swollen * np.exp(-near / max(1.5 * form.overhang, 0.4)) * inside
    push = push * (1 + 0.35 * grid.noise(6))
    position[..., 0] -= push * gx / size
    position[..., 1] -= push * gy / size
    depth = np.clip(away / 4, 0, 1)
    shrink = 1 - (1 - form.waist) * np.minimum(depth * 1.2, 1)
    outside = ~inside
    for axis in (0, 1):
        anchor = np.asarray(form.anchor[axis], np.float32)
        moved = anchor + (position[..., axis] - anchor) * shrink
        position[..., axis] = np.where(outside, moved, position[..., axis])
    rim = cv2.dilate(np.where(inside, position[..., 2], 0).astype(np.float32), np.ones((3, 3)))
    low = np.where(
        away <= 1.5, np.minimum(rim * 0.55, base_mm - 0.2), base_mm * (1 - depth) - 12 * depth
    )
    low = np.where(away > 4, -40.0, low)
    position[..., 2] = np.where(outside, low, position[..., 2])


def cells(skin: Skin) -> npt.NDArray[np.uint8]:
    """Label of every cell of the grid, (NODES - 1, NODES - 1); 0 where a side wall begins."""
    inside, labels = skin.inside, skin.labels
    whole = inside[:-1, :-1] & inside[1:, :-1] & inside[:-1, 1:] & inside[1:, 1:]
    return np.where(whole, labels[:-1, :-1], BACKGROUND).astype(np.uint8)
