"""A scene in colours and textures from anywhere: what a model of tissue must not depend on."""

from dataclasses import replace
from functools import partial

import numpy as np

from phantoms.colours import near
from phantoms.scene import Lab, Scene

__all__ = ["varied"]


def _colour(
    rng: np.random.Generator, *, light: tuple[float, float], chroma: tuple[float, float]
) -> Lab:
    lightness, strength = rng.uniform(*light), rng.uniform(*chroma)
    strength *= min(1.0, (100 - lightness) / 40)
    hue = rng.uniform(0, 2 * np.pi)
    return (float(lightness), float(strength * np.cos(hue)), float(strength * np.sin(hue)))


_near = partial(near, light=(8, 95))


def _growth(rng: np.random.Generator) -> tuple[Lab, Lab]:
    first = _colour(rng, light=(16, 66), chroma=(0, 42))
    if rng.random() < 0.6:  # reds, browns and greens are what grows most
        hue, strength = rng.uniform(-0.5, 2.4), float(np.hypot(first[1], first[2]))
        first = (first[0], float(strength * np.cos(hue)), float(strength * np.sin(hue)))
    return first, _near(rng, first, (8, 7, 7))


def _tissue(rng: np.random.Generator) -> Lab:
    if rng.random() < 0.22:  # all but white
        return _colour(rng, light=(74, 93), chroma=(0, 14))
    return _colour(rng, light=(22, 85), chroma=(3, 58))


def varied(rng: np.random.Generator, scene: Scene) -> Scene:
    """Return the scene with other colours and textures of tissue, growth, skeleton and ground.

    Shapes, lamp and card stay. Each thing keeps what it had now and then, so that what a family
    of scenes draws is among what is seen.
    """
    specimen, ground = scene.specimens[0], scene.ground
    look = specimen.look
    if rng.random() < 0.75:
        main = _tissue(rng)
        alike = rng.random() < 0.5
        second = _near(rng, main, (12, 5, 5)) if alike else _tissue(rng)
        rim = _near(rng, main, (8, 4, 4)) if rng.random() < 0.5 else _tissue(rng)
        look = replace(look, main=main, second=second, rim=rim, mouth=_tissue(rng))
    if rng.random() < 0.15:
        look = replace(look, pattern="plain", contrast=float(rng.uniform(0, 0.3)))
    if rng.random() < 0.35:
        size = float(rng.uniform(0.5, 4))
        look = replace(
            look, warts_mm=size * float(rng.uniform(0.05, 0.45)), wart_size_mm=size
        )  # fmt: skip
    if rng.random() < 0.3:
        look = replace(look, glint=float(rng.uniform(0, 0.2)))
    specimen = replace(
        specimen,
        look=look,
        growth_colours=_growth(rng) if rng.random() < 0.7 else None,
        fuzz=float(rng.uniform(0.4, 1.8)),
    )
    if rng.random() < 0.15:  # a small rest of life, or none
        lost = float(rng.uniform(0.8, 0.99))
        share = float(rng.choice([0.0, rng.uniform(0, 1), 1.0]))
        specimen = replace(specimen, bare=lost * share, overgrown=lost * (1 - share))
    if rng.random() < 0.6:
        stuff = _colour(rng, light=(8, 95), chroma=(0, 30))
        gaps = _near(rng, stuff, (10, 4, 4))
        if rng.random() < 0.5:
            gaps = _colour(rng, light=(6, 92), chroma=(0, 25))
        ground = replace(ground, colour=stuff, gaps=gaps)
    if rng.random() < 0.5:
        kinds = ["bars", "pebbles", "sand", "tray", "rack", "stones", "stones", "stones"]
        ground = replace(ground, kind=rng.choice(kinds))
    if rng.random() < 0.3 and ground.plug is not None:
        ground = replace(ground, plug=_colour(rng, light=(20, 92), chroma=(0, 25)))
    return replace(scene, specimens=(specimen, *scene.specimens[1:]), ground=ground)
