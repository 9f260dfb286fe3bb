"""What a traced specimen stands on: ground, plug and the card round it, as meshes of fixed size."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phantoms.fields import Field, smooth_noise, wavy
from phantoms.traced.clothe import linear
from phantoms.traced.settings import any_growth
from polypward.cards import load_layout

__all__ = [
    "CARD_FACES", "GROUND_NODES", "PLUG_FACES", "PLUG_NODES", "Part", "card_part", "grid_faces",
    "ground_part", "plug_part",
]  # fmt: skip

GROUND_NODES = 380
GROUND_MM = 190.0
_PLUG_RINGS, _PLUG_AROUND = 40, 128
PLUG_NODES = _PLUG_RINGS * _PLUG_AROUND
_QUADS = 112
CARD_FACES = np.array(
    [[4 * i + k for k in tri] for i in range(_QUADS) for tri in ((0, 1, 2), (0, 2, 3))], np.uint32
)


@dataclass(slots=True, kw_only=True)
class Part:
    """One mesh: positions (n, 3) mm, colour (n, 3), roughness (n,), coat (n,).

    The studio wants coefficients of a spectrum (`phantoms.traced.upsample`) in the colour's place.
    """

    position: Field
    colour: Field
    rough: Field
    coat: Field


def grid_faces(rows: int, cols: int, *, closed: bool = False) -> npt.NDArray[np.uint32]:
    """Two triangles for every cell of a grid of nodes, cell by cell; faces up if y rises by row."""
    r, c = np.meshgrid(np.arange(rows - 1), np.arange(cols - (not closed)), indexing="ij")
    a, b = (r * cols + c).ravel(), (r * cols + (c + 1) % cols).ravel()
    pair = np.stack([np.stack([a, b, b + cols], 1), np.stack([a, b + cols, a + cols], 1)], 1)
    return pair.reshape(-1, 3).astype(np.uint32)


PLUG_FACES = grid_faces(_PLUG_RINGS, _PLUG_AROUND, closed=True)[:, ::-1].copy()


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


def _lab(
    rng: np.random.Generator, light: tuple[float, float], chroma: float, hue: tuple[float, float]
) -> Field:
    angle, strength = np.radians(rng.uniform(*hue)), chroma * rng.random()
    return linear([rng.uniform(*light), strength * np.cos(angle), strength * np.sin(angle)])


def ground_part(kind: str, rng: np.random.Generator) -> Part:
    """Ground of a kind at height 0 and below: (GROUND_NODES ** 2) nodes."""
    n = GROUND_NODES
    px = GROUND_MM / n
    line = np.linspace(-GROUND_MM / 2, GROUND_MM / 2, n, dtype=np.float32)
    x, y = np.meshgrid(line, line)

    def noise(size_mm: float) -> Field:
        return smooth_noise(rng, (n, n), max(size_mm / px, 1.01))

    rough, coat = rng.uniform(0.3, 0.9), rng.choice([0.0, rng.uniform(0, 0.4)])
    z = np.zeros((n, n), np.float32)
    if kind in ("crate", "grid"):
        pitch, bar = rng.uniform(10, 17), rng.uniform(1.6, 2.8)
        along, on_x = _lines(pitch, bar, rng)
        across, on_y = _lines(pitch, bar, rng)
        x, y = np.meshgrid(along, across)
        bars = np.maximum(on_x[None, :], on_y[:, None])
        deep = rng.uniform(9, 30)
        z = np.where(bars > 0.9, 0, np.where(bars > 0.4, -0.4, -deep)).astype(np.float32)
        hue = (0, 360) if kind == "crate" else (200, 280)
        top = _lab(rng, (70, 94), 6, hue) if rng.random() < 0.75 else _lab(rng, (8, 45), 8, hue)
        below = _lab(rng, (5, 70), 14, (0, 360))
        colour = np.where(bars[..., None] > 0.3, top, below)
        if rng.random() < 0.5:
            grown = any_growth(rng)
            share = np.clip(noise(rng.uniform(3, 12)) - rng.uniform(0, 1.5), 0, 1)[..., None]
            colour = colour * (1 - share) + linear(grown.first) * share
    elif kind == "rack":
        pitch, hole = rng.uniform(22, 36), rng.uniform(4, 7.5)
        u = (x + rng.uniform(0, pitch)) % pitch - pitch / 2
        v = (y + rng.uniform(0, pitch)) % pitch - pitch / 2
        r = np.hypot(u, v)
        # Nodes near the edge of a hole move onto it, so that holes are round.
        pull = np.where(np.abs(r - hole) < 0.3, hole / np.maximum(r, 1e-3), 1)
        x, y = x + u * (pull - 1), y + v * (pull - 1)
        z = np.where(r < hole - 0.31, -14, 0).astype(np.float32)
        top = (
            _lab(rng, (5, 35), 5, (0, 360))
            if rng.random() < 0.6
            else _lab(rng, (60, 94), 5, (0, 360))
        )
        colour = np.where((r < hole - 0.31)[..., None], _lab(rng, (5, 40), 6, (0, 360)), top)
        colour = colour * (1 + 0.03 * noise(1))[..., None]
    elif kind in ("sand", "rubble"):
        sizes = (0.6, 1.4) if kind == "sand" else (3.0, 9.0)
        high = rng.uniform(0.2, 0.5) if kind == "sand" else rng.uniform(1, 3.5)
        grain = noise(sizes[0])
        z = high * (0.6 * grain + np.abs(noise(sizes[1]))) - 2 * high
        first = (
            _lab(rng, (55, 88), 16, (50, 100))
            if kind == "sand"
            else _lab(rng, (25, 75), 16, (0, 120))
        )
        other = _lab(rng, (25, 90), 18, (0, 140))
        share = np.clip(0.4 + 0.4 * noise(sizes[0]) + 0.3 * noise(6), 0, 1)[..., None]
        colour = first * (1 - share) + other * share
        if kind == "rubble":
            for _ in range(int(rng.integers(0, 3))):
                grown = any_growth(rng)
                spot = np.clip(2 * noise(rng.uniform(3, 15)) - rng.uniform(0, 3), 0, 1)[..., None]
                colour = colour * (1 - spot) + linear(grown.first) * spot
                z = z + 0.4 * grown.fuzz_mm * noise(0.6) * spot[..., 0]
        rough = rng.uniform(0.6, 1)
    else:
        light, chroma, hue = {
            "tray": ((25, 92), 8, (0, 360)),
            "board": ((82, 96), 4, (60, 120)),
            "tile": ((40, 75), 24, (190, 290)),
        }[kind]
        first = _lab(rng, light, chroma, hue)
        stain = np.clip(noise(rng.uniform(3, 20)) - rng.uniform(0.3, 2.2), 0, 1)[..., None]
        other = _lab(rng, (15, 85), 18, (0, 150))
        colour = first * (1 - 0.8 * stain) + other * 0.8 * stain
        colour = colour * (1 + rng.uniform(0, 0.05) * noise(0.6))[..., None]
        z = (rng.uniform(0, 0.15) * noise(5)).astype(np.float32)
        if kind == "tile":  # joints
            pitch = rng.uniform(40, 70)
            joint = np.minimum(np.abs((x + 9) % pitch - 2), np.abs((y - 5) % pitch - 2)) < 1.2
            colour = np.where(joint[..., None], 0.6 * colour, colour)
            z = np.where(joint, -0.8, z)
    turn = rng.uniform(0, 2 * np.pi) if kind in ("crate", "grid", "rack") else 0.0
    cos, sin = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    place = np.stack([cos * x - sin * y, sin * x + cos * y, z], 2).reshape(-1, 3)
    return Part(
        position=place.astype(np.float32),
        colour=np.clip(colour, 0.003, 0.95).reshape(-1, 3).astype(np.float32),
        rough=np.full(n * n, rough, np.float32), coat=np.full(n * n, coat, np.float32),
    )  # fmt: skip


def plug_part(rng: np.random.Generator, *, radius: float, top: float, shown: bool) -> Part:
    """Round plug or rock whose flat top is at height `top`; far below when not shown."""
    turn = np.linspace(0, 2 * np.pi, _PLUG_AROUND, endpoint=False, dtype=np.float32)
    flat = np.linspace(0.001, 1, 28) * radius
    edge = radius + np.array([0.3, 0.5, 0.55, 0.5, 0.3, 0, 0, 0, 0, 0, 0, 0])
    r = np.concatenate([flat, edge])
    z = np.concatenate([np.full(28, top), top - np.linspace(0.1, top + 1, 12)])
    shape = (_PLUG_RINGS, _PLUG_AROUND)
    noise = smooth_noise(rng, shape, 5)
    uneven = float(rng.choice([0.005, 0.08]))
    wave = 1 + wavy(rng, turn, amount=uneven, waves=(2, 7))
    rr = r[:, None] * wave[None, :]
    zz = z[:, None] + rng.uniform(0.02, 0.3) * noise
    stone = _lab(rng, (35, 88), 9, (0, 360))
    grown = any_growth(rng)
    threshold = rng.uniform(-1.2, 2.5)
    share = np.clip((smooth_noise(rng, shape, rng.uniform(4, 14)) - threshold) * 2, 0, 1)
    tuft = np.clip(0.5 + 0.5 * smooth_noise(rng, shape, 2), 0, 1)[..., None]
    growth = linear(grown.first) * tuft + linear(grown.second) * (1 - tuft)
    colour = stone * (1 + 0.05 * smooth_noise(rng, shape, 1.5))[..., None]
    colour = colour * (1 - share[..., None]) + growth * share[..., None]
    zz = zz + 0.5 * grown.fuzz_mm * share * smooth_noise(rng, shape, 1.5)
    place = np.stack([rr * np.cos(turn), rr * np.sin(turn), zz], 2)
    place += np.array([*rng.normal(0, 2, 2), 0 if shown else -90])
    n = PLUG_NODES
    return Part(
        position=place.reshape(-1, 3).astype(np.float32),
        colour=np.clip(colour, 0.003, 0.95).reshape(-1, 3).astype(np.float32),
        rough=np.full(n, rng.uniform(0.5, 0.95), np.float32),
        coat=np.full(n, rng.choice([0, rng.uniform(0, 0.4)]), np.float32),
    )  # fmt: skip


def card_part(rng: np.random.Generator, *, shown: bool) -> Part:
    """Sheet with a window, 1 mm over the ground, patches and black marks on its rim."""
    half = rng.uniform(47, 60)
    quads: list[tuple[float, float, float, float, float]] = []
    colours: list[Field] = []
    paper = linear([rng.uniform(90, 97), rng.normal(0, 0.7), rng.normal(1, 2)])
    for x0, y0, x1, y1 in (
        (-95, half, 95, 95),
        (-95, -95, 95, -half),
        (-95, -half, -half, half),
        (half, -half, 95, half),
    ):
        quads.append((x0, y0, x1, y1, 1.0))
        colours.append(paper)
    patches = load_layout("frame").patches
    pitch = rng.uniform(8.5, 11)
    side = 0.85 * pitch
    gap = rng.uniform(1.2, 3.5)
    for way in range(4):
        for k in range(-5, 6):
            near, far = half + gap, half + gap + side
            a, b = k * pitch - side / 2, k * pitch + side / 2
            box = [(a, near, b, far), (a, -far, b, -near), (near, a, far, b), (-far, a, -near, b)][
                way
            ]
            lab = patches[int(rng.integers(len(patches)))].lab_d50
            if abs(k) == 5 and rng.random() < 0.7:
                lab = (12.0, 0.0, 0.0)
            quads.append((*box, 1.05))
            colours.append(linear(lab))
    place = np.full((_QUADS, 4, 3), -95, np.float32)
    colour = np.full((_QUADS, 4, 3), 0.5, np.float32)
    for i, ((x0, y0, x1, y1, z), c) in enumerate(zip(quads, colours, strict=True)):
        place[i] = [(x0, y0, z), (x1, y0, z), (x1, y1, z), (x0, y1, z)]
        colour[i] = c
    turn = rng.normal(0, 0.06)
    cos, sin = np.cos(turn), np.sin(turn)
    place[..., 0], place[..., 1] = (
        cos * place[..., 0] - sin * place[..., 1] + rng.normal(0, 3),
        sin * place[..., 0] + cos * place[..., 1] + rng.normal(0, 3),
    )
    if not shown:
        place[..., 2] = -95
    n = 4 * _QUADS
    return Part(
        position=place.reshape(-1, 3), colour=np.clip(colour, 0.003, 0.95).reshape(-1, 3),
        rough=np.full(n, 0.8, np.float32), coat=np.zeros(n, np.float32),
    )  # fmt: skip
