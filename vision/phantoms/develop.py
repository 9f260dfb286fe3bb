"""From light on the sensor to the bytes of a photo: noise, tone, sharpening, JPEG or HEIC, EXIF."""

import io
from datetime import datetime

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from phantoms.cameras import Camera, Develop, colour_matrix
from phantoms.fields import Field

__all__ = ["develop", "encode"]

_STEPS = 16384


def _tone(kind: str) -> Field:
    """Table of `_STEPS` from linear 0..1 to the file's 0..1, strictly rising."""
    x = np.linspace(0, 1, _STEPS)
    srgb = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    if kind == "gamma":
        y = x ** (1 / 2.2)
    elif kind == "s-curve":
        # Contrast that phones add on top of sRGB: darker darks, brighter lights.
        y = srgb + 0.06 * np.sin(2 * np.pi * (srgb - 0.5)) * np.sqrt(srgb)
    elif kind == "filmic":
        # The rational curve of Narkowicz 2015 (a public fit of a film-like response), from memory.
        z = 0.9 * x
        y = np.clip((z * (2.51 * z + 0.03)) / (z * (2.43 * z + 0.59) + 0.14), 0, 1)
        y = (y / y[-1]) ** (1 / 2.2)
    else:
        y = srgb
    return np.maximum.accumulate(np.clip(y, 0, 1)).astype(np.float32)


def _blurred(image: Field, how: Develop) -> Field:
    if how.defocus_px > 0.05:
        image = cv2.GaussianBlur(image, (0, 0), how.defocus_px)
    if how.motion_px > 0.5:
        size = 2 * int(np.ceil(how.motion_px / 2)) + 3
        kernel = np.zeros((size * 8, size * 8), np.float32)
        half = (
            4
            * how.motion_px
            * np.array([np.cos(np.radians(how.motion_deg)), np.sin(np.radians(how.motion_deg))])
        )
        middle = size * 4
        ends = [tuple(np.round(middle + sign * half).astype(int)) for sign in (-1, 1)]
        cv2.line(kernel, ends[0], ends[1], 1.0, 8)
        kernel = cv2.resize(kernel, (size, size), interpolation=cv2.INTER_AREA)
        image = cv2.filter2D(image, -1, kernel / kernel.sum())
    return np.asarray(image)


def develop(light: Field, camera: Camera, *, seed: int) -> npt.NDArray[np.uint8]:
    """Turn balanced linear sensor RGB (rows, cols, 3) into the 8-bit picture of a phone."""
    how = camera.develop
    rng = np.random.default_rng([seed, 9])
    rows, cols = light.shape[:2]
    image = _blurred(light, how)
    if how.vignette:
        y = np.linspace(-1, 1, rows, dtype=np.float32)[:, None] ** 2
        x = np.linspace(-1, 1, cols, dtype=np.float32)[None, :] ** 2
        image = image * (1 - np.float32(how.vignette / 2) * (x + y))[..., None]
    gain = np.array(how.white_error, np.float32) * np.float32(how.white_level)
    image = image * gain
    # One sheet of noise serves the whole picture, moved sideways for each band of rows.
    sheet = rng.standard_normal((min(rows, 512), cols, 3), dtype=np.float32)
    shot, read = 1 / how.full_well, (how.read_noise / how.full_well) ** 2
    for top in range(0, rows, len(sheet)):
        band = image[top : top + len(sheet)]
        grain = np.roll(sheet, int(rng.integers(cols)), axis=1)[: len(band)]
        grain *= np.sqrt(np.maximum(band, 0) * np.float32(shot) + np.float32(read))
        band += grain
        np.clip(band, 0, 1, out=band)
    image = cv2.transform(image, colour_matrix(camera.sensor).T.astype(np.float32))
    np.clip(image, 0, 1, out=image)
    image = _tone(how.tone)[(image * (_STEPS - 1) + 0.5).astype(np.uint16)]
    if how.saturation != 1:
        luma = np.array([0.299, 0.587, 0.114])
        mix = how.saturation * np.eye(3) + (1 - how.saturation) * luma[None, :]
        image = cv2.transform(image, mix.astype(np.float32))
    if how.sharpen:
        soft = cv2.GaussianBlur(image, (0, 0), 1.1)
        image = cv2.addWeighted(image, 1 + how.sharpen, soft, -how.sharpen, 0)
    np.clip(image, 0, 1, out=image)
    return (image * 255 + 0.5).astype(np.uint8)


def encode(
    rgb: npt.NDArray[np.uint8],
    camera: Camera,
    *,
    taken_at: datetime | None,
    kind: str = "jpeg",
    offset: bool = True,
    orientation: int = 1,
    exif: bool = True,
) -> bytes:
    """Write a picture with EXIF as JPEG (``"jpeg"``) or HEIC (``"heic"``).

    Parameters
    ----------
    rgb : uint8 array (rows, cols, 3)
        The upright picture.
    camera : Camera
        Gives quality, maker, focal length.
    taken_at : datetime or None
        DateTimeOriginal, as written on the camera's clock; its UTC offset is stored if `offset`.
    orientation : int
        EXIF orientation 1, 3, 6 or 8; the stored pixels are turned to match. JPEG only.
    exif : bool
        False writes none, like a messenger.

    Raises
    ------
    ValueError
        If `orientation` or `kind` is none of the above.
    """
    turns = {1: 0, 3: 2, 6: 1, 8: 3}
    if orientation not in turns:
        raise ValueError(f"orientation must be 1, 3, 6 or 8, got {orientation}")
    picture = Image.fromarray(np.ascontiguousarray(np.rot90(rgb, turns[orientation])))
    tags = Image.Exif()
    # Tag numbers: CIPA DC-008 (EXIF 2.32).
    tags[0x010F], tags[0x0110], tags[0x0112] = camera.make, camera.model, orientation
    detail = tags.get_ifd(0x8769)
    if taken_at is not None:
        detail[0x9003] = taken_at.strftime("%Y:%m:%d %H:%M:%S")
        shift = taken_at.strftime("%z")
        if offset and shift:
            detail[0x9011] = f"{shift[:3]}:{shift[3:5]}"
    detail[0x920A] = round(camera.focal_35mm / 6.2, 2)
    detail[0xA405] = round(camera.focal_35mm)
    buffer = io.BytesIO()
    extra = {"exif": tags.tobytes()} if exif else {}
    if kind == "jpeg":
        picture.save(buffer, "JPEG", quality=camera.develop.quality, **extra)
    elif kind == "heic":
        import pillow_heif

        pillow_heif.from_pillow(picture).save(buffer, quality=camera.develop.quality, **extra)
    else:
        raise ValueError(f"kind must be 'jpeg' or 'heic', got {kind!r}")
    return buffer.getvalue()
