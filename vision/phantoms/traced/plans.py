"""Body plans that traced training tiles show: fleshy corals in three dimensions."""

from collections.abc import Callable

import numpy as np

from phantoms.fields import Field, wavy
from phantoms.traced.form import Form, Ground2D, Shoots, blank, nearest, smoothstep

__all__ = ["PLANS", "make_form", "scattered", "sprout"]


def scattered(
    rng: np.random.Generator, count: int, radius: float, gap: float
) -> "np.ndarray[tuple[int, int], np.dtype[np.float64]]":
    """Points in a disc, at least `gap` apart where there is room; shape (<= count, 2)."""
    points: list[np.ndarray[tuple[int], np.dtype[np.float64]]] = []
    for _ in range(count * 30):
        angle, away = rng.uniform(0, 2 * np.pi), radius * np.sqrt(rng.random())
        point = np.array([away * np.cos(angle), away * np.sin(angle)])
        if all(np.hypot(*(point - other)) > gap for other in points):
            points.append(point)
        if len(points) == count:
            break
    return np.array(points)


def sprout(
    grid: Ground2D, where: Field, *, count: int, length: float, radius: float, droop: float,
    bulge: float, knob: float,
) -> Shoots:  # fmt: skip
    """Set shoots on nodes with `where` > 0, denser where it is larger, leaning outwards."""
    rng = grid.rng
    chance = np.clip(where, 0, None).ravel().astype(np.float64)
    chance /= chance.sum()
    # More than wanted, thinned so that roots keep apart.
    picks = rng.choice(chance.size, size=min(count * 4, 2400), replace=True, p=chance)
    row, col = np.divmod(picks, where.shape[1])
    cell = np.floor(np.stack([row, col]) * grid.step / (1.5 * radius)).astype(np.int64)
    _, kept = np.unique(cell[0] * 10_000 + cell[1], return_index=True)
    kept = rng.permutation(kept)[:count]
    row, col = row[kept], col[kept]
    x, y = grid.x[row, col], grid.y[row, col]
    far = np.hypot(x, y) / grid.radius
    size = min(length, 8 * radius) * rng.uniform(0.65, 1.2, len(kept))
    sway = rng.normal(0, 0.25, (len(kept), 2)) + rng.normal(0, 0.25, 2)
    lean = np.stack([x, y], 1) / grid.radius * droop + sway
    lean *= size[:, None]
    rise = size * np.clip(1.05 - 0.75 * far**2 * droop, 0.12, 1)
    return Shoots(
        row=row,
        col=col,
        lean=lean.astype(np.float32),
        rise=rise.astype(np.float32),
        radius=(radius * rng.uniform(0.8, 1.2, len(kept))).astype(np.float32),
        bulge=bulge,
        knob=knob,
    )


def _cushion(grid: Ground2D) -> Form:
    """One fleshy polyp: a swollen ring of folds round a mouth."""
    rng, size = grid.rng, grid.radius
    r, angle = grid.polar(*rng.normal(0, 0.06 * size, 2))
    oval = 1 + rng.uniform(0, 0.22) * np.cos(2 * (angle - rng.uniform(0, 3)))
    outline = size * (0.9 * oval + wavy(rng, angle, amount=rng.uniform(0.02, 0.09)))
    reach = (r / outline).astype(np.float32)
    folds = int(rng.integers(9, 30))
    fold = np.cos(folds * angle + 1.2 * grid.noise(14) + rng.uniform(0, 6))
    high = rng.uniform(0.25, 0.6) * size
    body = np.sqrt(np.clip(1 - np.clip(reach, 0, 1) ** rng.uniform(2, 4), 0, 1))
    z = high * (0.35 + 0.65 * body) - rng.uniform(0.25, 0.6) * high * np.exp(-((reach / 0.3) ** 2))
    z += rng.uniform(0.02, 0.07) * size * fold * smoothstep(0.15, 0.8, reach)
    z += 0.03 * size * grid.noise(0.25 * size)
    slit = angle - rng.uniform(0, 3)
    narrow = 1 + rng.uniform(0, 2) * np.abs(np.sin(slit))
    return Form(
        grid=grid, reach=reach, z=z, across=np.clip(reach, 0, 1),
        along=(folds * angle / (2 * np.pi)).astype(np.float32),
        mouth=np.exp(-((reach * narrow / rng.uniform(0.1, 0.2)) ** 4)),
        tip=smoothstep(0.8, 0.97, reach),
        flesh=np.full_like(reach, rng.uniform(0.06, 0.16) * size),
        overhang=rng.uniform(0, 0.16) * size, waist=rng.uniform(0.4, 0.9),
    )  # fmt: skip


def _knots(grid: Ground2D) -> Form:
    """Several lobes pressed against each other, a mouth in each."""
    rng, size = grid.rng, grid.radius
    count = int(rng.integers(2, 9))
    at = scattered(rng, count, 0.68 * size, size * rng.uniform(0.7, 1.0) / np.sqrt(count))
    own = size * rng.uniform(0.5, 0.75, len(at)) * np.sqrt(2.6 / (len(at) + 1.6))
    reach, second, number, angle = nearest(grid, at, own, rng.uniform(0.5, 2))
    high = (size * rng.uniform(0.18, 0.5, len(at))).astype(np.float32)[number]
    body = np.sqrt(np.clip(1 - np.clip(reach, 0, 1) ** 2.5, 0, 1))
    z = high * (0.3 + 0.7 * body) - 0.4 * high * np.exp(-((reach / 0.35) ** 2))
    folds = int(rng.integers(8, 20))
    z = z + 0.02 * size * np.cos(folds * angle) * smoothstep(0.2, 0.8, reach)
    seam = np.exp(-(((second - reach) / 0.16) ** 2))
    across = np.clip(np.maximum(reach, seam * (reach < 1.3)), 0, 1)
    return Form(
        grid=grid, reach=reach,
        z=np.asarray(grid.soft(z.astype(np.float32), 0.5) - 0.1 * high * seam, np.float32),
        across=across, along=(folds * angle / (2 * np.pi) + number / 3).astype(np.float32),
        mouth=np.exp(-((reach / rng.uniform(0.14, 0.24)) ** 4)), tip=smoothstep(0.75, 0.95, across),
        flesh=np.full_like(reach, rng.uniform(0.04, 0.1) * size),
        overhang=rng.uniform(0, 0.09) * size, order=(number + 0.0).astype(np.float32),
    )  # fmt: skip


def _maze(grid: Ground2D) -> Form:
    """Thick winding walls and valleys over a low dome."""
    rng, size = grid.rng, grid.radius
    r, angle = grid.polar()
    reach = r / (size * (0.95 + wavy(rng, angle, amount=0.06))).astype(np.float32)
    field = grid.noise(rng.uniform(5, 9)) + 0.3 * grid.noise(4)
    wall = np.clip(np.abs(field) / rng.uniform(0.7, 1.0), 0, 1)
    across = np.sqrt(wall)
    high = rng.uniform(0.15, 0.45) * size
    z = high * np.sqrt(np.clip(1.1 - np.clip(reach, 0, 1) ** 2, 0, 1))
    z += rng.uniform(1.2, 3.5) * across
    spots = smoothstep(0.9, 1.6, grid.noise(4)) * (wall < 0.35)
    return Form(
        grid=grid, reach=np.asarray(reach, np.float32), z=z.astype(np.float32), across=across,
        along=(grid.x * 0.3 + grid.noise(6)).astype(np.float32), mouth=spots,
        tip=smoothstep(0.8, 1, across), flesh=np.full_like(z, rng.uniform(0.8, 2.2)),
        overhang=rng.uniform(0, 1.5), waist=rng.uniform(0.6, 1),
    )  # fmt: skip


def _ruffle(grid: Ground2D) -> Form:
    """Draw a long polyp with a pinched waist or a bent spine, its skirt in waves."""
    rng, size = grid.rng, grid.radius
    t = np.linspace(-1, 1, 40)
    spine_x = 0.62 * size * t
    spine_y = size * (rng.normal(0, 0.16) * np.sin(3 * t) + rng.normal(0, 0.25) * t**2)
    width = size * (rng.uniform(0.34, 0.5) + rng.uniform(-0.05, 0.16) * t**2)
    turn = rng.uniform(0, np.pi)
    at = np.stack([
        spine_x * np.cos(turn) - spine_y * np.sin(turn),
        spine_x * np.sin(turn) + spine_y * np.cos(turn),
    ], 1)  # fmt: skip
    reach, _, number, angle = nearest(grid, at, width, 0.3)
    waves = rng.integers(3, 9)
    phase = grid.soft((number / 40).astype(np.float32), 1.5) * waves + angle * waves / 6
    reach = reach * (1 + rng.uniform(0.03, 0.1) * np.cos(2 * np.pi * phase)).astype(np.float32)
    high = rng.uniform(0.2, 0.45) * size
    lift = rng.uniform(0.1, 0.3) * high * np.cos(2 * np.pi * phase)
    z = high * (0.45 + 0.55 * np.sin(np.pi * np.clip(reach, 0, 1) ** 1.4))
    z += lift * smoothstep(0.45, 1, reach) + 0.02 * size * grid.noise(5)
    pits = np.exp(-((reach / 0.12) ** 2)) * smoothstep(
        0.2, 0.9, np.cos(number * rng.uniform(0.4, 0.9))
    )
    return Form(
        grid=grid, reach=reach, z=z.astype(np.float32), across=np.clip(reach, 0, 1),
        along=(phase * rng.integers(2, 5)).astype(np.float32), mouth=pits,
        tip=smoothstep(0.8, 0.96, reach), flesh=np.full_like(reach, rng.uniform(0.05, 0.14) * size),
        overhang=rng.uniform(0.05, 0.2) * size, waist=rng.uniform(0.35, 0.7),
    )  # fmt: skip


def _anemone(grid: Ground2D) -> Form:
    """Draw a disc under a crowd of tentacles."""
    rng, size = grid.rng, grid.radius
    r, angle = grid.polar()
    reach = (r / (size * (0.78 + wavy(rng, angle, amount=0.06)))).astype(np.float32)
    high = rng.uniform(0.15, 0.4) * size
    z = high * (0.4 + 0.6 * np.sqrt(np.clip(1 - np.clip(reach, 0, 1) ** 2, 0, 1)))
    z += 0.03 * size * grid.noise(4)
    bare_middle = rng.choice([0.0, 0.3])
    where = (reach < 0.95) * smoothstep(bare_middle, bare_middle + 0.1, reach + 0.1)
    shoots = sprout(
        grid, where, count=int(rng.integers(120, 400)), length=rng.uniform(0.15, 0.5) * size,
        radius=rng.uniform(0.9, 2.4), droop=rng.uniform(0.3, 1.0), bulge=rng.uniform(0.75, 1.05),
        knob=rng.choice([0.7, 0.9, 1.4]),
    )  # fmt: skip
    return Form(
        grid=grid, reach=reach, z=z.astype(np.float32), across=np.clip(reach, 0, 1),
        along=(angle * 12 / (2 * np.pi)).astype(np.float32),
        mouth=np.exp(-((reach / 0.15) ** 4)), tip=smoothstep(0.85, 1, reach),
        flesh=np.full_like(reach, rng.uniform(0.8, 2.5)), overhang=rng.uniform(0, 1.5),
        shoots=shoots,
    )  # fmt: skip


def _crust(grid: Ground2D) -> Form:
    """Draw a thin wavy plate with many small polyps."""
    rng, size = grid.rng, grid.radius
    r, angle = grid.polar(*rng.normal(0, 0.12 * size, 2))
    outline = size * (0.85 + wavy(rng, angle, amount=rng.uniform(0.05, 0.14)))
    reach = (r / outline).astype(np.float32)
    at = scattered(rng, int(rng.integers(10, 60)), 0.95 * size, rng.uniform(5, 9))
    eye, _, number, around = nearest(grid, at, rng.uniform(1.6, 3.4, len(at)), 0.3)
    bump = np.exp(-(eye**2)) - 0.7 * np.exp(-((eye / 0.35) ** 2))
    z = 1.5 + rng.uniform(0.03, 0.16) * size * (1 - reach) + 0.05 * size * grid.noise(0.5 * size)
    z += rng.uniform(0.5, 2) * bump + 0.25 * grid.noise(3)
    return Form(
        grid=grid, reach=reach, z=z.astype(np.float32),
        across=np.clip(np.minimum(eye / 2.2, 1), 0, 1).astype(np.float32),
        along=(around * 10 / (2 * np.pi) + number).astype(np.float32),
        mouth=np.exp(-((eye / 0.5) ** 4)), tip=smoothstep(0.9, 0.98, reach),
        flesh=np.full_like(reach, rng.uniform(0.4, 1.1)), overhang=rng.uniform(0, 1), waist=0.9,
    )  # fmt: skip


def _stalks(grid: Ground2D) -> Form:
    """Separate round heads, each on its own stalk."""
    rng, size = grid.rng, grid.radius
    head = rng.uniform(0.16, 0.36) * size
    at = scattered(rng, int(rng.integers(4, 22)), size - head, rng.uniform(1.6, 2.3) * head)
    own = head * rng.uniform(0.75, 1.1, len(at))
    reach, _, number, angle = nearest(grid, at, own, rng.uniform(0.1, 0.7))
    level = (rng.uniform(0.2, 0.7, len(at)) * size)[number]
    centre = at.astype(np.float32)[number]
    dome = np.sqrt(np.clip(1 - np.clip(reach, 0, 1) ** 2.6, 0, 1))
    z = level + head * (0.5 * dome - 0.35 * np.exp(-((reach / 0.32) ** 2)))
    folds = int(rng.integers(10, 22))
    z += 0.06 * head * np.cos(folds * angle) * smoothstep(0.2, 0.9, reach)
    return Form(
        grid=grid, reach=reach, z=z.astype(np.float32), across=np.clip(reach, 0, 1),
        along=(folds * angle / (2 * np.pi)).astype(np.float32),
        mouth=np.exp(-((reach / rng.uniform(0.15, 0.3)) ** 4)), tip=smoothstep(0.75, 0.95, reach),
        flesh=np.full_like(reach, rng.uniform(0.1, 0.3) * head),
        anchor=(centre[..., 0], centre[..., 1]),
        overhang=rng.uniform(0, 0.25) * head, waist=rng.uniform(0.6, 0.95),
        order=(rng.permutation(len(at))[number] + 0.3 * grid.noise(4)).astype(np.float32),
    )  # fmt: skip


PLANS: dict[str, Callable[[Ground2D], Form]] = {
    "cushion": _cushion,
    "knots": _knots,
    "maze": _maze,
    "ruffle": _ruffle,
    "anemone": _anemone,
    "crust": _crust,
    "stalks": _stalks,
}


def make_form(plan: str, *, radius_mm: float, rng: np.random.Generator) -> Form:
    """Draw a body of a plan, of about that radius."""
    from phantoms.traced.plans_held import HELD_PLANS

    return {**PLANS, **HELD_PLANS}[plan](blank(rng, radius_mm))
