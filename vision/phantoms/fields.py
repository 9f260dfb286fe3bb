"""Random fields and outlines from which specimens and grounds are made; all seeded."""

import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["Field", "grid_mm", "smooth_noise", "unit_noise", "wavy"]

Field = npt.NDArray[np.float32]


def smooth_noise(rng: np.random.Generator, shape: tuple[int, int], size_px: float) -> Field:
    """Noise of mean 0 and SD 1, shape (rows, cols); `size_px` is the size of its blobs."""
    # A margin keeps the statistics of the middle alike whatever the canvas.
    small = (int(shape[0] / size_px) + 4, int(shape[1] / size_px) + 4)
    coarse = rng.standard_normal(small, dtype=np.float32)
    if size_px <= 1:
        return coarse[: shape[0], : shape[1]]
    shift = rng.uniform(0, 1, 2)
    move = np.array(
        [[size_px, 0, -size_px * (1 + shift[0])], [0, size_px, -size_px * (1 + shift[1])]]
    )
    field = cv2.warpAffine(
        coarse, move, (shape[1], shape[0]), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
    )
    field -= float(field.mean())
    return np.asarray(field / max(float(field.std()), 1e-6), np.float32)


def unit_noise(rng: np.random.Generator, shape: tuple[int, int], size_px: float) -> Field:
    """Smooth noise squeezed into 0..1."""
    return np.asarray(0.5 + 0.5 * np.tanh(smooth_noise(rng, shape, size_px)), np.float32)


def grid_mm(shape: tuple[int, int], px_mm: float) -> tuple[Field, Field]:
    """(y, x) of each pixel's centre in mm from the canvas centre."""
    y = (np.arange(shape[0], dtype=np.float32) + 0.5 - shape[0] / 2) * px_mm
    x = (np.arange(shape[1], dtype=np.float32) + 0.5 - shape[1] / 2) * px_mm
    return np.broadcast_to(y[:, None], shape), np.broadcast_to(x[None, :], shape)


def wavy(
    rng: np.random.Generator, angle: Field, *, amount: float, waves: tuple[int, int] = (2, 9)
) -> Field:
    """Periodic noise of the angle with SD near `amount`: the wave of an outline."""
    out = np.zeros_like(angle)
    total = 0.0
    for n in range(waves[0], waves[1] + 1):
        weight = rng.uniform(0.3, 1) / n**0.7
        out += np.float32(weight) * np.cos(n * angle + np.float32(rng.uniform(0, 2 * np.pi)))
        total += weight**2 / 2
    return np.asarray(out * np.float32(amount / np.sqrt(total)), np.float32)
