"""Water over a traced specimen: what it shifts, brightens and veils, without tracing through it."""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.fields import Field, smooth_noise

__all__ = ["Water", "random_water"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """Maps over a cut-out, one shape (rows, cols).

    `dx` and `dy` say how many pixels away a line of sight ends; `light` multiplies what lies
    below (caustic lines); `veil` adds what the surface mirrors, 1 = a white flat.
    """

    kind: str
    dx: Field
    dy: Field
    light: Field
    veil: Field

    def moved(self, picture: npt.NDArray[np.uint8], *, nearest: bool) -> npt.NDArray[np.uint8]:
        """Show a cut-out as it is seen through the surface."""
        x, y = self.ends()
        how = cv2.INTER_NEAREST if nearest else cv2.INTER_LINEAR
        return np.asarray(cv2.remap(picture, x, y, how, borderMode=cv2.BORDER_REPLICATE), np.uint8)

    def ends(self) -> tuple[Field, Field]:
        """Column and row where each pixel's line of sight ends."""
        rows, cols = self.dx.shape
        x, y = np.meshgrid(np.arange(cols, dtype=np.float32), np.arange(rows, dtype=np.float32))
        return x + self.dx, y + self.dy


def random_water(rng: np.random.Generator, depth_px: Field) -> Water:
    """Draw air, still or rippled water over a cut-out.

    Parameters
    ----------
    rng : Generator
        Source of every choice.
    depth_px : float32 array (rows, cols)
        Height of what is seen over the cut-out's plane, in its pixels: caustics fall aslant.
    """
    shape = depth_px.shape
    still, one = np.zeros(shape, np.float32), np.ones(shape, np.float32)
    kind = str(rng.choice(["air", "still", "ripple"], p=[0.4, 0.3, 0.3]))
    veil = np.full(shape, rng.uniform(0, 0.03) if kind != "air" else 0, np.float32)
    if kind != "air" and rng.random() < 0.4:  # the room in the water
        sky = np.clip(smooth_noise(rng, shape, rng.uniform(60, 250)), 0, 2)
        veil = (veil + rng.uniform(0, 0.06) * sky).astype(np.float32)
    if kind != "ripple":
        return Water(kind=kind, dx=still, dy=still, light=one, veil=veil)
    size = rng.uniform(20, 90)
    wave = smooth_noise(rng, shape, size) + 0.4 * smooth_noise(rng, shape, size / 2.5)
    gx = np.asarray(cv2.Sobel(wave, cv2.CV_32F, 1, 0), np.float32)
    gy = np.asarray(cv2.Sobel(wave, cv2.CV_32F, 0, 1), np.float32)
    spread = np.float32(np.sqrt((gx**2 + gy**2).mean()) + 1e-6)
    gx, gy = gx / spread, gy / spread
    # A tenth of a millimetre to one and a half; more only where waves are long. By eye.
    move = np.float32(min(rng.uniform(0.5, 7), size / 12))
    # Light gathers where the surface is bent; what lies higher sees the pattern elsewhere.
    soft = cv2.GaussianBlur(wave, (0, 0), size / 12)
    bent = np.asarray(cv2.Laplacian(soft, cv2.CV_32F, ksize=5), np.float32)
    slant = rng.normal(0, 0.5, 2)
    x, y = np.meshgrid(*(np.arange(n, dtype=np.float32) for n in shape[::-1]))
    bent = np.asarray(
        cv2.remap(
            bent, (x + slant[0] * depth_px).astype(np.float32),
            (y + slant[1] * depth_px).astype(np.float32), cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT,
        ), np.float32,
    )  # fmt: skip
    bent = bent / (bent.std() + np.float32(1e-6))
    light = 1 + rng.uniform(0, 0.22) * np.clip(np.exp(0.6 * bent) - 1.2, -0.8, 2.5)
    if rng.random() < 0.4:  # the lamp in the slopes that face it
        flash = np.clip(gx / gx.std() - rng.uniform(1.8, 3), 0, 1)
        veil = veil + rng.uniform(0, 0.6) * flash
    return Water(
        kind=kind, dx=move * gx, dy=move * gy, light=light.astype(np.float32),
        veil=veil.astype(np.float32),
    )  # fmt: skip
