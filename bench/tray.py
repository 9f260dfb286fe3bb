"""Tray photos of held-out phantoms: each specimen's area beside that of photos of it alone.

Alone it stands where the strip's arrow points, and is photographed twice, the camera leaning
another way: how far those two are apart is as near as a tray photo can come.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import cv2
import numpy as np
import numpy.typing as npt

from bench.rows import Row, Size
from bench.shots import each, model
from phantoms.cameras import Camera
from phantoms.projection import Projection
from phantoms.render import Truth, encode_jpeg, render
from phantoms.scene import Scene, SpecimenModel
from phantoms.settings import UNSEEN, random_camera, random_scene
from phantoms.truth import aim_mm
from polypward.errors import PhotoRejectedError
from polypward.records import PhotoSettings
from polypward_vision import measure_photo
from polypward_vision.load import decode

__all__ = ["Pair", "measure", "tray_pairs"]

MEGAPIXELS, CAMERA_MM = 8.0, 420.0
# Where specimens stand beside a strip, card mm, and what is left between one and its tag's code.
PLACES = ((120.0, 5.0), (180.0, 5.0), (120.0, 85.0), (180.0, 85.0))
GAP_MM, TAG_MM = 9.0, 14.0
RADIUS_MM, HEIGHT_MM = (9.0, 15.0), 6.0
ENOUGH_MM2 = 50.0
Tags = Sequence[tuple[str, tuple[float, float]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """A specimen's live area in a tray photo and alone, twice, mm²; None where not measured."""

    true: float
    together: float | None
    alone: float | None
    again: float | None
    why: str = ""  # why it was left out of the tray photo


def tray_pairs(index: int, *, seed: int) -> list[Pair]:
    """Photograph four tagged specimens beside a strip, together and each alone."""
    rng = np.random.default_rng([seed, index, 8])
    scene = random_scene(rng, UNSEEN, layout="strip")
    models = tuple(
        replace(
            random_scene(rng, UNSEEN, layout="strip").specimens[0],
            at_mm=place,
            radius_mm=float(rng.uniform(*RADIUS_MM)),
            height_mm=HEIGHT_MM,
            expansion=1.0,
        )
        for place in PLACES
    )
    tilt = float(rng.uniform(0, 8))
    camera = random_camera(rng, UNSEEN, megapixels=MEGAPIXELS, tilt_deg=tilt)
    pose = replace(camera.pose, distance_mm=CAMERA_MM, offset_mm=(0.0, 0.0))
    camera = replace(camera, pose=pose)
    other_way = replace(pose, tilt_towards_deg=pose.tilt_towards_deg + 120)
    names = [f"T{number}" for number in range(len(models))]
    below = [(one.at_mm[0], one.at_mm[1] + _away(one)) for one in models if one.at_mm is not None]
    tags = list(zip(names, below, strict=True))
    together, left_out, _ = _areas(replace(scene, specimens=models), camera, tags, seed=index)
    pairs = []
    for number, one in enumerate(models):
        # Where the arrow points, its tag beside it.
        here = (42.8, -(one.radius_mm + 12.0))
        single = replace(scene, specimens=(replace(one, at_mm=here),))
        tag = [(names[number], (here[0] + _away(one), here[1]))]
        alone, _, truth = _areas(single, camera, tag, seed=100 + index)
        again, _, _ = _areas(single, replace(camera, pose=other_way), tag, seed=200 + index)
        pairs.append(
            Pair(
                true=truth.live_mm2,
                together=together.get(names[number]),
                alone=alone.get(names[number]),
                again=again.get(names[number]),
                why=left_out.get(names[number], ""),
            )
        )
    return pairs


def _away(one: SpecimenModel) -> float:
    """Distance of a tag's middle from its specimen's, mm."""
    return one.radius_mm + GAP_MM + TAG_MM / 2


def _areas(
    scene: Scene, camera: Camera, tags: Tags, *, seed: int
) -> tuple[dict[str, float], dict[str, str], Truth]:
    """Live areas, mm², by tag, why other tags were left out, and the first specimen's truth."""
    rendering = render(scene, camera, seed=seed)
    assert rendering.truth is not None
    # The renderer aims at what is in the scene; the tags are laid where it looked.
    plane = Projection(camera, aim_mm(scene)).homography(0)
    rgb = rendering.rgb.astype(np.float32)
    for name, at in tags:
        rgb = _with_tag(rgb, plane, name, at)
    done = replace(rendering, rgb=np.clip(rgb, 0, 255).astype(np.uint8))
    try:
        result = measure_photo(
            decode(encode_jpeg(done)), settings=PhotoSettings(height_mm=HEIGHT_MM), model=model()
        )
    except PhotoRejectedError as error:
        return {}, dict.fromkeys([name for name, _ in tags], error.code), rendering.truth
    every = (result, *result.others)
    areas = {one.tags[0]: one.reading.live_mm2 or 0.0 for one in every if one.tags}
    return areas, {one.tag: one.code for one in result.left_out}, rendering.truth


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
    return rows([pair for some in found for pair in some], count)


def rows(pairs: Sequence[Pair], trays: int) -> list[Row]:
    """Condense into the rows of the table."""

    def apart(one: float | None, other: float | None) -> float | None:
        return None if not one or not other or other < ENOUGH_MM2 else abs(one / other - 1)

    off = [away for pair in pairs if (away := apart(pair.together, pair.alone)) is not None]
    twice = [away for pair in pairs if (away := apart(pair.again, pair.alone)) is not None]
    true = [away for pair in pairs if (away := apart(pair.together, pair.true)) is not None]
    left_out = [pair.why for pair in pairs if pair.together is None]
    if not off or not twice:
        return [Row(what="tray photo", reach="within 2 %", measured="none read", settings="")]
    share = float(np.mean(np.array(off) <= 0.02))
    return [
        Row(
            what="tray photo against single photos, live area",
            reach="within 2 %",
            measured=(
                f"median {100 * np.median(off):.2f} %, {share:.0%} within 2 %, "
                f"{np.mean(np.array(off) <= 0.05):.0%} within 5 %"
            ),
            settings=(
                f"{trays} trays of 4 unseen phantoms of 9-15 mm radius, {MEGAPIXELS:.0f} MP, "
                f"{len(off)} of {len(pairs)} measured in both with >= {ENOUGH_MM2:.0f} mm²; "
                f"two single photos are {100 * np.median(twice):.2f} % apart, "
                f"{np.mean(np.array(twice) <= 0.02):.0%} of them within 2 %"
            ),
            reached=bool(np.median(off) <= 0.02),
        ),
        Row(
            what="tray photo against the truth, live area",
            reach="",
            measured=f"median {100 * np.median(true):.1f} % off",
            settings=f"the same; {len(left_out)} left out "
            f"({', '.join(sorted(set(left_out))) or 'none'})",
        ),
    ]
