"""Tray photos of held-out phantoms: each specimen's area beside that of a photo of it alone."""

from dataclasses import dataclass, replace
from functools import partial

import cv2
import numpy as np
import numpy.typing as npt

from bench.rows import Row, Size
from bench.shots import each, model
from phantoms.cameras import Camera
from phantoms.projection import Projection
from phantoms.render import encode_jpeg, render
from phantoms.scene import Scene
from phantoms.settings import HELD_OUT, random_camera, random_scene
from phantoms.truth import aim_mm
from polypward.errors import PhotoRejectedError
from polypward.records import PhotoSettings
from polypward_vision import measure_photo
from polypward_vision.load import decode

__all__ = ["measure"]

# Where specimens stand beside a strip, and their tags' middles, card mm.
PLACES = ((120.0, 5.0), (180.0, 5.0), (120.0, 85.0), (180.0, 85.0))
TAG_BELOW_MM, TAG_MM = 34.0, 14.0
RADIUS_MM, HEIGHT_MM = (9.0, 15.0), 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """A specimen's live area in a tray photo and alone, mm², None where it was not measured."""

    together: float | None
    alone: float | None


def tray_pairs(index: int, *, seed: int) -> list[Pair]:
    """Photograph four tagged specimens beside a strip, together and each alone on the same tray."""
    rng = np.random.default_rng([seed, index, 8])
    scene = random_scene(rng, HELD_OUT, layout="strip")
    models = tuple(
        replace(
            random_scene(rng, HELD_OUT, layout="strip").specimens[0],
            at_mm=place,
            radius_mm=float(rng.uniform(*RADIUS_MM)),
            height_mm=HEIGHT_MM,
            expansion=1.0,
        )
        for place in PLACES
    )
    camera = random_camera(rng, HELD_OUT, megapixels=12.0, tilt_deg=float(rng.uniform(0, 8)))
    camera = replace(camera, pose=replace(camera.pose, distance_mm=420.0, offset_mm=(0.0, 0.0)))
    whole = replace(scene, specimens=models)
    names = [f"T{number}" for number in range(len(models))]
    together = _areas(whole, camera, dict(zip(names, PLACES, strict=True)), seed=index)
    pairs = []
    for number, one in enumerate(models):
        # A second tag without a specimen keeps it a tray photo, read the same way.
        alone = replace(scene, specimens=(one,))
        tags = {names[number]: PLACES[number], "far": (60.0, 150.0)}
        found = _areas(alone, camera, tags, seed=index)
        pairs.append(Pair(together=together.get(names[number]), alone=found.get(names[number])))
    return pairs


def _areas(
    scene: Scene, camera: Camera, places: dict[str, tuple[float, float]], *, seed: int
) -> dict[str, float]:
    """Live areas, mm², by tag, of the specimens that a tray photo of the scene shows."""
    rendering = render(scene, camera, seed=seed)
    # The renderer aims at what is in the scene; the tags are laid where it looked.
    plane = Projection(camera, aim_mm(scene)).homography(0)
    rgb = rendering.rgb.astype(np.float32)
    for name, (x, y) in places.items():
        rgb = _with_tag(rgb, plane, name, (x, y + TAG_BELOW_MM))
    done = replace(rendering, rgb=np.clip(rgb, 0, 255).astype(np.uint8))
    try:
        result = measure_photo(
            decode(encode_jpeg(done)), settings=PhotoSettings(height_mm=HEIGHT_MM), model=model()
        )
    except PhotoRejectedError:
        return {}
    every = (result, *result.others)
    return {one.tags[0]: one.reading.live_mm2 or 0.0 for one in every if one.tags}


def _with_tag(
    rgb: npt.NDArray[np.float32], plane: npt.NDArray[np.float64], name: str,
    at_mm: tuple[float, float],
) -> npt.NDArray[np.float32]:  # fmt: skip
    import segno

    matrix = np.array([[bool(v) for v in row] for row in segno.make_qr(f"PWTAG {name}").matrix])
    art = np.kron(np.pad(np.where(matrix, 25, 215), 4, constant_values=215), np.ones((8, 8)))
    step = TAG_MM / (len(matrix) * 8)
    half = len(art) * step / 2
    to_mm = np.array([[step, 0, at_mm[0] - half], [0, step, at_mm[1] - half], [0, 0, 1.0]])
    size = (rgb.shape[1], rgb.shape[0])
    soft = cv2.GaussianBlur(art.astype(np.float32), (0, 0), 3)
    drawn = np.asarray(cv2.warpPerspective(soft, plane @ to_mm, size), np.float32)
    cover = np.asarray(cv2.warpPerspective(np.ones_like(soft), plane @ to_mm, size), np.float32)
    return rgb + cover[..., None] * (drawn[..., None] - rgb)


def measure(size: Size) -> list[Row]:
    """Measure the agreement of tray photos with single ones."""
    count = max(1, size.photos // 10)
    found = each(partial(tray_pairs, seed=size.seed), range(count), jobs=size.jobs)
    pairs = [pair for some in found for pair in some]
    both = [
        (pair.together, pair.alone)
        for pair in pairs
        if pair.together is not None and pair.alone is not None and pair.alone >= 50
    ]
    off = np.array([abs(one / other - 1) for one, other in both])
    return [
        Row(
            what="tray photo against single photos, live area",
            reach="within 2 %",
            measured=f"median {100 * np.median(off):.2f} %, {np.mean(off <= 0.02):.0%} within 2 %"
            if len(off)
            else "none read",
            settings=(
                f"{count} trays of 4 held-out phantoms, 12 MP, {len(both)} of {len(pairs)} "
                f"measured in both, {sum(one.together is None for one in pairs)} left out"
            ),
            reached=bool(len(off) and np.median(off) <= 0.02),
        )
    ]
