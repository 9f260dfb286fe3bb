"""A form clothed: what lives, what is bare, what is overgrown; relief, colour and wetness of it."""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.fields import Field
from phantoms.scene import Lab
from phantoms.traced.form import NODES, Form, Ground2D, smoothstep, streaks
from phantoms.traced.settings import Growth
from polypward.labels import BACKGROUND, BARE, LIVE, OVERGROWN
from polypward_vision.colour.science import SRGB_TO_XYZ_D50, lab_to_xyz

__all__ = ["Fate", "Look", "Skin", "clothe", "linear"]


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Fate:
    """What the specimen has lost: shares of its area, and in which order."""

    bare: float
    overgrown: float
    order: str  # rim, edge, patches, middle, top, heads
    ragged_mm: float
    skeleton: Lab
    septa_mm: float
    growth: Growth


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


def _labels(form: Form, fate: Fate, inside: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint8]:
    grid, rng = form.grid, form.grid.rng
    ragged = fate.ragged_mm * (grid.noise(7) + 0.4 * grid.noise(2))
    if fate.order == "heads" and form.order is not None:
        order = form.order + 0.02 * ragged
    elif fate.order == "edge":
        angle = rng.uniform(0, 2 * np.pi)
        order = grid.x * np.cos(angle) + grid.y * np.sin(angle) + ragged
    elif fate.order == "patches":
        order = grid.noise(rng.uniform(0.15, 0.5) * grid.radius) + 0.08 * ragged
    elif fate.order == "middle":
        order = form.across * grid.radius * 0.5 + ragged
    elif fate.order == "top":
        order = -grid.soft(form.z.astype(np.float32), 2) + 0.6 * ragged
    else:
        whole = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 5) * grid.step
        order = whole + 0.7 * ragged
    labels = np.where(inside, LIVE, BACKGROUND).astype(np.uint8)
    spots = np.flatnonzero(inside)
    ranked = spots[np.argsort(order.ravel()[spots])]
    over = round(fate.overgrown * len(spots))
    gone = round(min(fate.overgrown + fate.bare, 1) * len(spots))
    flat = labels.ravel()
    flat[ranked[:over]] = OVERGROWN
    flat[ranked[over:gone]] = BARE
    if fate.overgrown and rng.random() < 0.4:  # growth also settles in spots on what is bare
        spot = grid.noise(rng.uniform(2, 6)) > rng.uniform(0.4, 1.6)
        flat[ranked[:gone]] = np.where(spot.ravel()[ranked[:gone]], OVERGROWN, flat[ranked[:gone]])
    return labels


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


def _tissue(form: Form, look: Look, skeleton: Field) -> Field:
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
    pale = np.clip(pale, 0, 0.97).astype(np.float32)[..., None]
    # Pale tissue is clear: the skeleton behind it shows, a little creamier.
    return np.asarray(colour * (1 - pale) + skeleton * 0.92 * pale, np.float32)


def clothe(form: Form, look: Look, fate: Fate, *, base_mm: float) -> Skin:
    """Clothe a form that stands `base_mm` over the ground."""
    grid, rng = form.grid, form.grid.rng
    inside = form.reach < 1
    inside[[0, -1]] = inside[:, [0, -1]] = False
    labels = _labels(form, fate, inside)
    live, over = (grid.soft((labels == k).astype(np.float32), 0.35) for k in (LIVE, OVERGROWN))
    gone = np.clip(1 - live, 0, 1) * 1.0
    # Skeleton: lower by the flesh, a cup in each polyp, septa across it.
    fine = streaks(grid, form.across, width_mm=rng.uniform(0.45, 0.9), length_mm=rng.uniform(3, 8))
    comb = np.cos(2 * np.pi * form.along * 2 + 0.5 * grid.noise(4))
    ridge = rng.uniform(0.55, 1) * np.tanh(fine) + rng.uniform(0, 0.6) * np.abs(comb)
    cup = (1 - form.across) ** 2 * rng.uniform(0.2, 0.9) * form.flesh
    septa = fate.septa_mm * ridge * (1 - 0.5 * form.mouth)
    bone = grid.soft(form.z.astype(np.float32), 1.0) - form.flesh - cup
    grown = fate.growth
    fuzz = grown.fuzz_mm * (0.8 * grid.noise(0.35) + grid.noise(grown.tuft_mm * 0.6))
    fuzz += grown.fuzz_mm * 1.2 * (grid.noise(grown.tuft_mm) + 1)
    dead = bone + septa * (1 - grown.bury * over) + 0.06 * grid.noise(0.4) + fuzz * over
    # Flesh: as drawn when inflated; drawn in, it sinks to the bone and the septa show.
    full = look.inflated
    alive = full * form.z + (1 - full) * (bone + 0.35 * form.flesh + 0.55 * septa)
    bumps = rng.choice([0.02, 0.05, 0.12]) * rng.uniform(0.5, 1.3)
    alive = alive + bumps * (0.5 * grid.noise(0.8) + 0.9 * grid.noise(rng.uniform(1.4, 3)))
    lip = np.exp(-(((live - 0.7) / 0.25) ** 2)) * gone.max() * min(0.8, 0.3 * form.flesh.mean())
    z = alive * live + dead * gone + np.where(labels == LIVE, lip, 0) * 0.6
    z = np.maximum(z, 0.3) + base_mm
    position = np.stack([grid.x, grid.y, z.astype(np.float32)], axis=2)
    _hang(position, form, inside, live * full, base_mm)
    skeleton = linear(fate.skeleton)
    stain = np.clip(0.25 + 0.25 * grid.noise(5) - 0.35 * np.tanh(ridge), 0, 0.8)[..., None]
    dirty = linear((fate.skeleton[0] - 16, fate.skeleton[1] + 1, fate.skeleton[2] + 8))
    bare = skeleton * (1 - stain) + dirty * stain
    tuft = (0.5 + 0.5 * np.tanh(1.2 * grid.noise(grown.tuft_mm) + 0.6 * grid.noise(0.6)))[..., None]
    growth = linear(grown.first) * tuft + linear(grown.second) * (1 - tuft)
    thin = np.clip((1 - grown.bury) * np.tanh(ridge) * 0.7, 0, 0.6)[..., None]
    growth = growth * (1 - thin) + bare * 0.6 * thin
    growth *= np.clip(1 + 0.13 * grid.noise(0.5), 0.4, 1.6)[..., None]
    tissue = _tissue(form, look, skeleton)
    a, o = live[..., None], np.clip(over, 0, 1)[..., None]
    colour = tissue * a + (1 - a) * (
        bare * (1 - o / np.maximum(1 - a, 1e-3)) + growth * o / np.maximum(1 - a, 1e-3)
    )
    wall = _wall(grid, bare, growth, rng)
    colour = np.where(inside[..., None], colour, wall)
    rough = look.rough * live + 0.75 * gone + 0.1 * over
    wet = rng.uniform(0, 0.5) * look.coat
    coat = look.coat * live + wet * gone * (1 - over)
    coat = np.where(inside, coat, 0.0)
    return Skin(
        position=position, colour=np.clip(colour, 0.003, 0.95).astype(np.float32),
        rough=np.clip(rough, 0.08, 1).astype(np.float32), coat=coat.astype(np.float32),
        labels=labels, inside=inside,
    )  # fmt: skip


def _wall(grid: Ground2D, bare: Field, growth: Field, rng: np.random.Generator) -> Field:
    """Sides and underside: old skeleton, stained or overgrown."""
    share = np.clip(rng.uniform(-0.5, 1.5) + 0.7 * grid.noise(5), 0, 1)[..., None]
    return np.asarray(0.75 * bare * (1 - share) + growth * share, np.float32)


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
    count = sum(
        skin.inside[r : NODES - 1 + r, c : NODES - 1 + c].astype(np.uint8)
        for r in (0, 1)
        for c in (0, 1)
    )
    corner = np.max(
        [
            skin.labels[r : NODES - 1 + r, c : NODES - 1 + c] * 0
            + skin.labels[: NODES - 1, : NODES - 1]
            for r, c in ((0, 0),)
        ],
        axis=0,
    )
    return np.where(np.asarray(count) >= 4, corner, BACKGROUND).astype(np.uint8)
