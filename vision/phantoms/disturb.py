"""Faults laid over a labelled cut-out, so that a model does not lean on how it was drawn.

All in Lab, after the card's correction: what is left of colour errors, lamps the card cannot mend,
shading, blur, noise, JPEG, and another size of specimen.
"""

import cv2
import numpy as np
import numpy.typing as npt
from skimage.color import lab2rgb, rgb2lab

from phantoms.fields import smooth_noise
from polypward_vision.tissue import LabelledTile

__all__ = ["disturbed"]

Array = npt.NDArray[np.float32]


def disturbed(tile: LabelledTile, rng: np.random.Generator) -> LabelledTile:
    """Return the tile with random faults; labels move with the picture where it is resized."""
    lab, labels, valid = tile.lab, tile.labels, tile.valid
    turns = int(rng.integers(4))
    lab, labels, valid = (np.rot90(array, turns) for array in (lab, labels, valid))
    if rng.random() < 0.5:
        lab, labels, valid = (array[:, ::-1] for array in (lab, labels, valid))
    lab, labels = np.ascontiguousarray(lab), np.ascontiguousarray(labels)
    valid = np.ascontiguousarray(valid)
    if rng.random() < 0.4:  # a smaller or larger animal
        factor = float(rng.uniform(0.75, 1.3))
        size = (round(lab.shape[1] * factor), round(lab.shape[0] * factor))
        lab = cv2.resize(lab, size, interpolation=cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC)
        labels = cv2.resize(labels, size, interpolation=cv2.INTER_NEAREST)
        shown = cv2.resize(valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
        valid = shown > 0
    lab = _colour_error(np.asarray(lab, np.float32), rng)
    shape = (lab.shape[0], lab.shape[1])
    if rng.random() < 0.5:
        lab[..., 0] *= 1 + rng.uniform(0, 0.07) * smooth_noise(rng, shape, max(shape) / 2)
    if rng.random() < 0.4:
        sigma_px = rng.uniform(0.05, 0.3) / tile.mm_per_px
        lab = np.asarray(cv2.GaussianBlur(lab, (0, 0), sigma_px), np.float32)
    if rng.random() < 0.5:
        lab = lab + rng.normal(0, rng.uniform(0.3, 2.5), lab.shape).astype(np.float32)
    if rng.random() < 0.4:
        lab = _jpeg(lab, quality=int(rng.integers(60, 96)))
    lab[..., 0] = np.clip(lab[..., 0], 0, 105)
    return LabelledTile(
        lab=np.ascontiguousarray(lab, np.float32),
        valid=np.asarray(valid, bool),
        labels=np.asarray(labels, np.uint8),
        mm_per_px=tile.mm_per_px,
    )


def _colour_error(lab: Array, rng: np.random.Generator) -> Array:
    """Lay on what a correction leaves; sometimes the cast of a lamp that no card mends."""
    lab = lab.copy()
    strong = rng.random() < 0.15
    turn = rng.normal(0, 0.05 if not strong else 0.15)
    gain = rng.normal(1, 0.06 if not strong else 0.15)
    a, b = lab[..., 1].copy(), lab[..., 2].copy()
    lab[..., 1] = gain * (np.cos(turn) * a - np.sin(turn) * b)
    lab[..., 2] = gain * (np.sin(turn) * a + np.cos(turn) * b)
    lab[..., 0] *= rng.normal(1, 0.025 if not strong else 0.06)
    lab += rng.normal(0, 1.2 if not strong else 4.0, 3).astype(np.float32)
    if strong and rng.random() < 0.6:
        # A lamp rich in blue, balanced on white: colours lose their warmth, darks go blue.
        lab[..., 2] = 0.75 * lab[..., 2] - rng.uniform(0, 0.12) * (100 - lab[..., 0])
    return lab


def _jpeg(lab: Array, *, quality: int) -> Array:
    """Through an 8-bit JPEG with halved chroma and back."""
    rgb = np.clip(lab2rgb(lab, illuminant="D50"), 0, 1)
    _, data = cv2.imencode(
        ".jpg", np.round(rgb[..., ::-1] * 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    back = cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1] / 255.0
    return np.asarray(rgb2lab(back, illuminant="D50"), np.float32)
