"""Cut-outs drawn directly in Lab: a second, cruder world than the renderer's, for training.

A model that has seen only one renderer learns that renderer's habits. These tiles share nothing
with it: shapes from noise, colours from wide ranges, no camera.
"""

import cv2
import numpy as np
import numpy.typing as npt

from polypward.labels import BACKGROUND, BARE, LIVE, OVERGROWN

__all__ = ["drawn_tile", "noise"]

Array = npt.NDArray[np.float32]


def noise(rng: np.random.Generator, shape: tuple[int, int], size_px: float) -> Array:
    """Smooth noise of mean 0 and SD 1; `size_px` is the size of its blobs."""
    small = (max(3, int(shape[0] / size_px) + 2), max(3, int(shape[1] / size_px) + 2))
    field = rng.standard_normal(small).astype(np.float32)
    field = cv2.resize(field, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    field -= field.mean()
    return np.asarray(field / max(float(field.std()), 1e-6), np.float32)


def _textured(
    rng: np.random.Generator, shape: tuple[int, int], lab: Array, *, grain: float, size_px: float
) -> Array:
    """Draw a surface of one colour with relief (lightness) and a little change of hue."""
    out = np.empty((*shape, 3), np.float32)
    out[:] = lab
    out[..., 0] += grain * noise(rng, shape, size_px) + grain / 2 * noise(rng, shape, size_px * 3)
    for channel in (1, 2):
        out[..., channel] += grain / 4 * noise(rng, shape, size_px * 2)
    return out


def _background(rng: np.random.Generator, shape: tuple[int, int], px_mm: float) -> Array:
    kind = rng.choice(["paper", "grey", "dark", "blue", "sand", "grid", "rock"])
    lightness, chroma = {
        "paper": (rng.uniform(82, 96), rng.uniform(0, 4)),
        "grey": (rng.uniform(35, 80), rng.uniform(0, 5)),
        "dark": (rng.uniform(8, 35), rng.uniform(0, 8)),
        "blue": (rng.uniform(30, 65), rng.uniform(10, 35)),
        "sand": (rng.uniform(60, 85), rng.uniform(4, 14)),
        "grid": (rng.uniform(75, 95), rng.uniform(0, 4)),
        "rock": (rng.uniform(30, 65), rng.uniform(4, 18)),
    }[str(kind)]
    hue = np.radians(rng.uniform(60, 100))
    if kind == "blue":
        hue = np.radians(rng.uniform(220, 290))
    if kind == "rock":
        hue = np.radians(rng.uniform(0, 140))
    lab = np.array([lightness, chroma * np.cos(hue), chroma * np.sin(hue)], np.float32)
    grain = {"sand": rng.uniform(2, 8), "rock": rng.uniform(2, 9)}.get(str(kind), rng.uniform(0, 2))
    out = _textured(rng, shape, lab, grain=grain, size_px=rng.uniform(0.3, 1.5) / px_mm)
    if kind == "grid":
        pitch, bar = rng.uniform(8, 16) / px_mm, rng.uniform(0.1, 0.25)
        row, col = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
        hole = ((row / pitch) % 1 > bar) & ((col / pitch) % 1 > bar)
        out[hole] = [rng.uniform(10, 50), 0, rng.uniform(-10, 5)]
    return out


def _tissue(rng: np.random.Generator, shape: tuple[int, int], px_mm: float) -> Array:
    kind = rng.choice(
        ["brown", "green", "red", "purple", "pale", "any"], p=[0.28, 0.22, 0.14, 0.14, 0.14, 0.08]
    )
    low, high, chroma, hues = {
        "brown": (25, 60, (10, 40), (40, 85)),
        "green": (30, 75, (15, 70), (100, 160)),
        "red": (25, 60, (20, 60), (0, 45)),
        "purple": (25, 60, (10, 45), (280, 350)),
        "pale": (65, 92, (3, 18), (40, 140)),
        "any": (20, 85, (5, 60), (0, 360)),
    }[str(kind)]
    out = np.zeros((*shape, 3), np.float32)
    total = np.zeros(shape, np.float32)
    for _ in range(rng.integers(1, 4)):
        hue = np.radians(rng.uniform(*hues))
        strength = rng.uniform(*chroma)
        lab = [rng.uniform(low, high), strength * np.cos(hue), strength * np.sin(hue)]
        weight = np.exp(2 * noise(rng, shape, rng.uniform(1, 8) / px_mm))
        out += weight[..., None] * np.array(lab, np.float32)
        total += weight
    out /= total[..., None]
    out[..., 0] += rng.uniform(1, 6) * noise(rng, shape, rng.uniform(0.8, 5) / px_mm)
    glints = noise(rng, shape, rng.uniform(0.4, 1.2) / px_mm) > rng.uniform(2.4, 3.5)
    out[glints, 0] = 97
    out[glints, 1:] *= 0.2
    return out


def _skeleton(rng: np.random.Generator, shape: tuple[int, int], px_mm: float) -> Array:
    lab = np.array([rng.uniform(72, 94), rng.uniform(-2, 3), rng.uniform(1, 14)], np.float32)
    out = _textured(rng, shape, lab, grain=rng.uniform(1, 5), size_px=rng.uniform(0.3, 1.2) / px_mm)
    # Septa: thin walls that shade one another, in some direction that turns slowly.
    pitch = rng.uniform(0.8, 3.0) / px_mm
    row, col = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    angle = np.pi * noise(rng, shape, 15 / px_mm)
    wave = np.sin(2 * np.pi * (row * np.cos(angle) + col * np.sin(angle)) / pitch)
    out[..., 0] += rng.uniform(0, 7) * wave
    return out


def _growth(rng: np.random.Generator, shape: tuple[int, int], px_mm: float) -> Array:
    kind = rng.choice(["turf", "coralline", "film", "dark"])
    lightness, chroma, hue = {
        "turf": (rng.uniform(20, 50), rng.uniform(8, 35), rng.uniform(80, 135)),
        "coralline": (rng.uniform(40, 65), rng.uniform(10, 35), rng.uniform(-30, 20)),
        "film": (rng.uniform(35, 65), rng.uniform(8, 28), rng.uniform(60, 110)),
        "dark": (rng.uniform(10, 35), rng.uniform(2, 18), rng.uniform(0, 360)),
    }[str(kind)]
    hue = np.radians(hue)
    lab = np.array([lightness, chroma * np.cos(hue), chroma * np.sin(hue)], np.float32)
    return _textured(
        rng, shape, lab, grain=rng.uniform(3, 8), size_px=rng.uniform(0.3, 1.0) / px_mm
    )


def drawn_tile(
    rng: np.random.Generator, *, shape: tuple[int, int] = (400, 440), px_mm: float = 0.2
) -> tuple[Array, npt.NDArray[np.uint8]]:
    """Draw a Lab cut-out, float32 (rows, cols, 3), and its true labels, uint8 (rows, cols)."""
    row, col = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    centre = np.array(shape) / 2 + rng.normal(0, 4, 2) / px_mm
    y, x = row - centre[0], col - centre[1]
    radius = rng.uniform(7, 0.42 * min(shape) * px_mm) / px_mm
    stretch = rng.uniform(0.7, 1.0)
    reach = np.hypot(y, x * stretch) / radius
    reach += rng.uniform(0.03, 0.2) * noise(rng, shape, radius / rng.uniform(0.6, 2))
    lab = _background(rng, shape, px_mm)
    labels = np.full(shape, BACKGROUND, np.uint8)
    # The plug or the side wall shows as a ring or a disc under the body.
    if rng.random() < 0.5:
        under = np.hypot(y - rng.normal(0, 3) / px_mm, x) < radius * rng.uniform(0.7, 1.25)
        lab[under] = (
            _growth(rng, shape, px_mm)
            if rng.random() < 0.4
            else _textured(
                rng, shape, np.array([rng.uniform(45, 85), 0, 5], np.float32), grain=3, size_px=3
            )
        )[under]
    shade = cv2.GaussianBlur((reach < 1).astype(np.float32), (0, 0), rng.uniform(1, 4) / px_mm)
    lab[..., 0] -= rng.uniform(0, 25) * np.roll(shade, int(rng.normal(0, 2) / px_mm), axis=1)
    body = reach < 1
    angle = rng.uniform(0, 2 * np.pi)
    labels[body] = LIVE
    lab[body] = _tissue(rng, shape, px_mm)[body]
    # Bare skeleton lies between tissue and growth more often than not.
    for label, surface, chance in ((BARE, _skeleton, 0.65), (OVERGROWN, _growth, 0.5)):
        if rng.random() > chance:
            continue
        if label == BARE or rng.random() < 0.4:
            angle = rng.uniform(0, 2 * np.pi)
        ramp = (y * np.sin(angle) + x * np.cos(angle)) / radius
        if rng.random() < 0.3:
            ramp = reach.copy()
        ramp += rng.uniform(0.05, 0.5) * noise(rng, shape, radius / rng.uniform(0.5, 3))
        share = 1.0 if rng.random() < 0.03 else rng.beta(1, 3.5)
        lost = body & (ramp > np.quantile(ramp[body], 1 - share))
        labels[lost] = label
        lab[lost] = surface(rng, shape, px_mm)[lost]
    height = np.sqrt(np.clip(1 - np.minimum(reach, 1) ** 2, 0, 1))
    light = rng.uniform(0, 2 * np.pi)
    side = (y * np.sin(light) + x * np.cos(light)) / radius
    lab[..., 0] += np.where(body, rng.uniform(0, 14) * (height - 0.6), 0)
    lab[..., 0] += np.where(body, rng.uniform(0, 6) * side, 0)
    lab[..., 0] *= 1 + rng.uniform(0, 0.08) * noise(rng, shape, max(shape) / 2)
    blur = rng.uniform(0.05, 0.35) / px_mm
    lab = np.asarray(cv2.GaussianBlur(lab, (0, 0), max(blur, 0.3)), np.float32)
    lab += rng.normal(0, rng.uniform(0.2, 2.5), lab.shape).astype(np.float32)
    lab[..., 0] = np.clip(lab[..., 0], 0, 100)
    return lab, labels
