"""What a phone and water make of the traced light, and what a card makes of that: a CIELAB tile."""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.cameras import colour_matrix, response
from phantoms.fields import Field, smooth_noise
from phantoms.spectra import reflectance
from phantoms.traced.plan import Plan
from phantoms.traced.settings import Settings
from phantoms.traced.studio import TILE_MM_PER_PX, TILE_PX, Shot
from polypward.cards import load_layout
from polypward_vision.colour.apply import plain_correction
from polypward_vision.colour.correct import fit_colour
from polypward_vision.colour.patches import PatchSamples
from polypward_vision.photo import DecodedPhoto
from polypward_vision.tissue import LabelledTile

__all__ = ["photographed"]

_PATCH_PX = 16


@dataclass(slots=True)
class _Water:
    """How water moves and brightens the picture: shifts (tile px) and a factor."""

    dx: Field
    dy: Field
    light: Field
    veil: Field


def _water(rng: np.random.Generator, depth: Field) -> _Water:
    shape = depth.shape
    still = np.zeros(shape, np.float32)
    one = np.ones(shape, np.float32)
    kind = rng.choice(["air", "still", "ripple"], p=[0.4, 0.3, 0.3])
    if kind == "air":
        return _Water(still, still, one, still)
    veil = np.full(shape, rng.uniform(0, 0.03), np.float32)
    if rng.random() < 0.4:  # the sky in the water
        veil += rng.uniform(0, 0.06) * np.clip(smooth_noise(rng, shape, rng.uniform(60, 250)), 0, 2)
    if kind == "still":
        return _Water(still, still, one, veil)
    size = rng.uniform(20, 90)
    wave = smooth_noise(rng, shape, size) + 0.4 * smooth_noise(rng, shape, size / 2.5)
    gx = cv2.Sobel(wave, cv2.CV_32F, 1, 0, scale=size / 8)
    gy = cv2.Sobel(wave, cv2.CV_32F, 0, 1, scale=size / 8)
    spread = np.sqrt((gx**2).mean() + (gy**2).mean()) + 1e-6
    gx, gy = gx / spread, gy / spread
    # A fifth of a millimetre to one and a half, in tile pixels; more only where waves are long.
    move = min(rng.uniform(0.5, 7), size / 12)
    # Caustic lines: light gathers where the surface is bent; deeper parts see them elsewhere.
    bent = cv2.Laplacian(cv2.GaussianBlur(wave, (0, 0), size / 12), cv2.CV_32F, ksize=5)
    bent = np.roll(bent, rng.integers(-40, 40, 2), (0, 1))
    bent /= bent.std() + 1e-6
    light = 1 + rng.uniform(0, 0.22) * np.clip(np.exp(0.6 * bent) - 1.2, -0.8, 2.5)
    if rng.random() < 0.4:
        flash = np.clip(gx / (np.abs(gx).std() + 1e-6) - rng.uniform(1.8, 3), 0, 1)
        veil = veil + rng.uniform(0, 0.6) * flash
    return _Water(move * gx, move * gy, light.astype(np.float32), veil.astype(np.float32))


def _tone(rng: np.random.Generator, contrast: tuple[float, float]) -> Field:
    """Table of 4096 from linear light to the file's 0..1: sRGB, bent by a phone."""
    x = np.linspace(0, 1, 4096)
    y = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    y = y ** rng.uniform(0.88, 1.12)
    much = rng.uniform(*contrast)
    curve = y * y * (3 - 2 * y)
    return ((1 - much) * y + much * curve).astype(np.float32)


def _developed(
    light: Field, rng: np.random.Generator, sensor: str, contrast: tuple[float, float]
) -> npt.NDArray[np.uint8]:
    """Sensor light to an 8-bit picture that has been a JPEG: noise, mosaic, denoise, tone."""
    level = rng.uniform(0.5, 0.9)
    image = light * np.float32(level) * rng.normal(1, 0.03, 3).astype(np.float32)
    if (blur := rng.uniform(0, 0.9)) > 0.3:
        image = cv2.GaussianBlur(image, (0, 0), blur)
    if rng.random() < 0.25:  # the hand moved
        length = int(rng.integers(2, 6))
        kernel = np.zeros((7, 7), np.float32)
        angle = rng.uniform(0, np.pi)
        for t in np.linspace(-length / 2, length / 2, 25):
            kernel[round(3 + t * np.sin(angle)), round(3 + t * np.cos(angle))] += 1
        image = cv2.filter2D(image, -1, kernel / kernel.sum())
    well = np.float32(rng.uniform(1500, 30000))
    image = np.clip(image, 0, 1)
    noise = rng.standard_normal(image.shape, dtype=np.float32)
    image = image + noise * np.sqrt(image / well + np.float32((rng.uniform(2, 9) / well) ** 2))
    image = np.clip(image, 0, 1)
    if rng.random() < 0.6:  # one colour a pixel, filled in again
        raw = np.round(image[..., 1] * 65535).astype(np.uint16)
        raw[0::2, 0::2] = np.round(image[0::2, 0::2, 0] * 65535)
        raw[1::2, 1::2] = np.round(image[1::2, 1::2, 2] * 65535)
        image = cv2.cvtColor(raw, cv2.COLOR_BayerBG2BGR)[..., ::-1].astype(np.float32) / 65535
        if abs(float(image[8:-8, 8:-8, 0].mean() - light[8:-8, 8:-8, 0].mean() * level)) > 0.2:
            raise AssertionError("the mosaic's order is wrong")
    image = cv2.transform(np.ascontiguousarray(image), colour_matrix(sensor).T.astype(np.float32))
    image = _tone(rng, contrast)[(np.clip(image, 0, 1) * 4095 + 0.5).astype(np.uint16)]
    if rng.random() < 0.5:  # smoothing of grain, as night modes overdo it
        image = cv2.bilateralFilter(image, 5, rng.uniform(0.01, 0.07), rng.uniform(0.8, 2.2))
    if rng.random() < 0.5:  # local tone mapping: dark regions lifted, bright ones held back
        grey = image.mean(axis=2)
        wide = cv2.GaussianBlur(
            cv2.resize(grey, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA), (0, 0), 10
        )
        wide = cv2.resize(wide, grey.shape[::-1])
        image = image * np.clip(1 + rng.uniform(0, 0.35) * (0.5 - wide), 0.7, 1.4)[..., None]
    mix = rng.uniform(0.95, 1.25)
    luma = image @ np.array([0.299, 0.587, 0.114], np.float32)
    image = luma[..., None] + np.float32(mix) * (image - luma[..., None])
    if (sharp := rng.uniform(-0.4, 1.1)) > 0:
        soft = cv2.GaussianBlur(image, (0, 0), rng.uniform(0.7, 1.4))
        image = image + np.float32(sharp) * (image - soft)
    out = (np.clip(image, 0, 1) * 255 + 0.5).astype(np.uint8)
    for _ in range(1 + (rng.random() < 0.35)):
        quality = int(rng.integers(72, 97))
        _, data = cv2.imencode(
            ".jpg", np.ascontiguousarray(out[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, quality]
        )
        out = cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1]
    return np.ascontiguousarray(out)


def photographed(shot: Shot, plan: Plan, settings: Settings) -> LabelledTile:
    """Let water, phone and card do their work."""
    rng = np.random.default_rng([plan.seed, 72, settings.seed])
    light = np.clip(np.nan_to_num(shot.light), 0, 4)
    sensor = settings.sensors[plan.sensor]
    lamp = settings.lamps[plan.lamp_name]
    answer = response(sensor, lamp)
    water = _water(rng, shot.depth)
    side = light.shape[0]
    if np.ptp(water.light):
        back = np.linalg.inv(shot.to_px)
        light = light * _warped(water.light, back, side)[..., None]
    light = light + _warped(water.veil, np.linalg.inv(shot.to_px), side)[..., None] * answer.sum(
        0
    ).astype(np.float32)
    # The card's patches go through the phone beside the picture.
    card = load_layout("frame")
    flats = np.stack([reflectance(patch.lab_d50) for patch in card.patches]) @ answer
    flats = flats * rng.uniform(0.94, 1.06)  # the card lies in a little other light
    each = side // _PATCH_PX
    rows = -(-len(flats) // each)
    strip = np.ones((rows * _PATCH_PX, side, 3), np.float32) * 0.5
    for k, flat in enumerate(flats):
        r, c = divmod(k, each)
        strip[r * _PATCH_PX : (r + 1) * _PATCH_PX, c * _PATCH_PX : (c + 1) * _PATCH_PX] = flat
    picture = _developed(
        np.concatenate([light, strip]).astype(np.float32), rng, sensor, settings.contrast
    )
    samples = _samples(picture[side:], len(flats), each)
    photo = DecodedPhoto(rgb=picture, full_size=picture.shape[:2])
    fitted = fit_colour(photo, samples, card)
    correction = fitted.correction
    if correction is None:
        white = samples.linear[np.argmax(samples.linear[:, 1])]
        correction = plain_correction(photo.icc, white)
    cut = _cut(picture[:side], shot.to_px, water)
    lab = correction.to_lab(cut, x_mm=50.0, y_mm=50.0, mm_per_px=1e-6)
    valid = _inside(shot.to_px, side)
    return LabelledTile(
        lab=lab, valid=valid, labels=_moved(shot.labels, water), mm_per_px=TILE_MM_PER_PX,
        centre_mm=(TILE_PX * TILE_MM_PER_PX / 2,) * 2,
    )  # fmt: skip


def _warped(field: Field, back: npt.NDArray[np.float64], side: int) -> Field:
    return np.asarray(
        cv2.warpPerspective(
            field, np.linalg.inv(back), (side, side), flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )  # fmt: skip


def _grid(water: _Water) -> tuple[Field, Field]:
    line = np.arange(TILE_PX, dtype=np.float32)
    x, y = np.meshgrid(line, line)
    return x + water.dx, y + water.dy


def _cut(
    picture: npt.NDArray[np.uint8], to_px: npt.NDArray[np.float64], water: _Water
) -> npt.NDArray[np.uint8]:
    x, y = _grid(water)
    depth = to_px[2, 0] * x + to_px[2, 1] * y + to_px[2, 2]
    col = (to_px[0, 0] * x + to_px[0, 1] * y + to_px[0, 2]) / depth
    row = (to_px[1, 0] * x + to_px[1, 1] * y + to_px[1, 2]) / depth
    return np.asarray(
        cv2.remap(picture, col.astype(np.float32), row.astype(np.float32), cv2.INTER_LINEAR,
                  borderMode=cv2.BORDER_REPLICATE)
    )  # fmt: skip


def _moved(labels: npt.NDArray[np.uint8], water: _Water) -> npt.NDArray[np.uint8]:
    x, y = _grid(water)
    return np.asarray(cv2.remap(labels, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE))


def _inside(to_px: npt.NDArray[np.float64], side: int) -> npt.NDArray[np.bool_]:
    full = np.ones((side, side), np.uint8)
    return np.asarray(
        cv2.warpPerspective(
            full, to_px, (TILE_PX, TILE_PX), flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
        )
    ).astype(bool)


def _samples(strip: npt.NDArray[np.uint8], count: int, each: int) -> PatchSamples:
    photo = DecodedPhoto(rgb=strip, full_size=strip.shape[:2])
    linear, noise, high, low = [], [], [], []
    for k in range(count):
        r, c = divmod(k, each)
        r, c = r * _PATCH_PX, c * _PATCH_PX
        values = strip[r + 4 : r + _PATCH_PX - 4, c + 4 : c + _PATCH_PX - 4].reshape(-1, 3)
        light = photo.icc.to_linear(values).astype(np.float64)
        linear.append(light.mean(axis=0))
        noise.append(light.std(axis=0))
        high.append((values >= 250).any(axis=1).mean())
        low.append((values <= 5).any(axis=1).mean())
    yes = np.ones(count, bool)
    return PatchSamples(
        linear=np.array(linear), noise=np.array(noise), high=np.array(high), low=np.array(low),
        inside=yes, even=yes,
    )  # fmt: skip
