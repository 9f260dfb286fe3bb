"""Body plans with holes, notches and gaps, through which ground and plug show."""

import cv2
import numpy as np

from phantoms.body import BODY_PX_MM, Body, Grid, dome, one_piece, polar
from phantoms.fields import Field, grid_mm, smooth_noise, unit_noise, wavy

__all__ = ["fan", "heads", "nested", "ribbon", "ring", "sheet"]


def _skin(rng: np.random.Generator, shape: Grid, reach: Field) -> Field:
    """Relief of a surface: some of folds across the edge, coarse bumps, fine grain."""
    kind = rng.uniform(0, 1, 3) ** 2
    folds = np.cos(2 * np.pi * reach * rng.uniform(1, 4) + 2 * smooth_noise(rng, shape, 60))
    return np.asarray(
        0.6 * kind[0] * folds
        + 0.7 * kind[1] * smooth_noise(rng, shape, rng.uniform(15, 45))
        + 0.25 * kind[2] * smooth_noise(rng, shape, rng.uniform(4, 12)),
        np.float32,
    )


def _body(
    rng: np.random.Generator, reach: Field, along: Field, mouth: Field, *, height_mm: float,
    pieces: bool = False, loss_order: Field | None = None,
) -> Body:  # fmt: skip
    """Make a body of `reach`, which is 0 in the middle of the flesh and 1 at its edge."""
    mask = reach <= 1
    relief = dome(np.clip(reach, 0, 1), height_mm=height_mm) + _skin(rng, mask.shape, reach)
    start = rng.uniform(0.6, 0.9)
    return Body(
        mask=mask if pieces else one_piece(mask),
        relief_mm=np.asarray(relief, np.float32),
        across=np.clip(reach, 0, 1).astype(np.float32),
        along=along.astype(np.float32),
        mouth=mouth.astype(np.float32),
        tip=np.clip((reach - start) / 0.12, 0, 1).astype(np.float32),
        loss_order=loss_order,
    )


def ring(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Draw a swollen ring round an open middle, now and then broken on one side."""
    r, angle = polar(shape)
    r = r / radius_mm * (1 + wavy(rng, angle, amount=rng.uniform(0.02, 0.12), waves=(2, 7)))
    width = rng.uniform(0.14, 0.34)
    middle = 0.97 - width + wavy(rng, angle, amount=rng.uniform(0, 0.06), waves=(2, 6))
    wide = width * (1 + wavy(rng, angle, amount=0.12, waves=(1, 4)))
    reach = np.abs(r - middle) / wide
    if rng.random() < 0.35:
        away = np.angle(np.exp(1j * (angle - rng.uniform(-np.pi, np.pi))))
        reach = np.maximum(reach, rng.uniform(0.25, 0.7) / np.maximum(np.abs(away), 1e-3))
    mouth = np.exp(-((reach / 0.2) ** 2)) * unit_noise(rng, shape, 25)
    return _body(
        rng, reach.astype(np.float32), angle * int(rng.integers(20, 60)) / (2 * np.pi), mouth,
        height_mm=width * radius_mm * rng.uniform(0.3, 0.9),
    )  # fmt: skip


def ribbon(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Draw an open band that wanders across the plate and may cross itself."""
    turn = rng.uniform(0, 2 * np.pi)
    points, at, heading = [], np.array([np.cos(turn), np.sin(turn)]) * rng.uniform(0.2, 0.8), turn
    heading += np.pi + rng.normal(0, 0.6)
    bend = 0.0
    for _ in range(int(rng.integers(90, 260))):
        points.append(at.copy())
        bend = 0.9 * bend + rng.normal(0, 0.06)
        away = float(np.hypot(*at))
        if away > 0.7:  # turn back before the rim
            inward = np.arctan2(-at[1], -at[0])
            bend += 0.12 * float(np.sin(inward - heading))
        heading += bend
        at = at + 0.03 * np.array([np.cos(heading), np.sin(heading)])
        at *= min(1.0, 0.84 / max(float(np.hypot(*at)), 1e-6))
    line = np.array(points) * radius_mm / BODY_PX_MM + np.array([shape[1], shape[0]]) / 2
    canvas = np.full(shape, 255, np.uint8)
    cv2.polylines(canvas, [np.round(line * 16).astype(np.int32)], False, 0, 1, cv2.LINE_8, 4)
    away_mm = cv2.distanceTransform(canvas, cv2.DIST_L2, 5) * BODY_PX_MM
    width = rng.uniform(0.1, 0.24) * radius_mm * (1 + 0.18 * smooth_noise(rng, shape, 60))
    reach = np.asarray(away_mm / np.maximum(width, 0.5), np.float32)
    y, x = grid_mm(shape, BODY_PX_MM)
    mouth = np.exp(-((reach / 0.22) ** 2)) * unit_noise(rng, shape, 20)
    along = (np.hypot(x + radius_mm, y) + 2 * smooth_noise(rng, shape, 50)) / rng.uniform(1.2, 3)
    return _body(rng, reach, along, mouth, height_mm=rng.uniform(1.5, 6))


def heads(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Draw heads of unlike size strewn over the plate, most of them apart; they die one by one."""
    reach = np.full(shape, 9.0, np.float32)
    along, number = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    taken: list[tuple[float, float, float]] = []
    for _ in range(200):
        size = radius_mm * rng.uniform(0.14, 0.42)
        away, angle = (radius_mm - size) * np.sqrt(rng.random()), rng.uniform(0, 2 * np.pi)
        y, x = away * np.sin(angle), away * np.cos(angle)
        if all(np.hypot(y - a, x - b) > 0.92 * (size + c) for a, b, c in taken):
            taken.append((y, x, size))
        if len(taken) >= 14:
            break
    for index, (y, x, size) in enumerate(taken):
        r, around = polar(shape, at=(y, x))
        wave = wavy(rng, around, amount=rng.uniform(0.02, 0.12))
        near = (r / (size * (1 + wave))).astype(np.float32)
        closer = near < reach
        reach = np.where(closer, near, reach)
        along = np.where(closer, around * int(rng.integers(8, 24)) / (2 * np.pi), along)
        number = np.where(closer, index, number)
    order = rng.permutation(len(taken)).astype(np.float32)[number.astype(np.int64)]
    mouth = np.exp(-((reach / rng.uniform(0.12, 0.3)) ** 4))
    return _body(
        rng, reach, along, mouth, height_mm=0.15 * radius_mm * rng.uniform(0.3, 1), pieces=True,
        loss_order=order - 0.6 * np.clip(reach, 0, 1),
    )  # fmt: skip


def nested(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Draw walls inside one another, ground between them: rings, arms or a maze of noise."""
    r, angle = polar(shape)
    r = r / radius_mm * (1 + wavy(rng, angle, amount=rng.uniform(0, 0.08), waves=(2, 7)))
    walls = rng.uniform(1.6, 4.2)
    if rng.random() < 0.65:
        arms = int(rng.choice([-3, -2, 0, 0, 0, 2, 3]))
        turn = walls * r + arms * angle / (2 * np.pi) + rng.random()
        turn = turn + rng.uniform(0, 0.35) * smooth_noise(rng, shape, 60)
        away = 2 * np.abs(turn % 1 - 0.5)
    else:
        field = smooth_noise(rng, shape, radius_mm / BODY_PX_MM / walls / 2)
        away = 0.6 * np.abs(field)
    wide = rng.uniform(0.4, 0.8) * (1 + 0.15 * smooth_noise(rng, shape, 60))
    gaps = np.clip(smooth_noise(rng, shape, 60) - rng.uniform(0.8, 2.5), 0, 1)
    reach = np.asarray(np.maximum(away / wide + 3 * gaps, (r / 0.97) ** 12), np.float32)
    mouth = np.exp(-((reach / 0.25) ** 2)) * unit_noise(rng, shape, 20)
    along = (radius_mm * r * angle + 2 * smooth_noise(rng, shape, 50)) / rng.uniform(1.2, 3)
    return _body(
        rng, reach, np.asarray(along, np.float32), mouth, pieces=True,
        height_mm=radius_mm / walls / 2 * rng.uniform(0.3, 0.9),
    )  # fmt: skip


def sheet(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Draw a body of no plan at all: what is left of noise over a level, holes and bays in it."""
    r, angle = polar(shape)
    size = radius_mm / BODY_PX_MM * rng.uniform(0.15, 0.7)
    field = smooth_noise(rng, shape, size) + 0.25 * smooth_noise(rng, shape, size / 3)
    level = rng.uniform(0.4, 1.5)
    reach = (r / radius_mm) ** 3 + rng.uniform(0.15, 0.45) * (field + 1 - level)
    whole = one_piece(reach <= 1)
    inside = cv2.distanceTransform(whole.astype(np.uint8), cv2.DIST_L2, 5) * BODY_PX_MM
    depth = max(float(np.quantile(inside[whole], 0.9)), 0.5)
    across = np.where(whole, 1 - np.clip(inside / depth, 0, 1), 2)
    mouth = np.clip(smooth_noise(rng, shape, rng.uniform(12, 40)) - 1.3, 0, 1)
    y, x = grid_mm(shape, BODY_PX_MM)
    along = (x * np.cos(angle[0, 0]) + y + 3 * smooth_noise(rng, shape, 60)) / rng.uniform(1.5, 5)
    return _body(
        rng, across.astype(np.float32), along, mouth, height_mm=depth * rng.uniform(0.1, 0.8)
    )


def fan(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Draw a fan: a sector with deep notches in its rim, thin towards the foot."""
    foot = np.array([0.75 * radius_mm, 0.0])
    turn = rng.uniform(0, 2 * np.pi)
    at = (foot[0] * np.sin(turn), foot[0] * np.cos(turn))
    r, angle = polar(shape, at=at)
    towards = np.angle(np.exp(1j * (angle - turn - np.pi)))
    half = rng.uniform(0.5, 1.1)
    rim = 1.55 * radius_mm * (0.92 + wavy(rng, angle, amount=0.08, waves=(6, 18)))
    notch = np.clip(np.cos(towards * int(rng.integers(4, 10)) + rng.uniform(0, 6)), 0, 1) ** 8
    rim *= 1 - rng.uniform(0.1, 0.5) * notch
    reach = np.maximum(r / rim, np.abs(towards) / half)
    mouth = np.zeros(shape, np.float32)
    return _body(
        rng, reach.astype(np.float32), towards * int(rng.integers(12, 40)) / 2, mouth,
        height_mm=rng.uniform(1, 5),
    )  # fmt: skip
