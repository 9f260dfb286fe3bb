"""One tile before it is traced: meshes, lamps, camera, and what the phone will do; from a seed."""

from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

from phantoms.colours import near
from phantoms.fields import Field
from phantoms.scene import Lab
from phantoms.traced.clothe import Look, cells, clothe
from phantoms.traced.fate import Fate
from phantoms.traced.form import NODES
from phantoms.traced.ground import Part, ground_part
from phantoms.traced.plans import make_form
from phantoms.traced.settings import Growth, Settings, any_colour, any_growth
from phantoms.traced.shoots import AROUND, RINGS, shoot_mesh
from phantoms.traced.stage import card_part, plug_part
from phantoms.traced.textures import Textures
from polypward.labels import LIVE

__all__ = ["QUADS", "Plan", "make_plan"]

# Luminous squares of the lamp; unused ones shrink to nothing.
QUADS = 16


@dataclass(slots=True, kw_only=True)
class Plan:
    """All that a tile is made of. Radiances are relative: a white flat at 0 comes out as 1."""

    seed: int
    parts: dict[str, Part]  # body, ground, plug, card
    face_labels: npt.NDArray[np.uint8]  # of the body's faces
    lamps: Field  # (QUADS, 4, 3) corners, facing down
    lamp_spectrum: npt.NDArray[np.float64]
    sky_spectrum: npt.NDArray[np.float64]
    lamp_name: int
    sensor: int
    eye: tuple[float, float, float]
    aim: tuple[float, float, float]
    up: tuple[float, float, float]
    plane_mm: float
    drawn: dict[str, str]


def _lab(values: npt.NDArray[np.floating]) -> Lab:
    return (float(values[0]), float(values[1]), float(values[2]))


_near = partial(near, light=(12, 94))


def _look(rng: np.random.Generator, settings: Settings) -> Look:
    def pick() -> Lab:
        if settings.colours:
            return _near(rng, settings.colours[rng.integers(len(settings.colours))], 4)
        return any_colour(rng)

    main, second, mouth, tip = pick(), pick(), pick(), pick()
    if rng.random() < 0.55:
        step = rng.choice([-1, 1]) * rng.uniform(6, 20)
        second = _near(rng, (main[0] + step, main[1], main[2]), 4)
    if rng.random() < 0.5:
        mouth = _near(rng, (main[0] + rng.uniform(-15, 15), main[1], main[2]), 6)
    if rng.random() < 0.55:
        tip = _near(rng, (main[0] + 10, main[1] * 0.9, main[2] * 0.9), 5)
    paling = rng.choice(
        [rng.uniform(0, 0.15), rng.uniform(0.15, 0.55), rng.uniform(0.55, 0.93)],
        p=[0.6, 0.22, 0.18],
    )
    return Look(
        main=main, second=second, mouth=mouth, tip=tip,
        pattern=str(rng.choice(["plain", "stripes", "rings", "mottled", "ridges"])),
        contrast=float(rng.uniform(0.3, 1)), paling=float(paling),
        coat=float(rng.choice([rng.uniform(0, 0.3), rng.uniform(0.3, 1)])),
        rough=float(rng.choice([rng.uniform(0.1, 0.22), rng.uniform(0.22, 0.55)])),
        inflated=float(rng.uniform(0, 0.4) if rng.random() < 0.3 else rng.uniform(0.5, 1)),
        speckle=float(rng.uniform(0.02, 0.12)),
    )  # fmt: skip


def _fate(rng: np.random.Generator, settings: Settings) -> Fate:
    kind = rng.choice(["well", "some", "much", "remnant"], p=[0.24, 0.34, 0.22, 0.2])
    lost = {
        "well": rng.uniform(0, 0.05) * (rng.random() < 0.5),
        "some": rng.uniform(0.05, 0.35),
        "much": rng.uniform(0.35, 0.75),
        "remnant": rng.choice([rng.uniform(0.75, 0.985), 1.0], p=[0.9, 0.1]),
    }[str(kind)]
    old = rng.choice([0.0, 1.0, rng.uniform(0.1, 0.9)], p=[0.28, 0.22, 0.5])
    growth: Growth = any_growth(rng)
    if settings.growths:
        growth = settings.growths[rng.integers(len(settings.growths))]
        growth = Growth(
            first=_near(rng, growth.first, 3), second=_near(rng, growth.second, 3),
            fuzz_mm=growth.fuzz_mm, tuft_mm=growth.tuft_mm, bury=growth.bury,
        )  # fmt: skip
    return Fate(
        bare=float(lost * (1 - old)), overgrown=float(lost * old),
        order=str(rng.choice(["rim", "edge", "patches", "middle", "top", "heads"],
                             p=[0.22, 0.25, 0.25, 0.08, 0.08, 0.12])),
        ragged_mm=float(rng.uniform(0.3, 4)),
        skeleton=_lab(rng.uniform((76, -2, 1), (93, 2.5, 14))),
        septa_mm=float(rng.uniform(0.15, 1.3)), growth=growth,
    )  # fmt: skip


def _lamps(rng: np.random.Generator) -> Field:
    """Corners (QUADS, 4, 3) of what shines: one panel, a few tubes or a cluster of LEDs."""
    kind = rng.choice(["panel", "tubes", "leds", "spot"], p=[0.28, 0.17, 0.35, 0.2])
    high = rng.uniform(440, 900)
    azimuth, slant = rng.uniform(0, 2 * np.pi), np.radians(rng.uniform(0, 48))
    middle = high * np.tan(slant) * np.array([np.cos(azimuth), np.sin(azimuth)])
    out = np.zeros((QUADS, 4, 3), np.float32)
    out[..., 2] = 2000.0
    count = {"panel": 1, "tubes": int(rng.integers(2, 5)), "leds": 16, "spot": 1}[str(kind)]
    for k in range(count):
        if kind == "panel":
            w, h, at = rng.uniform(90, 450), rng.uniform(90, 450), middle
        elif kind == "tubes":
            w, h, at = (
                rng.uniform(300, 700),
                rng.uniform(12, 26),
                middle + np.array([0, 75 * (k - 1.5)]),
            )
        elif kind == "leds":
            w = h = 14.0
            at = middle + 0.11 * high * np.array([k % 4 - 1.5, k // 4 - 1.5])
        else:
            w = h = rng.uniform(25, 70)
            at = middle
        corners = np.array([(-w, -h), (-w, h), (w, h), (w, -h)]) / 2
        out[k, :, :2] = at + corners
        out[k, :, 2] = high
    if kind != "leds":
        out[count:] = out[count - 1, :1, :]  # no area
    return out


def _irradiance(lamps: Field, *, at_mm: float) -> float:
    """Of radiance 1, on a flat at the middle at that height, over pi."""
    total = 0.0
    for quad in lamps.astype(np.float64):
        u, v = quad[1] - quad[0], quad[3] - quad[0]
        area = np.linalg.norm(np.cross(u, v))
        if area < 1:
            continue
        s = (np.arange(8) + 0.5) / 8
        points = quad[0] + s[:, None, None] * u + s[None, :, None] * v
        d = points - (0, 0, at_mm)
        r2 = (d**2).sum(-1)
        total += float((d[..., 2] ** 2 / r2**2).mean() * area)
    return total / np.pi


def _laid(
    seed: int, textures: Textures | None, settings: Settings, step_mm: float
) -> dict[str, Field]:
    """Real structure for tissue and growth of some tiles, stronger or weaker."""
    if textures is None:
        return {}
    rng = np.random.default_rng([seed, 73, settings.seed])
    return {
        kind: textures.laid(rng, kind, (NODES, NODES), step_mm) ** np.float32(rng.uniform(0.3, 1.1))
        for kind, share in (("live", 0.45), ("dead", 0.6))
        if rng.random() < share
    }


def make_plan(seed: int, settings: Settings, textures: Textures | None = None) -> Plan:
    """Draw everything about the tile of that seed; some wear real structure if it is given."""
    rng = np.random.default_rng([seed, 71, settings.seed])
    radius = float(rng.choice([rng.uniform(10, 24), rng.uniform(24, 47)], p=[0.22, 0.78]))
    plan = str(rng.choice(settings.plans))
    look, fate = _look(rng, settings), _fate(rng, settings)
    base = float(rng.choice([rng.uniform(0.5, 3), rng.uniform(3, 22)]))
    form = make_form(plan, radius_mm=radius, rng=rng)
    laid = _laid(seed, textures, settings, form.grid.step)
    skin = clothe(form, look, fate, base_mm=base, laid=laid)
    shoot_at, shoot_colour, shoot_coat, _ = shoot_mesh(form, skin, look)
    shift = rng.normal(0, 4, 2)
    nobody = rng.random() < 0.02
    body = Part(
        position=np.concatenate([skin.position.reshape(-1, 3), shoot_at]),
        colour=np.concatenate([skin.colour.reshape(-1, 3), shoot_colour]),
        rough=np.concatenate([skin.rough.ravel(), np.full(len(shoot_at), look.rough, np.float32)]),
        coat=np.concatenate([skin.coat.ravel(), shoot_coat]),
    )
    body.position[:, :2] += shift
    if nobody:
        body.position[:, 2] -= 150
    labels = np.concatenate([
        np.repeat(cells(skin).ravel(), 2),
        np.full(len(shoot_at) // (RINGS * AROUND) * 2 * (RINGS - 1) * AROUND, LIVE, np.uint8),
    ])  # fmt: skip
    ground = str(rng.choice(settings.grounds))
    plug = rng.random() < 0.6
    parts = {
        "body": body,
        "ground": ground_part(ground, rng),
        "plug": plug_part(
            rng, radius=float(rng.uniform(0.45, 1.15) * radius), top=base, shown=plug
        ),
        "card": card_part(rng, shown=bool(rng.random() < 0.45)),
    }
    parts["plug"].position[:, :2] += shift
    lamps = _lamps(rng)
    lamp_at = int(rng.integers(len(settings.lamps)))
    spectrum = settings.lamps[lamp_at].spectrum
    ambient = rng.uniform(0.12, 0.6)
    other = settings.lamps[int(rng.integers(len(settings.lamps)))].spectrum
    sky = spectrum if rng.random() < 0.7 else 0.5 * (spectrum + other)
    plane = base + float(rng.uniform(0.3, 0.9)) * float(np.percentile(form.z[form.reach < 1], 90))
    away, tilt = rng.uniform(300, 420), np.radians(min(abs(rng.normal(0, 9)), 25))
    towards = rng.uniform(0, 2 * np.pi)
    roll = rng.integers(4) * np.pi / 2 + rng.normal(0, 0.12)
    aim = np.array([*rng.normal(0, 3, 2), plane])
    eye = aim + away * np.array(
        [np.sin(tilt) * np.cos(towards), np.sin(tilt) * np.sin(towards), np.cos(tilt)]
    )
    return Plan(
        seed=seed, parts=parts, face_labels=labels, lamps=lamps,
        lamp_spectrum=spectrum * (1 - ambient) / _irradiance(lamps, at_mm=plane),
        sky_spectrum=sky * ambient, lamp_name=lamp_at, sensor=int(rng.integers(3)),
        eye=tuple(eye), aim=tuple(aim), up=(float(np.cos(roll)), float(np.sin(roll)), 0.0),
        plane_mm=plane,
        drawn={
            "plan": plan, "ground": ground, "growth": f"{fate.growth.fuzz_mm:.2f} mm",
            "paling": f"{look.paling:.2f}", "main": ",".join(f"{v:.0f}" for v in look.main),
            "inflated": f"{look.inflated:.2f}", "nobody": str(nobody),
            "real structure": ",".join(laid),
        },
    )  # fmt: skip
