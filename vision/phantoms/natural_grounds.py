"""Ground that looks less drawn: heaps of stones, and the structure of photographs.

The photographs come with scikit-image (CC0 or public domain, see its data/README.txt). Gravel and
brick are not among them: `phantoms.grounds` keeps these for judging.
"""

import functools

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree
from skimage import color, data

from phantoms.fields import Field, smooth_noise

__all__ = ["PICTURES", "laid", "pictured", "stones"]

PICTURES = ("grass", "coffee", "chelsea", "rocket", "moon", "coins", "immunohistochemistry")


def stones(
    rng: np.random.Generator, shape: tuple[int, int], px_mm: float, *, size_mm: float | None = None
) -> tuple[Field, Field]:
    """Heap up stones of a size, lit from one side; smaller ones between them now and then.

    Cells of scattered points, each with a reach of its own (Worley 1996, SIGGRAPH 291-294).

    Returns
    -------
    mix : float32 (rows, cols)
        0..1, how much of a second colour each has, most of it stone by stone.
    shade : float32 (rows, cols)
        Light over that on a flat card.
    """
    size_mm = size_mm or float(np.exp(rng.uniform(np.log(1.5), np.log(16))))
    size_px = size_mm / px_mm
    number, first, second = _cells(rng, shape, size_px)
    gap = second - first
    round_ = rng.uniform(0.1, 0.7)
    height = 1 - np.exp(-((gap / round_) ** 2)) - rng.uniform(0, 0.5) * first**2
    height += rng.uniform(0, 0.25) * smooth_noise(rng, shape, max(size_px / 3, 2))
    height += rng.uniform(0, 0.08) * smooth_noise(rng, shape, max(size_px / 10, 1.5))
    down, right = np.gradient(height.astype(np.float32))
    turn, count = rng.uniform(0, 2 * np.pi), int(number.max()) + 1
    slope = size_px * (np.cos(turn) * down + np.sin(turn) * right)
    facing = rng.normal(0, rng.uniform(0, 0.25), count).astype(np.float32)[number]
    light = np.exp(rng.uniform(0.1, 0.5) * np.tanh(rng.uniform(0.3, 1.2) * slope) + facing)
    light *= 1 - rng.uniform(0.2, 0.9) * np.exp(-((gap / rng.uniform(0.04, 0.25)) ** 2))
    light *= 1 + rng.uniform(0, 0.12) * smooth_noise(rng, shape, max(0.5 / px_mm, 1.01))
    own = rng.beta(*rng.uniform(0.3, 2, 2), count).astype(np.float32)[number]
    mix = own + rng.uniform(0, 0.3) * smooth_noise(rng, shape, max(size_px / 2, 2))
    if size_mm > 4 and rng.random() < 0.4:
        lies = (rng.random(count) < rng.uniform(0.1, 0.7))[number] & (gap > 0.06)
        on = cv2.GaussianBlur(lies.astype(np.float32), (0, 0), max(0.15 / px_mm, 0.5))
        less, dark = stones(rng, shape, px_mm, size_mm=size_mm * rng.uniform(0.1, 0.4))
        mix, light = on * mix + (1 - on) * less, on * light + (1 - on) * dark
    return (
        np.clip(mix, 0, 1).astype(np.float32),
        np.clip(light, 0.05, 2.5).astype(np.float32),
    )


def _cells(
    rng: np.random.Generator, shape: tuple[int, int], size_px: float
) -> tuple[npt.NDArray[np.int64], Field, Field]:
    """Tell the cell of each pixel, and how far its point and the next are in units of a cell."""
    step = float(np.clip(size_px / 16, 1, 3))
    coarse = (int(shape[0] / step) + 2, int(shape[1] / step) + 2)
    count = max(6, int(1.5 * shape[0] * shape[1] / size_px**2))
    points = rng.uniform(-0.1, 1.1, (count, 2)) * np.array(shape)
    reach = np.exp(rng.normal(0, rng.uniform(0, 0.45), count))
    where = np.stack(np.mgrid[: coarse[0], : coarse[1]], axis=-1) * step
    bent = 0.3 * rng.random() ** 2 * size_px
    for axis in range(2):
        where[..., axis] += bent * smooth_noise(rng, coarse, max(size_px / step / 2, 2))
    away, near = cKDTree(points).query(where.reshape(-1, 2), k=4)
    away = away / (reach[near] * size_px)
    order = np.argsort(away, axis=1)[:, :2]
    first, second = np.take_along_axis(away, order, axis=1).T.astype(np.float32)
    number = np.take_along_axis(near, order[:, :1], axis=1)[:, 0].astype(np.float32)
    to = np.array([[step, 0, 0], [0, step, 0]])

    def grown(values: npt.NDArray[np.float32], how: int) -> Field:
        full = cv2.warpAffine(
            values.reshape(coarse), to, shape[::-1], flags=how, borderMode=cv2.BORDER_REPLICATE
        )
        return np.asarray(full, np.float32)

    one, two = grown(first, cv2.INTER_CUBIC), grown(second, cv2.INTER_CUBIC)
    return grown(number, cv2.INTER_NEAREST).astype(np.int64), one, np.maximum(one, two)


def laid(
    rng: np.random.Generator,
    picture: Field,
    shape: tuple[int, int],
    px_mm: float,
    *,
    pixel_mm: tuple[float, float],
) -> tuple[Field, Field]:
    """Lay a picture (rows, cols[, 3]) at a random place and turn, its pixels that large.

    Returns
    -------
    laid : float32 array of `shape`
    soft : float32 array of the picture's shape
        The whole of it, as soft as it was laid.
    """
    rows, cols = picture.shape[:2]
    scale, turn = px_mm / rng.uniform(*pixel_mm), rng.uniform(0, 2 * np.pi)
    cos, sin = scale * np.cos(turn), scale * np.sin(turn)
    move = np.array([[cos, -sin, rng.uniform(0, cols)], [sin, cos, rng.uniform(0, rows)]])
    soft = np.asarray(cv2.GaussianBlur(picture, (0, 0), max(scale / 2, 0.3)), np.float32)
    found = cv2.warpAffine(
        soft, move, shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REFLECT,
    )  # fmt: skip
    return np.asarray(found, np.float32), soft


@functools.cache
def _picture(name: str) -> Field:
    """CIELAB of a photograph."""
    picture = np.asarray(getattr(data, name)())
    if picture.ndim == 2:
        picture = np.repeat(picture[..., None], 3, axis=2)
    return np.asarray(color.rgb2lab(picture[..., :3]), np.float32)


def pictured(rng: np.random.Generator, shape: tuple[int, int], px_mm: float) -> Field:
    """Lay a photograph at a random place, turn and scale: Lab less its mean, (rows, cols, 3)."""
    picture = _picture(str(rng.choice(PICTURES)))
    found, _ = laid(rng, picture, shape, px_mm, pixel_mm=(0.08, 0.5))
    return np.asarray(found - found.mean(axis=(0, 1)), np.float32)
