"""Body plans of large-polyp corals seen from above (and one from the side), as maps in mm."""

from collections.abc import Callable

import cv2
import numpy as np

from phantoms.body import BODY_PX_MM, Body, Grid, dome, one_piece, polar
from phantoms.crowds import branching, bubbly, tentacled
from phantoms.fields import grid_mm, smooth_noise, wavy
from phantoms.openwork import fan, heads, nested, ribbon, ring, sheet
from phantoms.unlike import coil, cups, petals, terraces

__all__ = ["BODY_PX_MM", "PLANS", "Body", "make_body"]


def _disc(rng: np.random.Generator, shape: Grid, radius_mm: float, *, round_: bool = False) -> Body:
    """One mouth in a fleshy round or oval disc with radial folds."""
    r, angle = polar(shape)
    stretch = 1 if round_ else 1 + rng.uniform(0, 0.25) * np.cos(2 * (angle - rng.uniform(0, 3)))
    outline = radius_mm * (stretch + (0 if round_ else wavy(rng, angle, amount=0.035)))
    reach = r / outline.astype(np.float32) if isinstance(outline, np.ndarray) else r / radius_mm
    folds = np.cos(angle * int(rng.integers(16, 34)) + 2 * smooth_noise(rng, shape, 60))
    relief = dome(reach, height_mm=rng.uniform(0.15, 0.35) * radius_mm)
    relief -= 0.35 * radius_mm * np.exp(-((reach / 0.22) ** 2)) * 0.4
    relief += 0.35 * folds * np.clip(reach, 0, 1) ** 1.5 + 0.25 * smooth_noise(rng, shape, 35)
    oval = polar(shape)[1] - rng.uniform(0, 3)
    mouth = np.exp(-((reach * (1 + 0.9 * np.abs(np.sin(oval))) / rng.uniform(0.12, 0.2)) ** 4))
    return Body(
        mask=reach <= 1,
        relief_mm=relief,
        across=np.clip(reach, 0, 1),
        along=angle * int(rng.integers(10, 26)) / (2 * np.pi),
        mouth=mouth,
        tip=np.clip((reach - 0.82) / 0.1, 0, 1),
    )


def _lobed(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Deep lobes around several mouths, walls between them."""
    _, angle = polar(shape)
    count = int(rng.integers(3, 6))
    reach = np.full(shape, 9.0, np.float32)
    second = reach.copy()
    phase = np.zeros(shape, np.float32)
    turn = rng.uniform(0, 2 * np.pi)
    for index in range(count):
        direction = turn + 2 * np.pi * (index + rng.uniform(-0.15, 0.15)) / count
        away = rng.uniform(0.42, 0.55) * radius_mm
        r, around = polar(shape, at=(away * np.sin(direction), away * np.cos(direction)))
        own = radius_mm * rng.uniform(0.48, 0.6) * (1 + wavy(rng, around, amount=0.05))
        near = r / own
        closer = near < reach
        second = np.where(closer, reach, np.minimum(second, near))
        phase = np.where(closer, around * 17 / (2 * np.pi) + index / 3, phase)
        reach = np.where(closer, near, reach)
    wall = np.exp(-(((second - reach) / 0.12) ** 2)) * (reach < 1.2)
    across = np.clip(np.maximum(reach, wall), 0, 1)
    mask = reach <= 1
    relief = (
        dome(reach, height_mm=0.12 * radius_mm)
        + 1.2 * wall
        + 2.2 * np.exp(-(((reach - 0.75) / 0.2) ** 2))
    )
    relief += 0.3 * smooth_noise(rng, shape, 25) + 0.05 * np.cos(angle)
    return Body(
        mask=one_piece(mask),
        relief_mm=relief.astype(np.float32),
        across=across,
        along=phase.astype(np.float32),
        mouth=np.exp(-((reach / 0.16) ** 4)),
        tip=np.clip((across - 0.8) / 0.15, 0, 1),
    )


def _meander(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Winding valleys with mouths in rows, walls between."""
    r, angle = polar(shape)
    outline = radius_mm * (0.97 + wavy(rng, angle, amount=0.06))
    blob = rng.uniform(4.5, 8) / BODY_PX_MM
    field = smooth_noise(rng, shape, blob)
    across = np.clip(np.abs(field) / 0.8, 0, 1)
    spots = smooth_noise(rng, shape, 25) > 1.1
    mouth = np.exp(-((across / 0.2) ** 2)) * cv2.GaussianBlur(spots.astype(np.float32), (0, 0), 3)
    down, right = np.gradient(cv2.GaussianBlur(field, (0, 0), blob / 4))
    turn = np.arctan2(down, right)
    y, x = grid_mm(shape, BODY_PX_MM)
    phase = (y * np.cos(turn) - x * np.sin(turn)) / rng.uniform(1.6, 2.6)
    relief = 2.4 * across * rng.uniform(0.7, 1.3) + dome(r / outline, height_mm=radius_mm / 4)
    relief += 0.15 * smooth_noise(rng, shape, 18)
    return Body(
        mask=r <= outline,
        relief_mm=relief.astype(np.float32),
        across=across,
        along=phase.astype(np.float32),
        mouth=mouth.astype(np.float32),
        tip=np.clip((across - 0.75) / 0.2, 0, 1),
    )


def _folded(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Draw a wall that winds around: a ribbon of tissue with open water in its folds."""
    turns = np.linspace(0, 2 * np.pi, 1500, endpoint=False)
    waves = int(rng.integers(4, 7))
    depth = rng.uniform(0.16, 0.24)
    line = 0.66 + depth * np.cos(waves * turns + rng.uniform(0, 6))
    line += wavy(rng, turns.astype(np.float32), amount=0.04, waves=(2, 5))
    bend = turns + 0.12 * np.sin(waves * turns)
    points = np.stack([line * np.cos(bend), line * np.sin(bend)], axis=1) * radius_mm / BODY_PX_MM
    points += np.array([shape[1], shape[0]]) / 2
    canvas = np.full(shape, 255, np.uint8)
    cv2.polylines(canvas, [np.round(points * 16).astype(np.int32)], True, 0, 1, cv2.LINE_8, 4)
    away = cv2.distanceTransform(canvas, cv2.DIST_L2, 5) * BODY_PX_MM
    width = rng.uniform(0.13, 0.18) * radius_mm * (1 + 0.12 * smooth_noise(rng, shape, 60))
    reach = (away / width).astype(np.float32)
    _, angle = polar(shape)
    ruffle = np.cos(2 * np.pi * away / 2.2 + 3 * smooth_noise(rng, shape, 20))
    relief = dome(reach, height_mm=4) + 0.25 * ruffle - 1.2 * np.exp(-((reach / 0.25) ** 2))
    return Body(
        mask=one_piece(reach <= 1),
        relief_mm=relief.astype(np.float32),
        across=np.clip(reach, 0, 1),
        along=(angle * 60 / (2 * np.pi) + smooth_noise(rng, shape, 40)).astype(np.float32),
        mouth=(np.exp(-((reach / 0.2) ** 2)) * (smooth_noise(rng, shape, 22) > 0.8)).astype(
            np.float32
        ),
        tip=np.clip((reach - 0.75) / 0.15, 0, 1),
    )


def _plate(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Draw a flat plate with fine ridges that run from the middle to a wavy rim."""
    at = (rng.uniform(-0.15, 0.15) * radius_mm, rng.uniform(-0.15, 0.15) * radius_mm)
    r, angle = polar(shape, at=at)
    whole, around = polar(shape)
    outline = radius_mm * (0.96 + wavy(rng, around, amount=0.07, waves=(3, 12)))
    reach = whole / outline
    ridges = angle * int(rng.integers(60, 110)) / (2 * np.pi) + 0.3 * smooth_noise(rng, shape, 30)
    polyps = np.clip(smooth_noise(rng, shape, 20) - 1.2, 0, 1)
    relief = 0.22 * np.cos(2 * np.pi * ridges) + 0.5 * np.cos(
        r / 2.5 + smooth_noise(rng, shape, 80)
    )
    relief += 1.5 * polyps + 1.5 * reach**2
    return Body(
        mask=reach <= 1,
        relief_mm=relief.astype(np.float32),
        across=np.clip(reach, 0, 1),
        along=ridges.astype(np.float32),
        mouth=polyps.astype(np.float32),
        tip=np.clip((reach - 0.9) / 0.05, 0, 1),
    )


def _profile(rng: np.random.Generator, shape: Grid, radius_mm: float) -> Body:
    """Draw a fleshy head on its stalk from the side; the stalk's foot dies first."""
    y, x = grid_mm(shape, BODY_PX_MM)
    height = 1.15 * radius_mm
    level = (y + height / 2) / height  # 0 at the top, 1 at the foot
    half = radius_mm * np.interp(
        level.ravel(), [0, 0.06, 0.2, 0.4, 0.6, 0.8, 1.0], [0.55, 0.86, 1.0, 0.9, 0.66, 0.5, 0.46]
    ).reshape(shape)
    half = half * (1 + 0.05 * smooth_noise(rng, shape, 40))
    reach = np.abs(x) / half
    mask = (reach <= 1) & (level >= 0.02 * smooth_noise(rng, shape, 30)) & (level <= 1)
    ridges = 1.6 * x / np.maximum(half, 1) * 8
    relief = 0.5 * radius_mm * np.sqrt(np.clip(1 - reach**2, 0, 1)) * (1 - 0.3 * level)
    relief += 0.3 * np.cos(2 * np.pi * ridges) * (level > 0.3) + 0.2 * smooth_noise(rng, shape, 20)
    return Body(
        mask=one_piece(mask),
        relief_mm=relief.astype(np.float32),
        across=np.clip(level, 0, 1).astype(np.float32),
        along=ridges.astype(np.float32),
        mouth=np.zeros(shape, np.float32),
        tip=np.clip((0.14 - level) / 0.08, 0, 1).astype(np.float32),
        loss_order=(-level + 0.06 * smooth_noise(rng, shape, 50)).astype(np.float32),
    )


PLANS: dict[str, Callable[[np.random.Generator, Grid, float], Body]] = {
    "disc": _disc,
    "round": lambda rng, shape, radius: _disc(rng, shape, radius, round_=True),
    "lobed": _lobed,
    "meander": _meander,
    "folded": _folded,
    "tentacled": tentacled,
    "bubbly": bubbly,
    "branching": branching,
    "plate": _plate,
    "profile": _profile,
    "ring": ring,
    "ribbon": ribbon,
    "heads": heads,
    "sheet": sheet,
    "fan": fan,
    "nested": nested,
    "cups": cups,
    "petals": petals,
    "terraces": terraces,
    "coil": coil,
}


def make_body(plan: str, *, radius_mm: float, seed: int) -> Body:
    """Draw a body of one of `PLANS`.

    Parameters
    ----------
    plan : str
        A key of `PLANS`; ``"round"`` is an exact disc of `radius_mm`, for checks.
    radius_mm : float
        Radius of the circle that about encloses the body.
    seed : int
        The same seed gives the same body.

    Raises
    ------
    KeyError
        If there is no such plan.
    """
    half = int(np.ceil((1.35 * radius_mm + 3) / BODY_PX_MM))
    return PLANS[plan](np.random.default_rng(seed), (2 * half, 2 * half), radius_mm)
