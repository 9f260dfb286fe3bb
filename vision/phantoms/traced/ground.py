"""Grounds that a traced specimen stands on, as meshes of one size."""

from dataclasses import dataclass

import numpy as np

from phantoms.fields import Field, smooth_noise
from phantoms.traced.clothe import linear
from phantoms.traced.settings import any_growth

__all__ = ["GROUND_NODES", "Part", "ground_part", "random_colour"]

GROUND_NODES = 380
GROUND_MM = 190.0
_ANY_HUE = (0.0, 360.0)


@dataclass(slots=True, kw_only=True)
class Part:
    """One mesh: positions (n, 3) mm, colour (n, 3), roughness (n,), coat (n,).

    The colour is linear sRGB while it is drawn. The studio wants coefficients of a spectrum
    (`phantoms.traced.upsample`) in its place.
    """

    position: Field
    colour: Field
    rough: Field
    coat: Field


@dataclass(slots=True, kw_only=True)
class _Sheet:
    """Fields (GROUND_NODES, GROUND_NODES[, 3]) of a ground, before it is turned."""

    rng: np.random.Generator
    x: Field
    y: Field
    z: Field
    colour: Field

    def noise(self, size_mm: float) -> Field:
        """Smooth noise, SD 1, with blobs of that size."""
        step_mm = GROUND_MM / GROUND_NODES
        return smooth_noise(self.rng, self.x.shape, max(size_mm / step_mm, 1.01))


def random_colour(
    rng: np.random.Generator, light: tuple[float, float], chroma: float, hue: tuple[float, float]
) -> Field:
    """Linear sRGB of a lightness and hue (degrees) in these ranges, chroma up to that."""
    angle, strength = np.radians(rng.uniform(*hue)), chroma * rng.random()
    return linear([rng.uniform(*light), strength * np.cos(angle), strength * np.sin(angle)])


def _lines(pitch: float, bar: float, rng: np.random.Generator) -> tuple[Field, Field]:
    """Coordinates of GROUND_NODES grid lines that meet the edges of bars, and 1 on a bar."""
    periods = GROUND_MM / pitch
    each = int(GROUND_NODES // (periods + 1))
    soft = rng.uniform(0.15, 0.5)
    inner = np.linspace(bar / 2 + soft, pitch - bar / 2 - soft, each - 5)
    one = np.concatenate([[-bar / 2 + soft, 0, bar / 2 - soft, bar / 2], inner, [pitch - bar / 2]])
    on = np.concatenate([[1, 1, 1, 0.5], np.zeros(len(inner)), [0.5]])
    count = GROUND_NODES // each
    line = np.concatenate([one + k * pitch for k in range(count)])
    bars = np.tile(on, count)
    rest = GROUND_NODES - len(line)
    line = np.concatenate([line, line[-1] + 0.6 * (1 + np.arange(rest))])
    bars = np.concatenate([bars, np.zeros(rest)])
    line -= (count / 2 + rng.uniform(-0.5, 0.5)) * pitch
    return line.astype(np.float32), bars.astype(np.float32)


def _crate(sheet: _Sheet, kind: str) -> None:
    """Bars that cross, deep holes between; algae on some."""
    rng = sheet.rng
    pitch, bar = rng.uniform(10, 17), rng.uniform(1.6, 2.8)
    along, on_x = _lines(pitch, bar, rng)
    across, on_y = _lines(pitch, bar, rng)
    sheet.x, sheet.y = np.meshgrid(along, across)
    bars = np.maximum(on_x[None, :], on_y[:, None])
    deep = rng.uniform(9, 30)
    sheet.z = np.where(bars > 0.9, 0, np.where(bars > 0.4, -0.4, -deep)).astype(np.float32)
    hue = _ANY_HUE if kind == "crate" else (200.0, 280.0)
    light, chroma = ((70.0, 94.0), 6) if rng.random() < 0.75 else ((8.0, 45.0), 8)
    top = random_colour(rng, light, chroma, hue)
    below = random_colour(rng, (5, 70), 14, _ANY_HUE)
    sheet.colour = np.where(bars[..., None] > 0.3, top, below)
    if rng.random() < 0.5:
        grown = any_growth(rng)
        share = np.clip(sheet.noise(rng.uniform(3, 12)) - rng.uniform(0, 1.5), 0, 1)[..., None]
        sheet.colour = sheet.colour * (1 - share) + linear(grown.first) * share


def _rack(sheet: _Sheet) -> None:
    """Drill round holes into a plate."""
    rng, x, y = sheet.rng, sheet.x, sheet.y
    pitch, hole = rng.uniform(22, 36), rng.uniform(4, 7.5)
    u = (x + rng.uniform(0, pitch)) % pitch - pitch / 2
    v = (y + rng.uniform(0, pitch)) % pitch - pitch / 2
    r = np.hypot(u, v)
    # Nodes near the edge of a hole move onto it, so that holes are round.
    pull = np.where(np.abs(r - hole) < 0.3, hole / np.maximum(r, 1e-3), 1)
    sheet.x, sheet.y = x + u * (pull - 1), y + v * (pull - 1)
    within = r < hole - 0.31
    sheet.z = np.where(within, -14, 0).astype(np.float32)
    top = random_colour(rng, (5, 35) if rng.random() < 0.6 else (60, 94), 5, _ANY_HUE)
    colour = np.where(within[..., None], random_colour(rng, (5, 40), 6, _ANY_HUE), top)
    sheet.colour = colour * (1 + 0.03 * sheet.noise(1))[..., None]


def _grains(sheet: _Sheet, kind: str) -> None:
    """Sand, or rubble with growth on it."""
    rng, sand = sheet.rng, kind == "sand"
    fine, coarse = (0.6, 1.4) if sand else (3.0, 9.0)
    high = rng.uniform(0.2, 0.5) if sand else rng.uniform(1, 3.5)
    z = high * (0.6 * sheet.noise(fine) + np.abs(sheet.noise(coarse))) - 2 * high
    light, hue = ((55.0, 88.0), (50.0, 100.0)) if sand else ((25.0, 75.0), (0.0, 120.0))
    first = random_colour(rng, light, 16, hue)
    other = random_colour(rng, (25, 90), 18, (0, 140))
    share = np.clip(0.4 + 0.4 * sheet.noise(fine) + 0.3 * sheet.noise(6), 0, 1)[..., None]
    colour = first * (1 - share) + other * share
    for _ in range(0 if sand else int(rng.integers(0, 3))):
        grown = any_growth(rng)
        spot = np.clip(2 * sheet.noise(rng.uniform(3, 15)) - rng.uniform(0, 3), 0, 1)[..., None]
        colour = colour * (1 - spot) + linear(grown.first) * spot
        z = z + 0.4 * grown.fuzz_mm * sheet.noise(0.6) * spot[..., 0]
    sheet.z, sheet.colour = z.astype(np.float32), colour


def _plain(sheet: _Sheet, kind: str) -> None:
    """Tray, white board or tiles, with stains."""
    rng = sheet.rng
    light, chroma, hue = {
        "tray": ((25.0, 92.0), 8.0, _ANY_HUE),
        "board": ((82.0, 96.0), 4.0, (60.0, 120.0)),
        "tile": ((40.0, 75.0), 24.0, (190.0, 290.0)),
    }[kind]
    first = random_colour(rng, light, chroma, hue)
    stain = np.clip(sheet.noise(rng.uniform(3, 20)) - rng.uniform(0.3, 2.2), 0, 1)[..., None]
    other = random_colour(rng, (15, 85), 18, (0, 150))
    colour = first * (1 - 0.8 * stain) + other * 0.8 * stain
    colour = colour * (1 + rng.uniform(0, 0.05) * sheet.noise(0.6))[..., None]
    sheet.z = (rng.uniform(0, 0.15) * sheet.noise(5)).astype(np.float32)
    if kind == "tile":
        pitch = rng.uniform(40, 70)
        along, across = (sheet.x + 9) % pitch - 2, (sheet.y - 5) % pitch - 2
        joint = np.minimum(np.abs(along), np.abs(across)) < 1.2
        colour = np.where(joint[..., None], 0.6 * colour, colour)
        sheet.z = np.where(joint, -0.8, sheet.z).astype(np.float32)
    sheet.colour = colour


def ground_part(kind: str, rng: np.random.Generator) -> Part:
    """Ground of a kind at height 0 and below: GROUND_NODES ** 2 nodes."""
    n = GROUND_NODES
    line = np.linspace(-GROUND_MM / 2, GROUND_MM / 2, n, dtype=np.float32)
    x, y = np.meshgrid(line, line)
    none = np.zeros((n, n), np.float32)
    sheet = _Sheet(rng=rng, x=x, y=y, z=none, colour=np.zeros((n, n, 3), np.float32))
    rough, coat = rng.uniform(0.3, 0.9), rng.choice([0.0, rng.uniform(0, 0.4)])
    turn = 0.0
    if kind in ("crate", "grid"):
        _crate(sheet, kind)
    elif kind == "rack":
        _rack(sheet)
    elif kind in ("sand", "rubble"):
        _grains(sheet, kind)
        rough = rng.uniform(0.6, 1)
    else:
        _plain(sheet, kind)
    if kind in ("crate", "grid", "rack"):
        turn = rng.uniform(0, 2 * np.pi)
    cos, sin = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    place = np.stack([cos * sheet.x - sin * sheet.y, sin * sheet.x + cos * sheet.y, sheet.z], 2)
    return Part(
        position=place.reshape(-1, 3).astype(np.float32),
        colour=np.clip(sheet.colour, 0.003, 0.95).reshape(-1, 3).astype(np.float32),
        rough=np.full(n * n, rough, np.float32),
        coat=np.full(n * n, coat, np.float32),
    )
