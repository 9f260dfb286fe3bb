"""Cut-outs drawn directly in Lab: a second, cruder world than the renderer's, for training.

A model that has seen only one renderer learns that renderer's habits. These tiles share nothing
with it: shapes from noise, colours from wide ranges, no camera.
"""

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.drawn_grounds import ground, textured
from phantoms.dress import dress
from phantoms.fields import smooth_noise
from phantoms.packed_tile import MM_PER_PX
from phantoms.settings import Family, random_scene
from phantoms.vary import varied
from polypward.labels import BACKGROUND, BARE, LIVE, OVERGROWN

__all__ = ["drawn_tile"]

Array = npt.NDArray[np.float32]


def _tissue(rng: np.random.Generator, shape: tuple[int, int], px_mm: float) -> Array:
    kind = rng.choice(
        ["brown", "green", "red", "purple", "pale", "any"], p=[0.25, 0.19, 0.13, 0.13, 0.22, 0.08]
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
        weight = np.exp(2 * smooth_noise(rng, shape, rng.uniform(1, 8) / px_mm))
        out += weight[..., None] * np.array(lab, np.float32)
        total += weight
    out /= total[..., None]
    out[..., 0] += rng.uniform(1, 6) * smooth_noise(rng, shape, rng.uniform(0.8, 5) / px_mm)
    glints = smooth_noise(rng, shape, rng.uniform(0.4, 1.2) / px_mm) > rng.uniform(2.4, 3.5)
    out[glints, 0] = 97
    out[glints, 1:] *= 0.2
    return out


def _skeleton(rng: np.random.Generator, shape: tuple[int, int], px_mm: float) -> Array:
    lab = np.array([rng.uniform(72, 94), rng.uniform(-2, 3), rng.uniform(1, 14)], np.float32)
    out = textured(rng, shape, lab, grain=rng.uniform(1, 5), size_px=rng.uniform(0.3, 1.2) / px_mm)
    # Septa: thin walls that shade one another, in some direction that turns slowly.
    pitch = rng.uniform(0.8, 3.0) / px_mm
    row, col = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    angle = np.pi * smooth_noise(rng, shape, 15 / px_mm)
    wave = np.sin(2 * np.pi * (row * np.cos(angle) + col * np.sin(angle)) / pitch)
    out[..., 0] += rng.uniform(0, 7) * wave
    return out


def _any_growth(rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Lab of some algae, sponge or slime: dark to middling, seldom blue."""
    kind = rng.choice(["turf", "coralline", "film", "dark", "red"])
    lightness, chroma, hue = {
        "turf": (rng.uniform(20, 50), rng.uniform(8, 35), rng.uniform(80, 150)),
        "coralline": (rng.uniform(40, 65), rng.uniform(10, 35), rng.uniform(-50, 20)),
        "film": (rng.uniform(35, 70), rng.uniform(5, 28), rng.uniform(55, 115)),
        "dark": (rng.uniform(10, 35), rng.uniform(2, 18), rng.uniform(0, 360)),
        "red": (rng.uniform(18, 45), rng.uniform(10, 30), rng.uniform(-15, 50)),
    }[str(kind)]
    hue = np.radians(hue)
    return np.array([lightness, chroma * np.cos(hue), chroma * np.sin(hue)])


def _growth(rng: np.random.Generator, shape: tuple[int, int], px_mm: float) -> Array:
    lab = _any_growth(rng).astype(np.float32)
    return textured(rng, shape, lab, grain=rng.uniform(3, 8), size_px=rng.uniform(0.3, 1.0) / px_mm)


def _heads(rng: np.random.Generator, x: Array, y: Array) -> Array:
    """Distance to the nearest of several heads in units of its radius."""
    reach = np.full(x.shape, np.inf, np.float32)
    count = int(rng.integers(3, 10))
    for _ in range(count):
        at, angle = 0.75 * np.sqrt(rng.random()), rng.uniform(0, 2 * np.pi)
        size = rng.uniform(0.7, 1.2) * 0.6 / np.sqrt(count)
        away = np.hypot(x - at * np.cos(angle), y - at * np.sin(angle)) / size
        reach = np.minimum(reach, away.astype(np.float32))
    return reach


def _strands(
    rng: np.random.Generator, shape: tuple[int, int], radius_px: float
) -> tuple[Array, Array]:
    """Tentacles that drift one way or all ways: reach as of `_heads`, and a lightness for each."""
    drawn = np.zeros(shape, np.float32)
    drift, together = rng.uniform(0, 2 * np.pi), rng.uniform(0, 1.5)
    core, width = rng.uniform(0.2, 0.6), rng.uniform(0.05, 0.16)
    middle = np.array(shape[::-1]) / 2
    for _ in range(int(rng.integers(20, 110))):
        angle = rng.uniform(0, 2 * np.pi)
        point = core * np.sqrt(rng.random()) * np.array([np.cos(angle), np.sin(angle)])
        way = np.arctan2(
            np.sin(angle) + together * np.sin(drift), np.cos(angle) + together * np.cos(drift)
        ) + rng.normal(0, 0.3)
        bend = rng.normal(0, 0.12)
        steps = int(rng.integers(4, 12))
        line = [point]
        for _ in range(steps):
            way += bend
            point = point + 0.07 * np.array([np.cos(way), np.sin(way)])
            line.append(point)
        thick = max(2, round(width * rng.uniform(0.6, 1.2) * radius_px))
        path = np.round(8 * (middle + radius_px * np.array(line))).astype(np.int32)
        light = float(rng.uniform(0.3, 1))
        cv2.polylines(drawn, [path], False, 0.6 * light, thick, cv2.LINE_8, 3)
        cv2.polylines(drawn, [path], False, light, max(1, thick // 2), cv2.LINE_8, 3)
    there = (drawn > 0).astype(np.uint8)
    inside = cv2.distanceTransform(there, cv2.DIST_L2, 3)
    outside = cv2.distanceTransform(1 - there, cv2.DIST_L2, 3)
    reach = 1 + (outside - np.minimum(inside, width * radius_px)) / (0.5 * width * radius_px)
    return np.asarray(np.maximum(reach, 0), np.float32), drawn


def _drawn_specimen(
    rng: np.random.Generator, shape: tuple[int, int], px_mm: float
) -> tuple[Array, npt.NDArray[np.uint8]]:
    """Draw a blob of tissue that has lost some of itself: Lab and labels."""
    row, col = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    centre = np.array(shape) / 2 + rng.normal(0, 4, 2) / px_mm
    y, x = row - centre[0], col - centre[1]
    radius = rng.uniform(7, 0.42 * min(shape) * px_mm) / px_mm
    reach = np.hypot(y, x * rng.uniform(0.7, 1.0)) / radius
    form = rng.choice(
        ["solid", "heads", "ring", "nested", "strands"], p=[0.42, 0.16, 0.12, 0.14, 0.16]
    )
    light_of = np.zeros(shape, np.float32)
    if form == "heads":  # heads that stand apart, the ground between them
        reach = _heads(rng, x / radius, y / radius)
    elif form == "ring":  # a ribbon round a gap
        turn = np.arctan2(y, x)
        waves = rng.uniform(0, 0.3) * np.cos(rng.integers(3, 8) * turn + rng.uniform(0, 6))
        width = rng.uniform(0.12, 0.3)
        reach = np.abs(reach - (1 - width) * (0.75 + waves)) / width
        radius *= width
    elif form == "nested":  # walls inside one another, the ground between them
        walls = rng.uniform(1.5, 4)
        bent = walls * reach + rng.uniform(0.05, 0.5) * smooth_noise(rng, shape, radius / 2)
        reach = np.maximum(2 * np.abs(bent % 1 - 0.5) / rng.uniform(0.4, 0.8), reach**12)
        radius /= walls
    elif form == "strands":
        radius = max(radius, 11 / px_mm)
        reach, light_of = _strands(rng, shape, radius)
    if form != "strands":
        reach += rng.uniform(0.03, 0.2) * smooth_noise(rng, shape, radius / rng.uniform(0.6, 2))
    body = reach < 1
    labels = np.where(body, LIVE, BACKGROUND).astype(np.uint8)
    lab = _tissue(rng, shape, px_mm)
    lab[..., 0] *= 1 + rng.uniform(0.2, 0.8) * (light_of - 0.6) * (light_of > 0)
    angle = rng.uniform(0, 2 * np.pi)
    # Bare skeleton lies between tissue and growth more often than not.
    for label, surface, chance in ((BARE, _skeleton, 0.65), (OVERGROWN, _growth, 0.5)):
        if rng.random() > chance:
            continue
        if label == BARE or rng.random() < 0.4:
            angle = rng.uniform(0, 2 * np.pi)
        ramp = (y * np.sin(angle) + x * np.cos(angle)) / radius
        if rng.random() < 0.3:
            ramp = reach.copy()
        ramp += rng.uniform(0.05, 0.5) * smooth_noise(rng, shape, radius / rng.uniform(0.5, 3))
        share = 1.0 if rng.random() < 0.03 else rng.beta(1, 3.5)
        lost = body & (ramp > np.quantile(ramp[body], 1 - share))
        labels[lost] = label
        lab[lost] = surface(rng, shape, px_mm)[lost]
    height = np.sqrt(np.clip(1 - np.minimum(reach, 1) ** 2, 0, 1))
    light = rng.uniform(0, 2 * np.pi)
    side = (y * np.sin(light) + x * np.cos(light)) / radius
    lab[..., 0] += rng.uniform(0, 14) * (height - 0.6) + rng.uniform(0, 6) * side
    return lab, labels


def _dressed_specimen(
    rng: np.random.Generator, shape: tuple[int, int], px_mm: float, family: Family
) -> tuple[Array, npt.NDArray[np.uint8]]:
    """Take the renderer's specimen without its camera, in any colours: Lab and labels."""
    scene = random_scene(rng, family, layout="frame")
    if rng.random() < 0.8:
        scene = varied(rng, scene)
    worn = dress(scene.specimens[0], scene.lighting)
    lab = worn.lab()
    lab[..., 0] = np.maximum(lab[..., 0], 100 * np.minimum(worn.glint, 1))
    turn, scale = rng.uniform(0, 2 * np.pi), worn.px_mm / px_mm
    cos, sin = scale * np.cos(turn), scale * np.sin(turn)
    middle = np.array(worn.labels.shape[::-1]) / 2
    to = np.array(shape[::-1]) / 2 + rng.normal(0, 4, 2) / px_mm
    matrix = np.array([[cos, -sin], [sin, cos]])
    move = np.column_stack([matrix, to - matrix @ middle])
    size = (shape[1], shape[0])
    labels = cv2.warpAffine(worn.labels, move, size, flags=cv2.INTER_NEAREST)
    lab = cv2.warpAffine(lab, move, size, flags=cv2.INTER_LINEAR)
    return np.asarray(lab, np.float32), np.asarray(labels, np.uint8)


def _card_edge(rng: np.random.Generator, lab: Array, px_mm: float) -> None:
    """Show the card's window edge and patches along some sides, as a tall specimen's plane does."""
    for side in range(4):
        if rng.random() < 0.5:
            continue
        view = np.rot90(lab, side)
        depth = round(rng.uniform(0.5, 8) / px_mm)
        view[:depth] = [rng.uniform(88, 97), 0, rng.uniform(-2, 4)]
        pitch = round(rng.uniform(8, 11) / px_mm)
        for left in range(int(rng.integers(pitch)), view.shape[1], pitch):
            colour = [rng.uniform(20, 90), rng.normal(0, 20), rng.normal(0, 22)]
            view[: max(0, depth - round(2 / px_mm)), left : left + round(0.85 * pitch)] = colour


def drawn_tile(
    rng: np.random.Generator,
    *,
    shape: tuple[int, int] = (round(88 / MM_PER_PX), round(96 / MM_PER_PX)),
    px_mm: float = MM_PER_PX,
    family: Family | None = None,
) -> tuple[Array, npt.NDArray[np.uint8]]:
    """Draw a Lab cut-out, float32 (rows, cols, 3), and its true labels, uint8 (rows, cols).

    With a family the specimen is the renderer's, under no camera; without, it is drawn too.
    """
    lab = ground(rng, shape, px_mm)
    if family is None:
        specimen, labels = _drawn_specimen(rng, shape, px_mm)
    else:
        specimen, labels = _dressed_specimen(rng, shape, px_mm, family)
    if rng.random() < 0.04:
        labels[:] = BACKGROUND  # nobody at home
    body = labels != BACKGROUND
    radius_px = np.sqrt(max(np.count_nonzero(body), 1000) / np.pi)
    # A plug, a side wall or a bit of rock shows under the body, clean or grown over.
    if rng.random() < 0.6:
        row, col = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
        at = np.array(shape) / 2 + rng.normal(0, 3, 2) / px_mm
        reach = np.hypot(row - at[0], col - at[1]) / (radius_px * rng.uniform(0.7, 1.3))
        if rng.random() < 0.4:
            reach += 0.15 * smooth_noise(rng, shape, radius_px)
        stone = np.array([rng.uniform(40, 85), rng.normal(0, 4), rng.normal(3, 5)], np.float32)
        under = textured(rng, shape, stone, grain=rng.uniform(0.5, 4), size_px=3)
        if rng.random() < 0.5:
            grown = smooth_noise(rng, shape, radius_px / 2) > rng.uniform(-1.5, 1.5)
            under[grown] = _growth(rng, shape, px_mm)[grown]
        lab[reach < 1] = under[reach < 1]
    shade = cv2.GaussianBlur(body.astype(np.float32), (0, 0), rng.uniform(1, 4) / px_mm)
    move = np.array([[1, 0, rng.normal(0, 3) / px_mm], [0, 1, rng.normal(0, 3) / px_mm]])
    shade = cv2.warpAffine(shade, move, (shape[1], shape[0]), borderMode=cv2.BORDER_REPLICATE)
    lab[..., 0] *= 1 - rng.uniform(0, 0.6) * shade
    lab[body] = specimen[body]
    if rng.random() < 0.4:
        _card_edge(rng, lab, px_mm)
        labels = np.where((lab == specimen).all(axis=2), labels, BACKGROUND).astype(np.uint8)
    lab[..., 0] *= 1 + rng.uniform(0, 0.08) * smooth_noise(rng, shape, max(shape) / 2)
    blur_px = max(rng.uniform(0.05, 0.35) / px_mm, 0.3)
    lab = np.asarray(cv2.GaussianBlur(lab, (0, 0), blur_px), np.float32)
    lab += rng.normal(0, rng.uniform(0.2, 2.5), lab.shape).astype(np.float32)
    lab[..., 0] = np.clip(lab[..., 0], 0, 100)
    return lab, labels
