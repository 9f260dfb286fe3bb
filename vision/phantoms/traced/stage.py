"""What else a traced specimen has about it: plug and card, as meshes of fixed size."""

import numpy as np
import numpy.typing as npt

from phantoms.fields import Field, smooth_noise, wavy
from phantoms.traced.clothe import linear
from phantoms.traced.ground import Part, random_colour
from phantoms.traced.settings import any_growth
from polypward.cards import load_layout

__all__ = [
    "CARD_FACES", "PLUG_FACES", "PLUG_NODES", "card_part", "grid_faces", "plug_part",
]  # fmt: skip

_PLUG_RINGS, _PLUG_AROUND = 40, 128
PLUG_NODES = _PLUG_RINGS * _PLUG_AROUND
_QUADS = 112
CARD_FACES = np.array(
    [[4 * i + k for k in tri] for i in range(_QUADS) for tri in ((0, 1, 2), (0, 2, 3))], np.uint32
)


def grid_faces(rows: int, cols: int, *, closed: bool = False) -> npt.NDArray[np.uint32]:
    """Two triangles for every cell of a grid of nodes, cell by cell; faces up if y rises by row."""
    r, c = np.meshgrid(np.arange(rows - 1), np.arange(cols - (not closed)), indexing="ij")
    a, b = (r * cols + c).ravel(), (r * cols + (c + 1) % cols).ravel()
    pair = np.stack([np.stack([a, b, b + cols], 1), np.stack([a, b + cols, a + cols], 1)], 1)
    return pair.reshape(-1, 3).astype(np.uint32)


PLUG_FACES = grid_faces(_PLUG_RINGS, _PLUG_AROUND, closed=True)[:, ::-1].copy()


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
    stone = random_colour(rng, (35, 88), 9, (0, 360))
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
