"""What a phone makes of the traced light, and what a card makes of that: a CIELAB cut-out."""

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.cameras import colour_matrix, response
from phantoms.fields import Field
from phantoms.packed_tile import MM_PER_PX, MOST_PX
from phantoms.spectra import reflectance
from phantoms.traced.plan import Plan
from phantoms.traced.settings import Settings
from phantoms.traced.studio import Shot
from phantoms.traced.water import random_water
from polypward.cards import load_layout
from polypward_vision.colour.apply import Correction, plain_correction
from polypward_vision.colour.correct import fit_colour
from polypward_vision.colour.patches import PatchSamples
from polypward_vision.photo import DecodedPhoto
from polypward_vision.tissue import LabelledTile

__all__ = ["photographed"]

Bytes = npt.NDArray[np.uint8]
Matrix = npt.NDArray[np.float64]

# Side of a card patch beside the picture, and the rim of it that is not read.
_PATCH_PX, _RIM_PX = 16, 4
_LUMA = np.array([0.299, 0.587, 0.114], np.float32)


def photographed(shot: Shot, plan: Plan, settings: Settings) -> LabelledTile:
    """Let water, phone and card do their work.

    The patches of a card go through the phone beside the picture; the photo is corrected by them
    as `measure_photo` corrects one.
    """
    rng = np.random.default_rng([plan.seed, 72, settings.seed])
    sensor = settings.sensors[plan.sensor]
    answer = response(sensor, settings.lamps[plan.lamp_name])
    water = random_water(rng, shot.depth / np.float32(MM_PER_PX))
    side = shot.light.shape[0]
    light = np.clip(np.nan_to_num(shot.light), 0, 4)
    light = light * _seen(water.light, shot.to_px, side)[..., None]
    light = light + _seen(water.veil, shot.to_px, side)[..., None] * answer.sum(axis=0)
    card = load_layout("frame")
    flats = np.stack([reflectance(patch.lab_d50) for patch in card.patches]) @ answer
    # The card lies in a little more or less light than the specimen.
    strip = _strip(flats * rng.uniform(0.94, 1.06), side)
    picture = _developed(np.concatenate([light, strip]).astype(np.float32), rng, sensor, settings)
    cut = cv2.warpPerspective(
        picture[:side], shot.to_px, (MOST_PX, MOST_PX),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    shown = cv2.warpPerspective(
        np.ones((side, side), np.uint8), shot.to_px, (MOST_PX, MOST_PX),
        flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
    )  # fmt: skip
    correction = _correction(picture[side:], len(flats))
    seen = water.moved(np.asarray(cut, np.uint8), nearest=False)
    return LabelledTile(
        lab=correction.to_lab(seen, x_mm=50.0, y_mm=50.0, mm_per_px=1e-6),
        valid=np.asarray(shown, bool),
        labels=water.moved(shot.labels, nearest=True),
        mm_per_px=MM_PER_PX,
        centre_mm=(MOST_PX * MM_PER_PX / 2,) * 2,
    )


def _seen(field: Field, to_px: Matrix, side: int) -> Field:
    """Carry a map of the cut-out over to the picture."""
    if not np.ptp(field):
        return np.full((side, side), field.flat[0], np.float32)
    there = cv2.warpPerspective(field, to_px, (side, side), borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(there, np.float32)


def _strip(flats: npt.NDArray[np.float64], side: int) -> Field:
    """Picture of flat patches, row by row, `side` wide."""
    each = side // _PATCH_PX
    strip = np.full((-(-len(flats) // each) * _PATCH_PX, side, 3), 0.5, np.float32)
    for k, flat in enumerate(flats):
        row, col = (n * _PATCH_PX for n in divmod(k, each))
        strip[row : row + _PATCH_PX, col : col + _PATCH_PX] = flat
    return strip


def _correction(strip: Bytes, count: int) -> Correction:
    """Fit the card's correction to the developed patches."""
    photo = DecodedPhoto(rgb=strip, full_size=(strip.shape[0], strip.shape[1]))
    each = strip.shape[1] // _PATCH_PX
    inner = slice(_RIM_PX, _PATCH_PX - _RIM_PX)
    flats = np.stack([
        strip[r * _PATCH_PX :, c * _PATCH_PX :][inner, inner].reshape(-1, 3)
        for r, c in (divmod(k, each) for k in range(count))
    ])  # fmt: skip
    linear = photo.icc.to_linear(flats).astype(np.float64)
    all_there = np.ones(count, bool)
    samples = PatchSamples(
        linear=linear.mean(axis=1),
        noise=linear.std(axis=1),
        high=(flats >= 250).any(axis=2).mean(axis=1),
        low=(flats <= 5).any(axis=2).mean(axis=1),
        inside=all_there,
        even=all_there,
    )
    fitted = fit_colour(photo, samples, load_layout("frame")).correction
    if fitted is not None:
        return fitted
    return plain_correction(photo.icc, samples.linear[np.argmax(samples.linear[:, 1])])


def _tone(rng: np.random.Generator, contrast: tuple[float, float]) -> Field:
    """Table of 4096 from linear light to the file's 0..1: sRGB, bent by a phone."""
    x = np.linspace(0, 1, 4096)
    y = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    y = y ** rng.uniform(0.88, 1.12)
    much = rng.uniform(*contrast)
    return np.asarray((1 - much) * y + much * y * y * (3 - 2 * y), np.float32)


def _developed(light: Field, rng: np.random.Generator, sensor: str, settings: Settings) -> Bytes:
    """Sensor light to an 8-bit picture that has been a JPEG once or twice."""
    gain = rng.uniform(0.5, 0.9) * rng.normal(1, 0.03, 3)
    image = _exposed(_blurred(light * gain.astype(np.float32), rng), rng)
    if rng.random() < 0.6:
        image = _mosaic(image)
    image = np.asarray(cv2.transform(image, colour_matrix(sensor).T.astype(np.float32)))
    image = _tone(rng, settings.contrast)[(np.clip(image, 0, 1) * 4095 + 0.5).astype(np.uint16)]
    if rng.random() < 0.5:  # smoothing of grain, as night modes overdo it
        spread, reach = rng.uniform(0.01, 0.07), rng.uniform(0.8, 2.2)
        image = np.asarray(cv2.bilateralFilter(image, 5, spread, reach), np.float32)
    if rng.random() < 0.5:  # local tone mapping: dark regions lifted, bright ones held back
        wide = cv2.resize(image @ _LUMA, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
        wide = cv2.resize(cv2.GaussianBlur(wide, (0, 0), 10), image.shape[1::-1])
        lift = np.clip(1 + rng.uniform(0, 0.35) * (0.5 - np.asarray(wide)), 0.7, 1.4)
        image = image * lift[..., None].astype(np.float32)
    grey = (image @ _LUMA)[..., None]
    image = (grey + np.float32(rng.uniform(0.95, 1.25)) * (image - grey)).astype(np.float32)
    if (sharp := rng.uniform(-0.4, 1.1)) > 0:
        soft = np.asarray(cv2.GaussianBlur(image, (0, 0), rng.uniform(0.7, 1.4)), np.float32)
        image = image + np.float32(sharp) * (image - soft)
    out = (np.clip(image, 0, 1) * 255 + 0.5).astype(np.uint8)
    for _ in range(1 + int(rng.random() < 0.35)):
        out = _jpeg(out, int(rng.integers(72, 97)))
    return out


def _blurred(image: Field, rng: np.random.Generator) -> Field:
    """Lens and hand."""
    if (blur := rng.uniform(0, 0.9)) > 0.3:
        image = np.asarray(cv2.GaussianBlur(image, (0, 0), blur), np.float32)
    if rng.random() < 0.25:
        length, angle = rng.uniform(1.5, 5.5), rng.uniform(0, np.pi)
        kernel = np.zeros((7, 7), np.float32)
        for t in np.linspace(-length / 2, length / 2, 25):
            kernel[round(3 + t * np.sin(angle)), round(3 + t * np.cos(angle))] += 1
        image = np.asarray(cv2.filter2D(image, -1, kernel / kernel.sum()), np.float32)
    return image


def _exposed(image: Field, rng: np.random.Generator) -> Field:
    """Clip at the well and add its noise."""
    well, read = rng.uniform(1500, 30000), rng.uniform(2, 9)
    image = np.clip(image, 0, 1)
    grain = rng.standard_normal(image.shape, dtype=np.float32)
    noisy = image + grain * np.sqrt(image / well + (read / well) ** 2)
    return np.asarray(np.clip(noisy, 0, 1), np.float32)


def _mosaic(image: Field) -> Field:
    """Keep one colour a pixel (RGGB) and fill the others in."""
    raw = np.round(image[..., 1] * 65535).astype(np.uint16)
    raw[0::2, 0::2] = np.round(image[0::2, 0::2, 0] * 65535)
    raw[1::2, 1::2] = np.round(image[1::2, 1::2, 2] * 65535)
    # OpenCV names the pattern by its second row and column: RGGB is "BG".
    return np.asarray(cv2.cvtColor(raw, cv2.COLOR_BayerBG2RGB), np.float32) / np.float32(65535)


def _jpeg(rgb: Bytes, quality: int) -> Bytes:
    bgr = np.ascontiguousarray(rgb[..., ::-1])
    data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    back = cv2.imdecode(data, cv2.IMREAD_COLOR)
    assert back is not None  # it was just written
    return np.ascontiguousarray(back[..., ::-1]).astype(np.uint8)
