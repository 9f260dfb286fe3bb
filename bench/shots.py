"""Rendered photos of the unseen family: the bytes a phone would give, and what is really there.

Specimens, growths, grounds, lamps, sensors and tones are those of `phantoms.settings.UNSEEN`,
none of which the tissue model was trained on or chosen by; the grounds are photographs.
"""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache
from multiprocessing import get_context
from typing import TypeVar

import cv2
import numpy as np

from phantoms.cameras import Camera
from phantoms.lights import Lamp, lamp
from phantoms.render import Truth, encode_jpeg, render
from phantoms.scene import Scene
from phantoms.settings import UNSEEN, random_camera, random_scene
from polypward.records import Card, PhotoSettings, Reading
from polypward_vision import measure_photo
from polypward_vision.load import decode
from polypward_vision.tissue import TissueModel, load_base_model

__all__ = [
    "WHITE_LAMPS",
    "Shot",
    "card_of",
    "each",
    "held_out",
    "model",
    "nominal_reading",
    "settings_of",
]

# White LEDs and daylights of the family with a correlated temperature of 4000 to 7500 K
# (CIE 15:2018: LED-V2 4070 K, ID50 5098 K, D60 6003 K, ID65 6603 K).
WHITE_LAMPS = ("LED-V2", "ID50", "D60", "ID65")
# Picture sizes, megapixels, and how often each is drawn.
SIZES = (8.0, 12.0, 24.0, 50.0)
SHARES = (0.45, 0.4, 0.1, 0.05)
_Task = TypeVar("_Task")
_Answer = TypeVar("_Answer")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One photo: JPEG bytes with EXIF, the truth, and what the renderer was told."""

    jpeg: bytes
    truth: Truth
    scene: Scene
    camera: Camera
    megapixels: float
    tilt_deg: float


def held_out(
    seed: int,
    index: int,
    *,
    megapixels: float | None = None,
    layout: str | None = None,
    tilt_deg: float | None = None,
    print_error_de: float | None = None,
    light: Lamp | str | None = None,
) -> Shot:
    """Render photo `index` of a series; whatever is not given is drawn from the family."""
    rng = np.random.default_rng([seed, index])
    size = float(rng.choice(SIZES, p=SHARES)) if megapixels is None else megapixels
    tilt = float(rng.uniform(0, 25)) if tilt_deg is None else tilt_deg
    scene = random_scene(rng, UNSEEN, layout=layout, print_error_de=print_error_de)
    if light is not None:
        light = lamp(light) if isinstance(light, str) else light
        scene = replace(scene, lighting=replace(scene.lighting, lamp=light))
    camera = random_camera(rng, UNSEEN, megapixels=size, tilt_deg=tilt)
    rendering = render(scene, camera, seed=int(rng.integers(2**31)))
    assert rendering.truth is not None
    return Shot(
        jpeg=encode_jpeg(rendering),
        truth=rendering.truth,
        scene=scene,
        camera=camera,
        megapixels=size,
        tilt_deg=tilt,
    )


def card_of(shot: Shot, *, measured: bool) -> Card:
    """Return the shot's card, print scale known; with the print's true colours if `measured`."""
    assert shot.scene.printed is not None
    card = replace(shot.scene.printed.card, print_scale=(1.0, 1.0))
    if not measured:
        return card
    patches = tuple(
        replace(patch, lab_d50=tuple(float(value) for value in lab))
        for patch, lab in zip(card.patches, shot.truth.patch_labs, strict=True)
    )
    return replace(card, patches=patches, values="measured")


def settings_of(shot: Shot) -> PhotoSettings:
    """Return what the photographer says: the true height."""
    return PhotoSettings(height_mm=shot.truth.height_mm)


@cache
def model() -> TissueModel:
    """Return the packaged tissue model, loaded once a process."""
    return load_base_model()


def each(
    work: Callable[[_Task], _Answer], tasks: Iterable[_Task], *, jobs: int
) -> Iterator[_Answer]:
    """Run `work` on every task, in order, in `jobs` processes of one thread each."""
    cv2.setNumThreads(1)
    if jobs == 1:
        yield from map(work, tasks)
        return
    with ProcessPoolExecutor(
        jobs, mp_context=get_context("spawn"), initializer=cv2.setNumThreads, initargs=(1,)
    ) as pool:
        yield from pool.map(work, tasks)


def nominal_reading(shot: Shot) -> Reading:
    """Read a photo with nothing known of its card but the nominal layout.

    Raises
    ------
    PhotoRejectedError
        As `polypward_vision.measure_photo`.
    """
    return measure_photo(
        decode(shot.jpeg),
        settings=settings_of(shot),
        cards=[card_of(shot, measured=False)],
        model=model(),
    ).reading
