"""Body plans that only held-out tiles show."""

from collections.abc import Callable

import numpy as np

from phantoms.fields import wavy
from phantoms.traced.form import Form, Ground2D, nearest, smoothstep
from phantoms.traced.plans import scattered, sprout

__all__ = ["HELD_PLANS"]


def _bladders(grid: Ground2D) -> Form:
    """Draw a base hidden under water-filled bubbles."""
    rng, size = grid.rng, grid.radius
    r, angle = grid.polar()
    reach = (r / (size * (0.86 + wavy(rng, angle, amount=0.06)))).astype(np.float32)
    z = rng.uniform(0.1, 0.3) * size * np.sqrt(np.clip(1.1 - np.clip(reach, 0, 1) ** 2, 0, 1))
    bubble = rng.uniform(2.2, 5.5)
    shoots = sprout(
        grid, (reach < 0.97) * 1.0, count=int(min(400, 2.6 * (size / bubble) ** 2)),
        length=1.5 * bubble, radius=0.62 * bubble, droop=0.35, bulge=1.75, knob=1.35,
    )  # fmt: skip
    return Form(
        grid=grid, reach=reach, z=(z + 1.2).astype(np.float32), across=np.clip(reach, 0, 1),
        along=(angle * 3).astype(np.float32), mouth=0 * reach, tip=smoothstep(0.85, 1, reach),
        flesh=np.full_like(reach, rng.uniform(1, 2.5)), overhang=1.0, shoots=shoots,
    )  # fmt: skip


def _fans(grid: Ground2D) -> Form:
    """Upright folded walls side by side, gaps between."""
    rng, size = grid.rng, grid.radius
    r, angle = grid.polar()
    hull = r / (size * (0.95 + wavy(rng, angle, amount=0.08)))
    turn = rng.uniform(0, np.pi)
    u = grid.x * np.cos(turn) + grid.y * np.sin(turn)
    pitch = rng.uniform(0.32, 0.6) * size
    bent = u + rng.uniform(0.1, 0.3) * pitch * grid.noise(0.3 * size) + 0.05 * pitch * grid.noise(3)
    offset = np.abs((bent / pitch + rng.uniform(0, 1)) % 1 - 0.5) * 2  # 0 on a ridge's middle
    thick = rng.uniform(0.5, 0.8)
    reach = np.maximum(offset / thick, hull).astype(np.float32)
    crest = np.sqrt(np.clip(1 - np.clip(offset / thick, 0, 1) ** 2, 0, 1))
    z = (
        rng.uniform(0.25, 0.55)
        * size
        * (0.45 + 0.55 * crest)
        * (1.1 - 0.5 * np.clip(hull, 0, 1) ** 2)
    )
    z -= 0.12 * size * np.exp(-((offset / 0.2) ** 2))
    return Form(
        grid=grid, reach=reach, z=z.astype(np.float32),
        across=np.clip(offset / thick, 0, 1).astype(np.float32),
        along=((grid.y * np.cos(turn) - grid.x * np.sin(turn)) / 4).astype(np.float32),
        mouth=np.exp(-((offset / 0.09) ** 2)) * (grid.noise(4) > 0.6),
        tip=smoothstep(0.75, 0.95, reach), flesh=np.full_like(reach, rng.uniform(1, 3)), waist=1.0,
        overhang=rng.uniform(0, 0.05) * size,
    )  # fmt: skip


def _wheel(grid: Ground2D) -> Form:
    """Draw a closed ribbon round an open middle."""
    rng, size = grid.rng, grid.radius
    r, angle = grid.polar()
    path = size * (0.62 + wavy(rng, angle, amount=rng.uniform(0.05, 0.13)))
    half = size * rng.uniform(0.2, 0.33) * (1 + wavy(rng, angle, amount=0.12))
    side = (r - path) / half
    reach = np.abs(side).astype(np.float32)
    folds = int(rng.integers(14, 40))
    crest = np.sqrt(np.clip(1 - np.clip(reach, 0, 1) ** 2.4, 0, 1))
    z = rng.uniform(0.25, 0.5) * size * (0.35 + 0.65 * crest) - 0.14 * size * np.exp(
        -((side / 0.3) ** 2)
    )
    z += 0.03 * size * np.cos(folds * angle) * smoothstep(0.3, 0.9, reach)
    return Form(
        grid=grid, reach=reach, z=z.astype(np.float32), across=np.clip(reach, 0, 1),
        along=(folds * angle / (2 * np.pi)).astype(np.float32),
        mouth=np.exp(-((side / 0.12) ** 2)) * (np.cos(6 * angle) > 0.55),
        tip=smoothstep(0.75, 0.95, reach), flesh=np.full_like(reach, rng.uniform(0.04, 0.1) * size),
        waist=1.0, overhang=rng.uniform(0, 0.06) * size,
    )  # fmt: skip


def _star(grid: Ground2D) -> Form:
    """Arms from one middle, fringed with short tentacles."""
    rng, size = grid.rng, grid.radius
    r, angle = grid.polar()
    arms = int(rng.integers(4, 9))
    wave = np.cos(arms * (angle - rng.uniform(0, 6)) + 0.8 * grid.noise(0.5 * size))
    outline = size * (0.7 + rng.uniform(0.12, 0.26) * wave + wavy(rng, angle, amount=0.03))
    reach = (r / outline).astype(np.float32)
    body = np.sqrt(np.clip(1 - np.clip(reach, 0, 1) ** 2, 0, 1))
    z = size * (0.12 + rng.uniform(0.15, 0.35) * body + 0.06 * wave * smoothstep(0.2, 0.7, reach))
    z -= 0.12 * size * np.exp(-((reach / 0.25) ** 2))
    shoots = sprout(
        grid, smoothstep(0.55, 0.8, reach) * (reach < 0.97), count=int(rng.integers(60, 200)),
        length=rng.uniform(0.08, 0.2) * size, radius=rng.uniform(0.6, 1.2), droop=1.0, bulge=0.9,
        knob=0.5,
    )  # fmt: skip
    return Form(
        grid=grid, reach=reach, z=z.astype(np.float32), across=np.clip(reach, 0, 1),
        along=(arms * 3 * angle / (2 * np.pi)).astype(np.float32),
        mouth=np.exp(-((reach / 0.14) ** 4)), tip=smoothstep(0.8, 0.97, reach),
        flesh=np.full_like(reach, rng.uniform(0.05, 0.12) * size), shoots=shoots,
        overhang=rng.uniform(0, 0.1) * size, waist=0.6,
    )  # fmt: skip


def _comb(grid: Ground2D) -> Form:
    """Cells that share their walls over a rounded mound."""
    rng, size = grid.rng, grid.radius
    r, angle = grid.polar()
    hull = r / (size * (0.93 + wavy(rng, angle, amount=0.05)))
    cell = rng.uniform(5, 11)
    at = scattered(rng, 90, 1.05 * size, cell)
    first, second, number, around = nearest(grid, at, np.full(len(at), cell), 0.6)
    wall = 1 - np.clip((second - first) / 0.45, 0, 1)
    z = rng.uniform(0.2, 0.5) * size * np.sqrt(np.clip(1.1 - np.clip(hull, 0, 1) ** 2, 0, 1))
    z += rng.uniform(1, 3) * smoothstep(0, 1, wall.astype(np.float32))
    return Form(
        grid=grid, reach=hull.astype(np.float32), z=z.astype(np.float32),
        across=wall.astype(np.float32), along=(around * 4 / np.pi + number).astype(np.float32),
        mouth=np.exp(-((first / 0.22) ** 4)), tip=smoothstep(0.7, 1, wall.astype(np.float32)),
        flesh=np.full_like(z, rng.uniform(0.6, 1.6), dtype=np.float32), waist=rng.uniform(0.7, 1),
        overhang=rng.uniform(0, 1),
    )  # fmt: skip


HELD_PLANS: dict[str, Callable[[Ground2D], Form]] = {
    "bladders": _bladders,
    "fans": _fans,
    "wheel": _wheel,
    "star": _star,
    "comb": _comb,
}
