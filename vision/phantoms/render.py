"""A scene before a camera becomes a picture and the truth that goes with it."""

from dataclasses import dataclass
from datetime import datetime

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.cameras import Camera, response
from phantoms.cardprint import print_card
from phantoms.develop import develop, encode
from phantoms.dress import Dressed, dress, lamp_vector
from phantoms.fields import Field
from phantoms.grounds import ground_map, plug_map
from phantoms.projection import Projection
from phantoms.scene import Scene, SpecimenModel
from phantoms.spectra import reflectance
from phantoms.truth import Matrix, Truth, affine_mm, aim_mm, centre_mm, truth_of
from polypward.cards import scaled

__all__ = ["Rendering", "Truth", "encode_jpeg", "exposed", "render", "truth_of"]

GROUND_PX_MM = 0.25
SHADOW_PX_MM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rendering:
    """A photo, uint8 (rows, cols, 3) upright, with its truth (None without a specimen)."""

    rgb: npt.NDArray[np.uint8]
    truth: Truth | None
    camera: Camera
    taken_at: datetime | None = None


def encode_jpeg(rendering: Rendering, *, taken_at: datetime | None = None, **how: object) -> bytes:
    """JPEG bytes with EXIF of a rendering; `how` as in `phantoms.develop.encode`."""
    return encode(
        rendering.rgb,
        rendering.camera,
        taken_at=taken_at or rendering.taken_at,
        **how,  # type: ignore[arg-type]
    )


def _corner_to_mm(px_mm: float, x_mm: float, y_mm: float) -> Matrix:
    return np.array([[px_mm, 0, x_mm + px_mm / 2], [0, px_mm, y_mm + px_mm / 2], [0, 0, 1.0]])


def render(
    scene: Scene, camera: Camera, *, seed: int, taken_at: datetime | None = None
) -> Rendering:
    """Photograph a scene.

    Parameters
    ----------
    scene : Scene
        What is there.
    camera : Camera
        Who looks; its picture size, pose and development.
    seed : int
        Of the sensor's noise; the scene carries its own seeds.

    Returns
    -------
    Rendering
        uint8 picture (rows, cols, 3) and the truth of the first specimen.
    """
    image, dressed = exposed(scene, camera)
    picture = develop(image, camera, seed=seed)
    truth = truth_of(scene, camera, dressed[0], scene.specimens[0]) if dressed else None
    return Rendering(rgb=picture, truth=truth, camera=camera, taken_at=taken_at)


def exposed(scene: Scene, camera: Camera) -> tuple[Field, list[Dressed]]:
    """Linear light (rows, cols, 3) that a scene throws on the sensor, and its dressed specimens."""
    projection = Projection(camera, aim_mm(scene), water_mm=scene.water_mm)
    eye = response(camera.sensor, scene.lighting.lamp)
    dressed = [dress(model, scene.lighting) for model in scene.specimens]
    image = _table(scene, projection, eye)
    light = _light(scene, projection, dressed)
    image *= light[0][..., None]
    pixel_mm = camera.pose.distance_mm / camera.focal_px
    for model, worn in zip(scene.specimens, dressed, strict=True):
        at = centre_mm(scene, model)
        _plug(image, light[1], scene, projection, eye, at, model.height_mm)
        _wall(image, light[1], worn, model, projection, eye, at)
        top = np.concatenate([worn.seen(eye), worn.alpha[..., None]], axis=2)
        ratio = pixel_mm / worn.px_mm
        if ratio > 1.2:
            top = cv2.GaussianBlur(top, (0, 0), 0.4 * ratio)
        move = affine_mm(worn.alpha.shape, worn.px_mm, at, model.turn_deg)
        _over(image, light[1], top, move, model.height_mm, projection)
    return image, dressed


def _over(
    image: Field, lamp_field: Field, layer: Field, move: Matrix, height_mm: float,
    projection: Projection,
) -> None:  # fmt: skip
    """Lay a layer (rows, cols, 4: light and alpha) on a plane over the picture."""
    box = projection.box(move, layer.shape[:2], height_mm)
    r0, r1, c0, c1 = box
    if r0 >= r1 or c0 >= c1:
        return
    premultiplied = layer.copy()
    premultiplied[..., :3] *= layer[..., 3:]
    part = projection.warp(premultiplied, move, height_mm, box)
    colour = part[..., :3] * lamp_field[r0:r1, c0:c1, None]
    image[r0:r1, c0:c1] = image[r0:r1, c0:c1] * (1 - part[..., 3:]) + colour


def _table(scene: Scene, projection: Projection, eye: Matrix) -> Field:
    """Ground and card, evenly lit."""
    x0, y0, x1, y1 = projection.field_mm()
    margin = 15.0
    field = (x0 - margin, y0 - margin, x1 + margin, y1 + margin)
    rows, cols = projection.shape
    px_mm = max(GROUND_PX_MM, (x1 - x0) / 2400)
    mix, materials, shade = ground_map(scene.ground, field, px_mm=px_mm)
    colours = (materials @ eye).astype(np.float32)
    flat = (colours[0] + mix[..., None] * (colours[1] - colours[0])) * shade[..., None]
    whole = (0, rows, 0, cols)
    image = projection.warp(flat, _corner_to_mm(px_mm, field[0], field[1]), 0, whole, spread=True)
    if scene.printed is not None:
        pixel_mm = (x1 - x0) / float(np.hypot(rows, cols)) * 1.25
        fine = float(np.clip(0.7 * pixel_mm, 0.05, 0.12))
        rgb, alpha = print_card(scene.printed).seen(eye, px_mm=fine)
        layer = np.concatenate([rgb, alpha[..., None]], axis=2)
        even = np.ones(projection.shape, np.float32)
        size = scaled(scene.printed.card).size_mm
        move = np.array(
            [
                [size[0] / rgb.shape[1], 0, size[0] / rgb.shape[1] / 2],
                [0, size[1] / rgb.shape[0], size[1] / rgb.shape[0] / 2],
                [0, 0, 1.0],
            ]
        )
        _over(image, even, layer, move, 0, projection)
    return image


def _light(scene: Scene, projection: Projection, dressed: list[Dressed]) -> tuple[Field, Field]:
    """Lamp light over the picture: on the table with cast shadows, and above it without."""
    x0, y0, x1, y1 = projection.field_mm()
    px = SHADOW_PX_MM
    shape = (int((y1 - y0 + 20) / px), int((x1 - x0 + 20) / px))
    lighting, aim = scene.lighting, aim_mm(scene)
    x = (x0 - 10 + (np.arange(shape[1], dtype=np.float32) + 0.5) * px)[None, :] - aim[0]
    y = (y0 - 10 + (np.arange(shape[0], dtype=np.float32) + 0.5) * px)[:, None] - aim[1]
    towards = np.radians(lighting.gradient_deg)
    slope = lighting.gradient / 100
    lamp_field = 1 + slope * (x * np.cos(towards) + y * np.sin(towards))
    lamp_field = np.clip(lamp_field - 0.3 * slope * np.hypot(x, y), 0.2, 2).astype(np.float32)
    shadowed = lamp_field.copy()
    light = lamp_vector(lighting)
    to_index = np.linalg.inv(_corner_to_mm(px, x0 - 10, y0 - 10))
    for model, worn in zip(scene.specimens, dressed, strict=True):
        at = centre_mm(scene, model)
        height = max(model.height_mm, 2.0)
        for level, weight in ((0.3, 0.35), (1.0, 0.65)):
            moved = (
                at[0] - level * height * light[0] / light[2],
                at[1] - level * height * light[1] / light[2],
            )
            move = to_index @ affine_mm(worn.alpha.shape, worn.px_mm, moved, model.turn_deg)
            cast = cv2.warpAffine(
                cv2.GaussianBlur(worn.alpha, (0, 0), 3), move[:2], (shape[1], shape[0])
            )
            soft = (1.0 + 0.22 * level * height) / px
            cast = cv2.GaussianBlur(cast, (0, 0), soft)
            shadowed *= 1 - weight * (1 - lighting.ambient) * 0.85 * cast
            near = cv2.GaussianBlur(cast, (0, 0), 4 / px)
            shadowed *= 1 - 0.12 * near
    move = _corner_to_mm(px, x0 - 10, y0 - 10)
    box = (0, projection.shape[0], 0, projection.shape[1])
    return (
        projection.warp(shadowed, move, 0, box, spread=True),
        projection.warp(lamp_field, move, 0, box, spread=True),
    )


def _plug(
    image: Field, lamp_field: Field, scene: Scene, projection: Projection, eye: Matrix,
    at: tuple[float, float], height_mm: float,
) -> None:  # fmt: skip
    """Lay the plug under a specimen, from the table up to half its height."""
    drawn = plug_map(scene.ground, px_mm=0.15)
    if drawn is None:
        return
    weights, materials, shade, alpha = drawn
    flat = np.tensordot(weights, (materials @ eye).astype(np.float32), axes=(0, 0))
    move = affine_mm(alpha.shape, 0.15, at)
    levels = np.linspace(0, min(0.4 * height_mm, 8), 1 + int(height_mm > 2) * 4)
    for index, level in enumerate(levels):
        dim = 0.82 if index == len(levels) - 1 else 0.45
        layer = np.concatenate([flat * (dim * shade)[..., None], alpha[..., None]], axis=2)
        _over(image, lamp_field, layer.astype(np.float32), move, float(level), projection)


def _wall(
    image: Field, lamp_field: Field, worn: Dressed, model: SpecimenModel, projection: Projection,
    eye: Matrix, at: tuple[float, float],
) -> None:  # fmt: skip
    """Lay the side of the specimen, narrower below, in shade; no part of the truth."""
    if model.height_mm <= 1.5 or model.plan == "profile":
        return
    count = int(np.clip(model.height_mm / 2, 3, 9))
    dark = np.array(model.look.main) * [0.6, 0.6, 0.6]
    stuff = (reflectance((dark[0], dark[1], dark[2])) + 0.25 * reflectance(model.skeleton)) @ eye
    alpha = cv2.GaussianBlur(worn.alpha, (0, 0), 4)
    alpha = np.clip((alpha - 0.5) * 4 + 0.5, 0, 1)
    for level in np.linspace(0.35, 0.96, count):
        layer = np.empty((*alpha.shape, 4), np.float32)
        layer[..., :3] = stuff * (0.12 + 0.4 * level**3)
        layer[..., 3] = alpha
        size = worn.px_mm * (0.74 + 0.24 * level)
        move = affine_mm(alpha.shape, size, at, model.turn_deg)
        _over(image, lamp_field, layer, move, level * model.height_mm, projection)
