"""Meshes of tentacles and bubbles: one fixed buffer, whatever the count."""

import numpy as np
import numpy.typing as npt

from phantoms.fields import Field
from phantoms.traced.clothe import Look, Skin, linear
from phantoms.traced.form import Form
from polypward.labels import LIVE

__all__ = ["MOST", "SHOOT_FACES", "SHOOT_NODES", "shoot_mesh"]

MOST = 400
RINGS, AROUND = 12, 12
SHOOT_NODES = MOST * RINGS * AROUND


def _faces() -> npt.NDArray[np.uint32]:
    ring, step = np.meshgrid(np.arange(RINGS - 1), np.arange(AROUND), indexing="ij")
    a = (ring * AROUND + step).ravel()
    b = (ring * AROUND + (step + 1) % AROUND).ravel()
    one = np.stack([np.stack([a, b, b + AROUND], 1), np.stack([a, b + AROUND, a + AROUND], 1)], 1)
    one = one.reshape(-1, 3)
    many = one[None] + (np.arange(MOST) * RINGS * AROUND)[:, None, None]
    return many.reshape(-1, 3).astype(np.uint32)


SHOOT_FACES = _faces()


def shoot_mesh(form: Form, skin: Skin, look: Look) -> tuple[Field, Field, Field, int]:
    """Positions, colours and coat of SHOOT_NODES nodes, and how many shoots there are.

    Shoots stand where tissue lives; unused ones lie in a point far below.
    """
    position = np.full((MOST, RINGS, AROUND, 3), -50, np.float32)
    colour = np.full((MOST, RINGS, AROUND, 3), 0.2, np.float32)
    coat = np.full((MOST, RINGS, AROUND), look.coat, np.float32)
    shoots = form.shoots
    if shoots is None:
        return position.reshape(-1, 3), colour.reshape(-1, 3), coat.ravel(), 0
    rng = form.grid.rng
    alive = skin.labels[shoots.row, shoots.col] == LIVE
    row, col = shoots.row[alive][:MOST], shoots.col[alive][:MOST]
    lean, rise, radius = (
        field[alive][:MOST] for field in (shoots.lean, shoots.rise, shoots.radius)
    )
    count = len(row)
    root = skin.position[row, col]
    grow = np.float32(0.25 + 0.75 * look.inflated)
    lean, rise = lean * grow, np.maximum(rise * grow, 0.6 * radius)
    radius = radius * np.float32(0.7 + 0.3 * look.inflated)
    t = (1 - np.cos(np.linspace(0, np.pi, RINGS))) / 2
    t = t.astype(np.float32)
    sink = np.float32(0.35) * radius
    path = np.zeros((count, RINGS, 3), np.float32)
    path[..., :2] = root[:, None, :2] + lean[:, None] * (t**1.5)[None, :, None]
    path[..., 2] = root[:, None, 2] - sink[:, None] + (rise + sink)[:, None] * t[None]
    tangent = np.gradient(path, axis=1)
    tangent /= np.linalg.norm(tangent, axis=2, keepdims=True) + 1e-9
    side = np.stack([-lean[:, 1], lean[:, 0], 0 * rise], 1) + np.float32(1e-4)
    side = side / (np.linalg.norm(side, axis=1, keepdims=True) + 1e-9)
    first = np.broadcast_to(side[:, None], path.shape)
    second = np.cross(tangent, first)
    body = np.interp(t, [0, 0.5, 0.85, 1], [1.1, shoots.bulge, shoots.knob, shoots.knob])
    round_tip = np.sqrt(np.clip(1 - (np.clip(t - 0.8, 0, 1) / 0.2) ** 2, 0, 1))
    if shoots.bulge > 1.3:  # bubbles are round from the root on
        body = shoots.bulge * np.sqrt(np.clip(1 - (2 * t - 1) ** 2, 0, 1)) + 0.02
        round_tip = np.ones_like(t)
    size = radius[:, None] * (body * round_tip)[None] * rng.uniform(0.93, 1.07, (count, RINGS))
    turn = np.linspace(0, 2 * np.pi, AROUND, endpoint=False, dtype=np.float32)
    ring = (
        first[:, :, None] * np.cos(turn)[None, None, :, None]
        + second[:, :, None] * np.sin(turn)[None, None, :, None]
    )
    position[:count] = path[:, :, None] + size[..., None, None].astype(np.float32) * ring
    here = skin.colour[row, col]
    end = linear(look.tip) * (1 - look.paling) + 0.75 * look.paling
    fade = (t**2)[None, :, None]
    tint = here[:, None] * (1 - fade) + (0.35 * here[:, None] + 0.65 * end) * fade
    tint = tint * rng.uniform(0.85, 1.15, (count, 1, 1))
    colour[:count] = np.clip(tint, 0.003, 0.93)[:, :, None]
    return position.reshape(-1, 3), colour.reshape(-1, 3), coat.ravel(), count
