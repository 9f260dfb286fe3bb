"""Grounds drawn directly in Lab, of patterns and colours from anywhere, for training."""

from collections.abc import Callable

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree
from scipy.special import expit

from phantoms.fields import smooth_noise
from phantoms.natural_grounds import pictured, stones

__all__ = ["ground", "textured"]

Array = npt.NDArray[np.float32]
Shape = tuple[int, int]


def textured(
    rng: np.random.Generator, shape: Shape, lab: Array, *, grain: float, size_px: float
) -> Array:
    """Draw a surface of one colour with relief (lightness) and a little change of hue."""
    out = np.empty((*shape, 3), np.float32)
    out[:] = lab
    out[..., 0] += grain * smooth_noise(rng, shape, size_px) + grain / 2 * smooth_noise(
        rng, shape, size_px * 3
    )
    for channel in (1, 2):
        out[..., channel] += grain / 4 * smooth_noise(rng, shape, size_px * 2)
    return out


def _turned(rng: np.random.Generator, shape: Shape, *, bent_px: float = 0.0) -> tuple[Array, Array]:
    """Coordinates in pixels along and across a random direction, bent by noise."""
    row, col = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    turn = rng.uniform(0, np.pi)
    along, across = np.cos(turn) * row + np.sin(turn) * col, np.cos(turn) * col - np.sin(turn) * row
    if bent_px:
        size_px = rng.uniform(0.1, 0.5) * max(shape)
        along = along + bent_px * smooth_noise(rng, shape, size_px)
        across = across + bent_px * smooth_noise(rng, shape, size_px)
    return np.asarray(along, np.float32), np.asarray(across, np.float32)


# A pattern says how much of the second colour each pixel has, 0..1; lengths in pixels.


def _veins(rng: np.random.Generator, shape: Shape, mm: float) -> Array:
    field = smooth_noise(rng, shape, rng.uniform(3, 30) * mm)
    field = field + rng.uniform(0, 0.5) * smooth_noise(rng, shape, rng.uniform(1, 5) * mm)
    return np.asarray(np.exp(-((field / rng.uniform(0.03, 0.5)) ** 2)), np.float32)


def _swirls(rng: np.random.Generator, shape: Shape, mm: float) -> Array:
    pitch = rng.uniform(1.5, 25) * mm
    along, _ = _turned(rng, shape, bent_px=rng.uniform(0, 2) * pitch)
    return np.asarray((0.5 + 0.5 * np.sin(2 * np.pi * along / pitch)) ** rng.uniform(0.3, 4))


def _patches(rng: np.random.Generator, shape: Shape, mm: float) -> Array:
    field = smooth_noise(rng, shape, rng.uniform(2, 35) * mm)
    field = field + rng.uniform(0, 0.4) * smooth_noise(rng, shape, rng.uniform(0.5, 4) * mm)
    sharp = rng.uniform(1, 30)
    return np.asarray(expit(sharp * (field - rng.uniform(-1, 1))), np.float32)


def _weave(rng: np.random.Generator, shape: Shape, mm: float) -> Array:
    pitch = rng.uniform(0.5, 4) * mm
    along, across = _turned(rng, shape, bent_px=rng.uniform(0, 1) * pitch)
    wave = np.sin(2 * np.pi * along / pitch) * np.sin(2 * np.pi * across / pitch)
    return np.asarray(0.5 + 0.5 * np.tanh(rng.uniform(0.5, 6) * wave), np.float32)


def _bars(rng: np.random.Generator, shape: Shape, mm: float) -> Array:
    pitch, share = rng.uniform(3, 40) * mm, rng.uniform(0.05, 0.6)
    along, across = _turned(rng, shape, bent_px=rng.uniform(0, 0.1) * pitch)
    lines = along / pitch % 1 < share
    if rng.random() < 0.5:
        lines |= across / (pitch * rng.choice([1.0, rng.uniform(0.4, 2.5)])) % 1 < share
    soft = rng.uniform(0.05, 0.6) * mm
    return np.asarray(cv2.GaussianBlur(lines.astype(np.float32), (0, 0), soft), np.float32)


def _holes(rng: np.random.Generator, shape: Shape, mm: float) -> Array:
    pitch = rng.uniform(3, 18) * mm
    along, across = _turned(rng, shape)
    shift = 0.5 * (np.floor(along / pitch) % 2) * (rng.random() < 0.5)
    y, x = along / pitch % 1 - 0.5, (across / pitch + shift) % 1 - 0.5
    away = np.hypot(y, x) if rng.random() < 0.7 else np.maximum(np.abs(y), np.abs(x))
    sharp = rng.uniform(10, 60)
    return np.asarray(expit(sharp * (rng.uniform(0.15, 0.42) - away)), np.float32)


def _nearest(rng: np.random.Generator, shape: Shape, size_px: float) -> tuple[Array, Array]:
    """Distance to the nearest and to the second nearest of scattered points over `size_px`.

    Worley 1996, SIGGRAPH 291-294.
    """
    count = max(4, int(1.4 * shape[0] * shape[1] / size_px**2))
    points = rng.uniform(-0.1, 1.1, (count, 2)) * np.array(shape)
    bent = rng.uniform(0, 0.25) * size_px
    row, col = np.mgrid[: shape[0] : 2, : shape[1] : 2].astype(np.float32)
    half = row.shape
    where = np.stack(
        [
            row + bent * smooth_noise(rng, half, max(size_px / 2, 2)),
            col + bent * smooth_noise(rng, half, max(size_px / 2, 2)),
        ],
        axis=-1,
    )
    away, _ = cKDTree(points).query(where.reshape(-1, 2), k=2)
    one, two = (
        cv2.resize(away[:, k].reshape(half).astype(np.float32) / size_px, shape[::-1])
        for k in range(2)
    )
    return np.asarray(one, np.float32), np.asarray(two, np.float32)


def _cells(rng: np.random.Generator, shape: Shape, mm: float) -> Array:
    one, two = _nearest(rng, shape, rng.uniform(2, 25) * mm)
    if rng.random() < 0.5:  # joints between flags
        return np.asarray(np.exp(-(((two - one) / rng.uniform(0.03, 0.25)) ** 2)), np.float32)
    return np.asarray(np.clip(1 - one * rng.uniform(0.8, 2), 0, 1), np.float32)


def _lit(rng: np.random.Generator, shape: Shape, mm: float) -> Array:
    """Light from the side on something uneven."""
    field = smooth_noise(rng, shape, rng.uniform(2, 25) * mm)
    field += rng.uniform(0, 0.5) * smooth_noise(rng, shape, rng.uniform(0.5, 3) * mm)
    down, right = np.gradient(field)
    turn = rng.uniform(0, 2 * np.pi)
    slope = np.cos(turn) * down + np.sin(turn) * right
    return np.asarray(
        0.5 + 0.5 * np.tanh(slope / max(float(slope.std()), 1e-6) * rng.uniform(0.3, 1.5))
    )


PATTERNS: dict[str, Callable[[np.random.Generator, Shape, float], Array]] = {
    "veins": _veins,
    "swirls": _swirls,
    "patches": _patches,
    "weave": _weave,
    "bars": _bars,
    "holes": _holes,
    "cells": _cells,
    "lit": _lit,
}


def _colour(rng: np.random.Generator) -> Array:
    """Neutral stuff as often as coloured."""
    chroma = rng.uniform(0, 6) if rng.random() < 0.5 else rng.uniform(4, 38)
    hue = rng.uniform(0, 2 * np.pi)
    return np.array([rng.uniform(8, 95), chroma * np.cos(hue), chroma * np.sin(hue)], np.float32)


def _patterned(rng: np.random.Generator, shape: Shape, px_mm: float) -> Array:
    """Draw one to three patterns over one another."""
    first = _colour(rng)
    grain = rng.uniform(0, 3) if rng.random() < 0.7 else rng.uniform(2, 8)
    out = textured(rng, shape, first, grain=grain, size_px=rng.uniform(0.3, 2) / px_mm)
    for _ in range(rng.choice([1, 2, 3], p=[0.5, 0.35, 0.15])):
        second = _colour(rng)
        if rng.random() < 0.6:  # the same stuff, lighter or darker
            second = first + rng.normal(0, (16, 4, 4)).astype(np.float32)
        share = PATTERNS[str(rng.choice(list(PATTERNS)))](rng, shape, 1 / px_mm)
        share = (rng.uniform(0.3, 1) * share)[..., None]
        over = textured(
            rng, shape, second, grain=rng.uniform(0, 3), size_px=rng.uniform(0.3, 2) / px_mm
        )
        out = out * (1 - share) + over * share
    return np.asarray(out, np.float32)


def _strew(rng: np.random.Generator, lab: Array, px_mm: float) -> None:
    """Lay straight things on the ground: rods, cables, the corner of a box."""
    shape = lab.shape[:2]
    for _ in range(int(rng.integers(1, 4))):
        along, across = _turned(rng, shape)
        middle = rng.uniform(0.0, 1.0) * np.array(shape)
        x = across - across[int(middle[0]) - 1, int(middle[1]) - 1]
        width = rng.uniform(0.5, 7) / px_mm
        if rng.random() < 0.35:  # a box's side fills all beyond an edge
            there, across_it = x > 0, np.clip(x / (20 / px_mm), 0, 1)
        else:
            there, across_it = np.abs(x) < width, x / width
        if rng.random() < 0.4:
            there &= along > along[int(middle[0]) - 1, int(middle[1]) - 1]
        round_ = 12 * np.sqrt(np.clip(1 - across_it**2, 0, 1)) + 6 * across_it
        thing = np.empty_like(lab)
        thing[:] = _colour(rng)
        thing[..., 0] += rng.uniform(0, 1.5) * round_
        lab[there] = thing[there]


def _shade(rng: np.random.Generator, lab: Array, px_mm: float) -> None:
    """Let a shadow's edge, or the bright net under waves, lie on the ground."""
    shape = lab.shape[:2]
    if rng.random() < 0.6:
        along, _ = _turned(rng, shape, bent_px=rng.uniform(0, 6) / px_mm)
        edge = along - rng.choice(along.ravel())
        much = expit(edge * px_mm / rng.uniform(0.3, 4))
        lab[..., 0] *= 1 - rng.uniform(0.1, 0.6) * much
        return
    net = _veins(rng, shape, 1 / px_mm)
    lab[..., 0] += rng.uniform(4, 18) * net


def _plain(rng: np.random.Generator, shape: Shape, px_mm: float) -> Array:
    """Draw what lies under holding tables most: paper, plastic, sand, a grid, rock."""
    kind = rng.choice(
        ["paper", "grey", "dark", "blue", "sand", "grid", "rock", "pebbles"],
        p=[0.16, 0.12, 0.1, 0.12, 0.1, 0.2, 0.1, 0.1],
    )
    lightness, chroma = {
        "paper": (rng.uniform(82, 96), rng.uniform(0, 4)),
        "grey": (rng.uniform(35, 80), rng.uniform(0, 5)),
        "dark": (rng.uniform(8, 35), rng.uniform(0, 8)),
        "blue": (rng.uniform(30, 65), rng.uniform(10, 35)),
        "sand": (rng.uniform(60, 85), rng.uniform(4, 14)),
        "grid": (rng.uniform(75, 95), rng.uniform(0, 4)),
        "pebbles": (rng.uniform(30, 75), rng.uniform(0, 14)),
        "rock": (rng.uniform(30, 65), rng.uniform(4, 18)),
    }[str(kind)]
    hue = np.radians(rng.uniform(60, 100))
    if kind == "blue":
        hue = np.radians(rng.uniform(220, 290))
    if kind in ("rock", "pebbles"):
        hue = np.radians(rng.uniform(0, 140))
    lab = np.array([lightness, chroma * np.cos(hue), chroma * np.sin(hue)], np.float32)
    grain = {"sand": rng.uniform(2, 8), "rock": rng.uniform(2, 9)}.get(str(kind), rng.uniform(0, 2))
    out = textured(rng, shape, lab, grain=grain, size_px=rng.uniform(0.3, 1.5) / px_mm)
    if kind in ("pebbles", "rock", "grey", "blue") and rng.random() < 0.6:
        # Stones, stains, algae on the ground: spots of other colours.
        for _ in range(int(rng.integers(1, 4))):
            spots = smooth_noise(rng, shape, rng.uniform(1, 8) / px_mm) > rng.uniform(0.6, 2.2)
            other = [rng.uniform(15, 92), *rng.normal(0, rng.uniform(2, 18), 2)]
            out[spots] = 0.3 * out[spots] + 0.7 * np.array(other, np.float32)
    if kind == "grid":
        pitch, bar = rng.uniform(7, 18) / px_mm, rng.uniform(0.08, 0.3)
        along, across = (part / pitch for part in _turned(rng, shape))
        hole = ((along % 1 > bar) & (across % 1 > bar)).astype(np.float32)
        hole = cv2.GaussianBlur(hole, (0, 0), rng.uniform(0.1, 1.0) / px_mm)[..., None]
        below = np.array([rng.uniform(10, 60), *rng.normal(0, 5, 2)], np.float32)
        deep = textured(rng, shape, below, grain=rng.uniform(0, 6), size_px=rng.uniform(2, 30))
        out = out * (1 - hole) + deep * hole
    return out


def _stony(rng: np.random.Generator, shape: Shape, px_mm: float) -> Array:
    """Draw stones of two colours and what is between, gravel to rubble."""
    first = _colour(rng)
    second = first + rng.normal(0, (14, 4, 5)).astype(np.float32)
    if rng.random() < 0.25:
        second = _colour(rng)
    mix, light = (part[..., None] for part in stones(rng, shape, px_mm))
    out = first * (1 - mix) + second * mix
    # CIELAB of less light: L* + 16, a* and b* by its cube root.
    out[..., 0] += 16
    out *= np.cbrt(light)
    out[..., 0] -= 16
    if rng.random() < 0.3:  # growth here and there
        grown = expit(8 * (smooth_noise(rng, shape, rng.uniform(2, 10) / px_mm) - 1))[..., None]
        other = _colour(rng)
        out += rng.uniform(0.3, 0.9) * grown * (other - first)
    return np.asarray(out, np.float32)


def _photographed(rng: np.random.Generator, shape: Shape, px_mm: float) -> Array:
    """Draw the structure of a photograph in a colour of its own."""
    much = np.array([rng.uniform(0.4, 1.2), *[rng.uniform(0, 1)] * 2], np.float32)
    return np.asarray(_colour(rng) + much * pictured(rng, shape, px_mm), np.float32)


# Kinds of ground and how often each is drawn.
KINDS: dict[Callable[[np.random.Generator, Shape, float], Array], float] = {
    _patterned: 0.34,
    _plain: 0.28,
    _stony: 0.26,
    _photographed: 0.12,
}


def ground(rng: np.random.Generator, shape: Shape, px_mm: float) -> Array:
    """Draw a ground without a specimen: Lab of shape (rows, cols, 3), `px_mm` a pixel's side."""
    kind = rng.choice(len(KINDS), p=list(KINDS.values()))
    out = list(KINDS)[kind](rng, shape, px_mm)
    if rng.random() < 0.2:
        _strew(rng, out, px_mm)
    if rng.random() < 0.25:
        _shade(rng, out, px_mm)
    out[..., 0] = np.clip(out[..., 0], 0, 100)
    return out
