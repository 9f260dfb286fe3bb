"""Body plans kept for the last figures: packed cups, petals, terraces, a coil."""

import cv2
import numpy as np

from phantoms.body import BODY_PX_MM, Body, Grid, dome, one_piece, polar
from phantoms.fields import Field, smooth_noise, wavy

__all__ = ["coil", "cups", "petals", "terraces"]


def cups(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Draw cups packed wall to wall, each with a sunken middle; they die one after another."""
    pitch = radius_mm * rng.uniform(0.2, 0.38)
    count = int(np.ceil(2.4 * radius_mm / pitch))
    centres = []
    for row in range(-count, count + 1):
        for col in range(-count, count + 1):
            at = np.array([row * 0.87, col + 0.5 * (row % 2)]) * pitch
            at = at + rng.normal(0, 0.14 * pitch, 2)
            if np.hypot(*at) < radius_mm * rng.uniform(0.88, 1.02):
                centres.append(at)
    first, second = np.full(shape, 99.0, np.float32), np.full(shape, 99.0, np.float32)
    number, around = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    for index, (y, x) in enumerate(centres):
        r, angle = polar(shape, at=(y, x))
        closer = r < first
        second = np.where(closer, first, np.minimum(second, r))
        number, around = np.where(closer, index, number), np.where(closer, angle, around)
        first = np.where(closer, r, first)
    wall = np.exp(-(((second - first) / (0.22 * pitch)) ** 2))
    reach = first / (0.62 * pitch)
    relief = (1.5 + 0.5 * rng.random()) * np.clip(reach, 0, 1) ** 2 - 0.9 * wall
    relief += dome(np.clip(polar(shape)[0] / radius_mm, 0, 1), height_mm=0.3 * radius_mm)
    order = rng.permutation(max(len(centres), 1)).astype(np.float32)[number.astype(np.int64)]
    return Body(
        mask=one_piece(reach <= 1),
        relief_mm=relief.astype(np.float32),
        across=np.clip(reach, 0, 1).astype(np.float32),
        along=(around * int(rng.integers(7, 14)) / (2 * np.pi) + number / 3).astype(np.float32),
        mouth=np.exp(-((reach / 0.3) ** 4)).astype(np.float32),
        tip=np.clip(wall, 0, 1).astype(np.float32),
        loss_order=order - 0.5 * np.clip(reach, 0, 1).astype(np.float32),
    )


def petals(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Draw broad petals that lie over one another round a slit-shaped middle."""
    reach, top = np.full(shape, 9.0, np.float32), np.full(shape, -9.0, np.float32)
    phase = np.zeros(shape, np.float32)
    count = int(rng.integers(5, 10))
    turn = rng.uniform(0, 2 * np.pi)
    for index in rng.permutation(count):
        direction = turn + 2 * np.pi * (index + rng.uniform(-0.2, 0.2)) / count
        away = 0.5 * radius_mm * rng.uniform(0.9, 1.1)
        y, x = away * np.sin(direction), away * np.cos(direction)
        r, angle = polar(shape, at=(y, x))
        long = np.cos(angle - direction)
        size = radius_mm * rng.uniform(0.3, 0.48) * (1 + 0.32 * long**2)
        own = r / (size * (1 + wavy(rng, angle, amount=0.04, waves=(3, 9))))
        height = 0.25 * radius_mm * (1 - 0.5 * own**2) + rng.uniform(-1.5, 1.5)
        over = (own <= 1) & (height > top)
        top = np.where(over, height, top)
        phase = np.where(over, r * np.sin(angle - direction) / 1.7 + index / 4, phase)
        reach = np.where(over | (own < reach) & (top < -8), own, reach)
    slit, angle = polar(shape)
    slit = slit * (1 + 2.5 * np.abs(np.sin(angle - turn)))
    relief = np.where(top > -8, top, 0) + 0.2 * np.cos(2 * np.pi * phase)
    relief = cv2.GaussianBlur(relief.astype(np.float32), (0, 0), 3)
    relief = relief - 2.5 * np.exp(-((slit / (0.2 * radius_mm)) ** 2))
    mask = one_piece(reach <= 1)
    return Body(
        mask=mask,
        relief_mm=np.asarray(relief, np.float32),
        across=np.clip(reach, 0, 1).astype(np.float32),
        along=phase.astype(np.float32),
        mouth=np.exp(-((slit / (0.2 * radius_mm)) ** 4)).astype(np.float32),
        tip=np.clip((reach - 0.86) / 0.1, 0, 1).astype(np.float32),
    )


def _laid(line: Field, shape: Grid, width_mm: float) -> Field:
    """Distance from a line (n, 2: x, y mm) in units of half its width."""
    canvas = np.full(shape, 255, np.uint8)
    at = line / BODY_PX_MM + np.array([shape[1], shape[0]]) / 2
    cv2.polylines(canvas, [np.round(at * 16).astype(np.int32)], False, 0, 1, cv2.LINE_8, 4)
    away = cv2.distanceTransform(canvas, cv2.DIST_L2, 5) * np.float32(BODY_PX_MM)
    return np.asarray(away / np.float32(width_mm), np.float32)


def terraces(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Draw shelves one over another with thickened lips, stepped up towards several tops."""
    r, angle = polar(shape)
    reach = r / (radius_mm * (1 + wavy(rng, angle, amount=0.1, waves=(2, 8))))
    hills = smooth_noise(rng, shape, 0.4 * radius_mm / BODY_PX_MM)
    frayed = smooth_noise(rng, shape, 0.1 * radius_mm / BODY_PX_MM)
    level = int(rng.integers(3, 7)) * (1 - reach**2 + 0.2 * hills) + 0.12 * frayed
    tread = level % 1  # 0 at a shelf's lip .. 1 at the wall of the next
    lip = np.exp(-((tread / rng.uniform(0.12, 0.25)) ** 2))
    relief = rng.uniform(0.8, 2) * (np.floor(level) + 0.15 * tread) + 0.5 * lip
    pores = np.clip(2 * (smooth_noise(rng, shape, 1.2 / BODY_PX_MM) - 1.5), 0, 1) * (tread > 0.4)
    return Body(
        mask=one_piece(reach <= 1),
        relief_mm=cv2.GaussianBlur(relief.astype(np.float32), (0, 0), 2),
        across=(1 - tread).astype(np.float32),
        along=(angle * int(rng.integers(9, 24)) / (2 * np.pi) + 0.2 * hills).astype(np.float32),
        mouth=pores.astype(np.float32),
        tip=lip.astype(np.float32),
    )


def coil(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Draw a wall rolled up like a snail's shell, open water between its turns."""
    turns = rng.uniform(1.4, 2.3)
    angle = np.linspace(0, 2 * np.pi * turns, 900)
    out = np.linspace(0.12, 0.84, 900) * (1 + 0.03 * np.sin(7 * angle + rng.uniform(0, 6)))
    angle = angle + rng.uniform(0, 2 * np.pi)
    line = np.stack([out * np.cos(angle), out * np.sin(angle)], axis=1) * radius_mm
    reach = _laid(line, shape, 0.72 * radius_mm / turns * rng.uniform(0.3, 0.42))
    reach = reach / (1 + 0.1 * smooth_noise(rng, shape, 70))
    frill = np.cos(2 * np.pi * reach * 1.5 + 2 * smooth_noise(rng, shape, 25))
    relief = dome(np.clip(reach, 0, 1), height_mm=rng.uniform(2, 5)) + 0.2 * frill
    _, around = polar(shape)
    return Body(
        mask=one_piece(reach <= 1),
        relief_mm=relief.astype(np.float32),
        across=np.clip(reach, 0, 1).astype(np.float32),
        along=(around * 40 / (2 * np.pi) + smooth_noise(rng, shape, 40)).astype(np.float32),
        mouth=np.exp(-((reach / 0.15) ** 2)).astype(np.float32),
        tip=np.clip((reach - 0.8) / 0.15, 0, 1).astype(np.float32),
    )
