"""A body dressed in tissue, bare skeleton and growth: material weights, shading and true labels."""

import functools
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.bodies import make_body
from phantoms.body import BODY_PX_MM, Body, one_piece
from phantoms.colours import near
from phantoms.fields import Field, grid_mm, smooth_noise, unit_noise
from phantoms.scene import Lab, Lighting, SpecimenModel
from phantoms.spectra import lab_of, reflectance, xyz_matrix
from polypward.labels import BACKGROUND, BARE, LIVE, OVERGROWN

__all__ = ["Dressed", "dress", "lamp_vector"]

# Colours of what grows on dead skeleton: a pair that mixes, Lab D50. Chosen by eye.
GROWTH: dict[str, tuple[Lab, Lab]] = {
    "turf": ((38, -4, 20), (30, -12, 24)),
    "coralline": ((48, 22, 2), (58, 20, -6)),
    "film": ((44, 5, 20), (34, 6, 16)),
    "dark": ((24, 2, 5), (32, -3, 12)),
    "hair": ((46, -20, 32), (36, -14, 25)),
    "maroon": ((38, 20, 7), (29, 14, 8)),
    "slime": ((50, 2, 17), (40, -1, 18)),
    "moss": ((52, -18, 42), (34, -14, 28)),
    "rust": ((42, 22, 30), (54, 14, 34)),
    "violet": ((38, 14, -10), (30, 18, -4)),
    "sponge": ((66, 4, 24), (74, 0, 16)),
}


@dataclass(slots=True, kw_only=True)
class Dressed:
    """A specimen ready for any lamp and camera; maps of one shape (rows, cols), body grid.

    `weights` is (K, rows, cols) and sums to 1; `materials` is (K, 31) reflectances; `shade` is the
    light that reaches each point over that on a flat card; `glint` adds lamp-coloured reflection;
    `labels` the truth; `alpha` 1 inside; `px_mm` the side of a pixel in the specimen's plane.
    """

    weights: Field
    materials: npt.NDArray[np.float64]
    shade: Field
    glint: Field
    labels: npt.NDArray[np.uint8]
    alpha: Field
    px_mm: float

    def seen(self, response: npt.NDArray[np.float64]) -> Field:
        """Linear colour (rows, cols, 3) for a response of shape (31, 3) to reflectance."""
        colours = (self.materials @ response).astype(np.float32)
        flat = np.tensordot(self.weights, colours, axes=(0, 0))
        white = response.sum(axis=0).astype(np.float32)
        return np.asarray(flat * self.shade[..., None] + self.glint[..., None] * white)

    def lab(self) -> Field:
        """CIELAB D50 of every pixel as a perfect card correction would give it, glints out."""
        flat = self.seen(xyz_matrix()) - self.glint[..., None] * xyz_matrix().sum(axis=0)
        return np.asarray(lab_of(np.maximum(flat, 0).astype(np.float32)), np.float32)


def lamp_vector(lighting: Lighting) -> npt.NDArray[np.float64]:
    """Give the unit vector towards the lamp: x right, y down, z towards the camera."""
    azimuth, elevation = np.radians([lighting.azimuth_deg, lighting.elevation_deg])
    flat = np.cos(elevation)
    return np.array([flat * np.cos(azimuth), flat * np.sin(azimuth), np.sin(elevation)])


@functools.lru_cache(maxsize=6)
def _body(plan: str, radius_mm: float, seed: int, part: str) -> Body:
    body = make_body(plan, radius_mm=radius_mm, seed=seed)
    if part:
        _, x = grid_mm(body.mask.shape, BODY_PX_MM)
        body.mask = one_piece(body.mask & (x < -0.4 if part == "left" else x > 0.4))
    return body


def dress(model: SpecimenModel, lighting: Lighting) -> Dressed:
    """Clothe the body of `model` and shade it under `lighting`."""
    body = _body(model.plan, model.radius_mm, model.seed, model.part)
    shape = body.mask.shape
    rng = np.random.default_rng([model.seed, 1])
    today = np.random.default_rng([model.seed, model.visit_seed, 2])
    labels = _labels(model, body, rng)
    weights, colours = _tissue(model, body, rng)
    lost = {label: _soft(labels == label) for label in (BARE, OVERGROWN)}
    living = np.clip(1 - lost[BARE] - lost[OVERGROWN], 0, 1)
    for index in range(len(weights)):
        weights[index] = weights[index] * living
    # Bare skeleton: bone white, a little stained; growth: two colours in tufts.
    stain = 0.35 * unit_noise(rng, shape, 30)
    stained = (model.skeleton[0] - 9, model.skeleton[1], model.skeleton[2] + 5)
    tuft = unit_noise(rng, shape, rng.uniform(4, 14))
    first, second = model.growth_colours or GROWTH[model.growth]
    weights += [lost[BARE] * (1 - stain), lost[BARE] * stain]
    weights += [lost[OVERGROWN] * tuft, lost[OVERGROWN] * (1 - tuft)]
    colours += [
        model.skeleton,
        stained,
        *(near(rng, grown, (3, 2.5, 3), light=(8, 96)) for grown in (first, second)),
    ]
    stack = np.stack(weights).astype(np.float32)
    stack /= np.maximum(stack.sum(axis=0), 1e-6)
    relief = body.relief_mm + 0.05 * smooth_noise(today, shape, 20)
    if model.look.warts_mm:
        size = model.look.wart_size_mm / BODY_PX_MM
        relief = relief + model.look.warts_mm * np.maximum(smooth_noise(today, shape, size), 0)
    relief = _carved(relief, labels, lost, body, model, rng)
    shade, glint = _lit(relief, lighting, model, lost, rng)
    return Dressed(
        weights=stack,
        materials=np.stack([reflectance(colour) for colour in colours]),
        shade=shade,
        glint=glint,
        labels=labels,
        alpha=_soft(body.mask, 0.6),
        px_mm=BODY_PX_MM * float(np.sqrt(model.expansion)),
    )


def _soft(mask: npt.NDArray[np.bool_], sigma_px: float = 1.2) -> Field:
    return np.asarray(cv2.GaussianBlur(mask.astype(np.float32), (0, 0), sigma_px), np.float32)


def _labels(model: SpecimenModel, body: Body, rng: np.random.Generator) -> npt.NDArray[np.uint8]:
    """Label the exact shares of the area, in the order in which this specimen loses it."""
    shape = body.mask.shape
    ragged = 1.1 * smooth_noise(rng, shape, 45) + 0.35 * smooth_noise(rng, shape, 12)
    y, x = grid_mm(shape, BODY_PX_MM)
    direction = np.radians(model.loss_direction_deg)
    towards = x * np.cos(direction) + y * np.sin(direction)
    if body.loss_order is not None and model.loss in ("heads", "rim"):
        order = body.loss_order + 0.02 * ragged
    elif model.loss == "edge":
        order = -towards + 1.5 * ragged
    elif model.loss == "patches":
        order = smooth_noise(rng, shape, 0.28 * model.radius_mm / BODY_PX_MM) + 0.12 * ragged
    else:
        whole = cv2.morphologyEx(
            body.mask.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((41, 41), np.uint8)
        )
        order = cv2.distanceTransform(whole, cv2.DIST_L2, 5) * BODY_PX_MM
        order = order + ragged - 0.12 * towards
    labels = np.where(body.mask, LIVE, BACKGROUND).astype(np.uint8)
    inside = np.flatnonzero(body.mask)
    ranked = inside[np.argsort(order.ravel()[inside], kind="stable")]
    over = round(model.overgrown * len(inside))
    gone = round((model.overgrown + model.bare) * len(inside))
    labels.ravel()[ranked[:over]] = OVERGROWN
    labels.ravel()[ranked[over:gone]] = BARE
    return labels


def _tissue(
    model: SpecimenModel, body: Body, rng: np.random.Generator
) -> tuple[list[Field], list[Lab]]:
    """Weights and colours of living tissue: two colours in a pattern, mouth, rim, shine-through."""
    look, shape = model.look, body.mask.shape
    if look.pattern == "stripes":
        pattern = 0.5 + 0.5 * np.tanh(2.5 * np.cos(2 * np.pi * body.along))
    elif look.pattern == "rings":
        pattern = 0.5 + 0.5 * np.tanh(
            3 * np.cos(2 * np.pi * 1.6 * body.across + 0.6 * smooth_noise(rng, shape, 40))
        )
    elif look.pattern == "mottled":
        pattern = unit_noise(rng, shape, 9) * 0.5 + unit_noise(rng, shape, 32) * 0.5
    else:
        pattern = 0.3 * unit_noise(rng, shape, 40)
    grain = 0.06 * smooth_noise(rng, shape, 2.5)
    pattern = np.clip(look.contrast * pattern + grain, 0, 1)
    mouth, rim = np.clip(body.mouth, 0, 1), np.clip(body.tip, 0, 1) * 0.85
    shine = np.clip(look.translucent * (0.6 + 0.5 * smooth_noise(rng, shape, 50)), 0, 0.6)
    spread = model.patchy * 2 * model.paling * (1 - model.paling) * smooth_noise(rng, shape, 45)
    pale = np.clip(model.paling + spread, 0, 1)
    white = 1 - (1 - 0.5 * shine) * (1 - pale)
    rest = (1 - white) * (1 - mouth) * (1 - rim)
    weights = [
        rest * (1 - pattern),
        rest * pattern,
        (1 - white) * mouth,
        (1 - white) * (1 - mouth) * rim,
        white,
    ]
    return weights, [look.main, look.second, look.mouth, look.rim, model.skeleton]


def _carved(
    relief: Field, labels: npt.NDArray[np.uint8], lost: dict[int, Field], body: Body,
    model: SpecimenModel, rng: np.random.Generator,
) -> Field:  # fmt: skip
    """Relief with flesh gone: skeleton lies lower and shows septa, growth is fuzzy."""
    shape = relief.shape
    if not (labels >= BARE).any():
        return relief
    septa = np.cos(2 * np.pi * (2.3 * body.along + 0.25 * smooth_noise(rng, shape, 25)))
    grain = smooth_noise(rng, shape, 3)
    skeleton = model.septa_mm * septa + 0.05 * grain
    fuzz = model.fuzz * (0.16 * smooth_noise(rng, shape, 4) + 0.1 * smooth_noise(rng, shape, 9))
    smooth = cv2.GaussianBlur(relief, (0, 0), 6)
    flat = np.clip(lost[BARE] + lost[OVERGROWN], 0, 1)
    return np.asarray(
        relief * (1 - flat)
        + (0.75 * smooth - 0.5) * flat
        + lost[BARE] * skeleton
        + lost[OVERGROWN] * fuzz,
        np.float32,
    )


def _lit(
    relief: Field, lighting: Lighting, model: SpecimenModel, lost: dict[int, Field],
    rng: np.random.Generator,
) -> tuple[Field, Field]:  # fmt: skip
    """Light on every point: Lambert's law plus light from all round, hollows darker, wet glints."""
    light = lamp_vector(lighting)
    turn = np.radians(model.turn_deg)
    light = np.array(
        [
            light[0] * np.cos(turn) + light[1] * np.sin(turn),
            -light[0] * np.sin(turn) + light[1] * np.cos(turn),
            light[2],
        ]
    )
    smooth = cv2.GaussianBlur(relief, (0, 0), 1.5)
    right = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=1 / (8 * BODY_PX_MM))
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=1 / (8 * BODY_PX_MM))
    right, down = np.clip(right, -2, 2), np.clip(down, -2, 2)
    length = np.sqrt(1 + right**2 + down**2)
    facing = (light[2] - right * light[0] - down * light[1]) / length
    direct = np.maximum(facing, 0) / light[2]
    hollow = cv2.GaussianBlur(relief, (0, 0), 12) - relief
    shade = lighting.ambient * (0.6 + 0.4 / length) + (1 - lighting.ambient) * direct
    shade = np.clip(shade * np.exp(-0.16 * np.clip(hollow, -1.5, 3)), 0.08, 1.5)
    half = light + np.array([0, 0, 1.0])
    half /= np.linalg.norm(half)
    mirror = np.clip((half[2] - right * half[0] - down * half[1]) / length, 0, 1)
    wet = np.clip(1 - lost[BARE] - lost[OVERGROWN], 0, 1)
    broken = unit_noise(rng, relief.shape, 5)
    glint = model.look.glint * (0.5 * mirror**160 * broken + 0.04 * mirror**20) * wet
    return np.asarray(shade, np.float32), np.asarray(glint, np.float32)
