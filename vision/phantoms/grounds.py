"""What lies under and around the card: egg crate, sand, tray, rack, tile, and the plug."""

import numpy as np
import numpy.typing as npt
from skimage import data

from phantoms.fields import Field, smooth_noise, unit_noise
from phantoms.natural_grounds import laid, stones
from phantoms.scene import Ground, Lab
from phantoms.spectra import reflectance

__all__ = ["GROUNDS", "ground_map", "plug_map"]

# Two colours for each kind: its stuff and its gaps or stains (Lab D50). Chosen by eye.
GROUNDS: dict[str, tuple[Lab, Lab]] = {
    "grid": ((86, -1, 3), (17, -1, -4)),
    "sand": ((76, 2, 13), (52, 4, 16)),
    "tray": ((58, -1, -2), (44, 0, 3)),
    "rack": ((22, 0, -1), (10, 0, -2)),
    "tile": ((60, -5, -14), (50, -3, -11)),
    "bars": ((70, 0, 2), (20, 0, 0)),
    "pebbles": ((66, 3, 9), (40, 3, 8)),
    "stones": ((58, 2, 8), (70, 1, 6)),
    "gravel": ((68, 2, 8), (52, 3, 10)),
    "brick": ((60, 1, 4), (72, 0, 4)),
}
# Grounds whose structure is that of a photograph: brick.png and gravel.png of scikit-image (CC0,
# CC0Textures), 512 px of grey; what a pixel of them may be here (mm).
PHOTOGRAPHS: dict[str, tuple[float, float]] = {"gravel": (0.1, 0.3), "brick": (0.12, 0.3)}


def _photographed(
    rng: np.random.Generator, kind: str, shape: tuple[int, int], px_mm: float
) -> Field:
    """Lay a photograph at a random place, turn and scale: light over its mean, (rows, cols)."""
    picture = np.asarray(getattr(data, kind)(), np.float32)
    picture = (picture / 255) ** 2.2
    found, soft = laid(rng, picture, shape, px_mm, pixel_mm=PHOTOGRAPHS[kind])
    return np.asarray(found / soft.mean(), np.float32)


def ground_map(
    ground: Ground, field_mm: tuple[float, float, float, float], *, px_mm: float
) -> tuple[Field, npt.NDArray[np.float64], Field]:
    """Ground over a box of the card plane.

    Returns
    -------
    mix : float32 (rows, cols)
        Share 0..1 of the second material.
    materials : float64 (2, 31)
        Reflectances.
    shade : float32 (rows, cols)
        Light over that on a flat card.
    """
    rng = np.random.default_rng([ground.seed, 3])
    x0, y0, x1, y1 = field_mm
    shape = (int((y1 - y0) / px_mm) + 1, int((x1 - x0) / px_mm) + 1)
    first, second = GROUNDS[ground.kind]
    if ground.colour is not None:
        first = ground.colour
    if ground.gaps is not None:
        second = ground.gaps
    materials = np.stack([reflectance(first), reflectance(second)])
    x = (x0 + (np.arange(shape[1], dtype=np.float32) + 0.5) * px_mm)[None, :]
    y = (y0 + (np.arange(shape[0], dtype=np.float32) + 0.5) * px_mm)[:, None]
    mottle = unit_noise(rng, shape, 12 / px_mm)
    if ground.kind == "grid":
        pitch, bar = rng.uniform(12, 16), rng.uniform(1.8, 2.6)
        turn = rng.uniform(-0.2, 0.2)
        u = np.abs((x * np.cos(turn) + y * np.sin(turn)) % pitch - pitch / 2)
        v = np.abs((y * np.cos(turn) - x * np.sin(turn)) % pitch - pitch / 2)
        hole = np.clip((pitch / 2 - bar / 2 - np.maximum(u, v)) / px_mm + 0.5, 0, 1)
        mix = hole * (0.85 + 0.15 * mottle)
        shade = 1 - 0.15 * hole - 0.1 * mottle
    elif ground.kind == "bars":
        pitch, bar = rng.uniform(5, 20), rng.uniform(0.25, 0.75)
        turn = rng.uniform(0, np.pi)
        u = np.abs((x * np.cos(turn) + y * np.sin(turn)) % pitch - pitch / 2)
        mix = np.clip((pitch / 2 * bar - u) / px_mm + 0.5, 0, 1) * (0.85 + 0.15 * mottle)
        shade = 1 - 0.15 * mix - 0.1 * mottle
    elif ground.kind == "pebbles":
        size = rng.uniform(2, 9) / px_mm
        round_ = smooth_noise(rng, shape, size)
        mix = np.clip(0.5 + 0.6 * smooth_noise(rng, shape, 1.7 * size), 0, 1)
        shade = 1 + 0.14 * np.tanh(round_) + 0.06 * smooth_noise(rng, shape, size / 4)
    elif ground.kind == "stones":
        mix, shade = stones(rng, shape, px_mm)
    elif ground.kind in PHOTOGRAPHS:
        light = _photographed(rng, ground.kind, shape, px_mm)
        mix = np.clip(mottle + 0.5 * (1 - light), 0, 1)
        shade = np.clip(light, 0.15, 2)
    elif ground.kind == "rack":
        pitch, size = rng.uniform(24, 32), rng.uniform(6, 9)
        u, v = x % pitch - pitch / 2, y % pitch - pitch / 2
        mix = np.clip((size - np.hypot(u, v)) / px_mm + 0.5, 0, 1)
        shade = 1 + 0.1 * smooth_noise(rng, shape, 3 / px_mm) * 0.5
    elif ground.kind == "sand":
        grain = smooth_noise(rng, shape, max(0.5 / px_mm, 1.01))
        mix = np.clip(0.45 + 0.3 * grain + 0.3 * (mottle - 0.5), 0, 1)
        shade = 1 + 0.12 * smooth_noise(rng, shape, max(0.7 / px_mm, 1.01)) + 0.08 * (mottle - 0.5)
    else:
        stain = np.clip(smooth_noise(rng, shape, 6 / px_mm) - 1.3, 0, 1)
        mix = np.clip(0.25 * mottle + 0.7 * stain, 0, 1)
        shade = 1 + 0.02 * smooth_noise(rng, shape, max(0.6 / px_mm, 1.01))
    return (
        np.broadcast_to(mix, shape).astype(np.float32),
        materials,
        np.broadcast_to(shade, shape).astype(np.float32),
    )


def plug_map(
    ground: Ground, *, px_mm: float
) -> tuple[Field, npt.NDArray[np.float64], Field, Field] | None:
    """Draw the plug, centre in the middle: weights, materials, shade and alpha."""
    if ground.plug is None:
        return None
    rng = np.random.default_rng([ground.seed, 4])
    half = int((ground.plug_radius_mm + 2) / px_mm)
    shape = (2 * half, 2 * half)
    line = (np.arange(2 * half, dtype=np.float32) + 0.5 - half) * px_mm
    r = np.hypot(line[:, None], line[None, :])
    alpha = np.clip((ground.plug_radius_mm - r) / px_mm + 0.5, 0, 1)
    threshold = np.quantile(field := smooth_noise(rng, shape, 3.5 / px_mm), 1 - ground.plug_growth)
    grown = np.clip((field - threshold) * 3, 0, 1) if ground.plug_growth else np.zeros(shape)
    glue = np.zeros(shape)
    if ground.glue:
        glue = np.clip(
            (0.55 + 0.2 * smooth_noise(rng, shape, 4 / px_mm) - r / (2 * half * px_mm)) * 9, 0, 1
        )
    weights = np.stack([(1 - grown) * (1 - glue), grown * (1 - glue), glue]).astype(np.float32)
    materials = np.stack(
        [reflectance(ground.plug), reflectance((46, 22, 0)), reflectance((84, -1, 4))]
    )
    shade = 1 + 0.05 * smooth_noise(rng, shape, max(0.6 / px_mm, 1.01)) * (1 + grown)
    shade *= np.where(r > ground.plug_radius_mm - 1, 0.8, 1)
    return weights, materials, shade.astype(np.float32), alpha.astype(np.float32)
