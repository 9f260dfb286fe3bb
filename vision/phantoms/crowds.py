"""Body plans made of many parts: tentacles, bladders, heads on stalks."""

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.body import BODY_PX_MM, Body, Grid, disc_kernel, dome, one_piece, polar
from phantoms.fields import Field, wavy

__all__ = ["branching", "bubbly", "tentacled"]


def tentacled(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Draw a crowd of tentacles with knobs at their ends that hides the skeleton."""
    _, angle = polar(shape)
    count = int(np.clip(0.55 * radius_mm**2, 60, 420))
    place = np.sqrt((np.arange(count) + 0.5) / count)[:, None] * radius_mm * 0.86
    spin = np.arange(count) * np.pi * (3 - np.sqrt(5)) + rng.uniform(0, 6)
    roots = place * np.stack([np.sin(spin), np.cos(spin)], axis=1) + rng.normal(0, 0.6, (count, 2))
    relief = np.zeros(shape, np.float32)
    knob, winner = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    order = rng.permutation(count)
    for rank in order:
        root = roots[rank]
        outward = root / max(float(np.hypot(*root)), 1e-3)
        lean = rng.uniform(1, 4) * outward + rng.normal(0, 1.2, 2)
        thick = rng.uniform(0.9, 1.5) * radius_mm / 22
        for step in np.linspace(0, 1, 7):
            size = thick * (1.35 if step == 1 else 0.95)
            top = 2 + 3.5 * step + rng.uniform(0, 1.5) * (step == 1)
            _stamp(root + lean * step, size, top, step == 1, float(rank), relief, knob, winner)
    mask = one_piece(
        cv2.morphologyEx((relief > 0).astype(np.uint8), cv2.MORPH_CLOSE, disc_kernel(1.6)) > 0
    )
    base = polar(shape)[0] / (radius_mm * 1.05)
    return Body(
        mask=mask,
        relief_mm=relief + dome(np.clip(base, 0, 1), height_mm=3),
        across=np.clip(relief / 7, 0, 1),
        along=(winner * 0.381966) + angle / 6,
        mouth=np.zeros(shape, np.float32),
        tip=cv2.GaussianBlur(knob, (0, 0), 1.2),
    )


def _stamp(
    at: npt.NDArray[np.float64], size: float, top: float, knobbed: bool, rank: float,
    relief: Field, knob: Field, winner: Field,
) -> None:  # fmt: skip
    """Set a ball of `size` mm whose top is `top` mm high into the height map, where it is seen."""
    half = int(np.ceil(size / BODY_PX_MM)) + 1
    row = round(at[0] / BODY_PX_MM + relief.shape[0] / 2)
    col = round(at[1] / BODY_PX_MM + relief.shape[1] / 2)
    r0, r1 = max(row - half, 0), min(row + half + 1, relief.shape[0])
    c0, c1 = max(col - half, 0), min(col + half + 1, relief.shape[1])
    if r0 >= r1 or c0 >= c1:
        return
    y = (np.arange(r0, r1, dtype=np.float32)[:, None] - row) * BODY_PX_MM
    x = (np.arange(c0, c1, dtype=np.float32)[None, :] - col) * BODY_PX_MM
    inside = np.float32(size * size) - y * y - x * x
    height = np.where(inside > 0, top - size + np.sqrt(np.maximum(inside, 0)), -1)
    seen = height > relief[r0:r1, c0:c1]
    relief[r0:r1, c0:c1][seen] = height[seen]
    knob[r0:r1, c0:c1][seen] = float(knobbed)
    winner[r0:r1, c0:c1][seen] = rank


def bubbly(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Inflated bladders packed side by side."""
    relief = np.zeros(shape, np.float32)
    knob, winner = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    size = rng.uniform(0.16, 0.24) * radius_mm
    count = int(1.9 * (radius_mm / size) ** 2)
    place = np.sqrt((np.arange(count) + 0.5) / count)[:, None] * (radius_mm - 0.55 * size)
    spin = np.arange(count) * np.pi * (3 - np.sqrt(5)) + rng.uniform(0, 6)
    centres = place * np.stack([np.sin(spin), np.cos(spin)], axis=1)
    centres += rng.normal(0, 0.22 * size, centres.shape)
    for rank, centre in enumerate(centres):
        own = size * rng.uniform(0.7, 1.15)
        _stamp(centre, own, own + rng.uniform(0, 2), False, float(rank), relief, knob, winner)
    closed = cv2.morphologyEx((relief > 0).astype(np.uint8), cv2.MORPH_CLOSE, disc_kernel(2.2)) > 0
    level = np.clip(relief / max(float(relief.max()), 1e-3), 0, 1)
    return Body(
        mask=one_piece(closed),
        relief_mm=relief,
        across=level,
        along=winner * np.float32(0.381966),
        mouth=np.zeros(shape, np.float32),
        tip=np.clip((level - 0.75) / 0.2, 0, 1),
    )


def branching(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Heads on stalks, a little apart, each with its own mouth."""
    head = rng.uniform(0.3, 0.4) * radius_mm
    centres = [np.zeros(2)]
    for ring, away in ((6, 1.92), (12, 3.7)):
        if (away + 0.8) * head > radius_mm * 1.1:
            break
        turn = rng.uniform(0, 2 * np.pi)
        for index in range(ring):
            angle = turn + 2 * np.pi * index / ring
            centres.append(away * head * np.array([np.sin(angle), np.cos(angle)]))
    reach = np.full(shape, 9.0, np.float32)
    along, number = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    for index, centre in enumerate(centres):
        centre = centre + rng.normal(0, 0.05 * head, 2)
        r, angle = polar(shape, at=(centre[0], centre[1]))
        near = r / (head * rng.uniform(0.84, 1.02) * (1 + wavy(rng, angle, amount=0.06)))
        closer = near < reach
        reach = np.where(closer, near, reach)
        along = np.where(closer, angle * 14 / (2 * np.pi) + index / 2.7, along)
        number = np.where(closer, index, number)
    relief = dome(reach, height_mm=0.3 * head) + 1.0 * np.exp(-(((reach - 0.8) / 0.15) ** 2))
    relief += 0.2 * np.cos(2 * np.pi * along) * np.clip(reach, 0, 1)
    whole = rng.permutation(len(centres)).astype(np.float32)[number.astype(np.int64)]
    return Body(
        mask=reach <= 1,
        relief_mm=relief.astype(np.float32),
        across=np.clip(reach, 0, 1),
        along=along.astype(np.float32),
        mouth=np.exp(-((reach / 0.2) ** 4)),
        tip=np.clip((reach - 0.75) / 0.15, 0, 1),
        loss_order=whole - 0.5 * np.clip(reach, 0, 1),
    )
