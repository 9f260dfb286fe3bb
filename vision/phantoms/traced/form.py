"""What a traced body is before it is clothed: fields over a square grid, and tools to draw them."""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.fields import Field, smooth_noise

__all__ = ["NODES", "Form", "Ground2D", "Shoots", "blank", "nearest", "smoothstep", "streaks"]

# Nodes along each side of the grid that carries a body; the mesh keeps this size for ever.
NODES = 440


@dataclass(slots=True, kw_only=True)
class Shoots:
    """Tentacles or bubbles: roots by grid node, directions, sizes (mm); one entry each.

    `bulge` is the radius half-way along over that at the root, `knob` that near the tip; a bubble
    has a bulge and no length to speak of.
    """

    row: npt.NDArray[np.int64]
    col: npt.NDArray[np.int64]
    lean: npt.NDArray[np.float32]  # (n, 2) mm sideways at the tip, x and y
    rise: npt.NDArray[np.float32]  # (n,) mm up at the tip
    radius: npt.NDArray[np.float32]
    bulge: float = 0.9
    knob: float = 0.5


@dataclass(slots=True, kw_only=True)
class Ground2D:
    """The grid of one body: x right and y up in mm from its middle, `step` mm between nodes."""

    rng: np.random.Generator
    radius: float
    step: float
    x: Field
    y: Field

    def noise(self, size_mm: float) -> Field:
        """Smooth noise, SD 1, with blobs of that size."""
        return smooth_noise(self.rng, self.x.shape, max(size_mm / self.step, 1.01))

    def polar(self, x: float = 0, y: float = 0) -> tuple[Field, Field]:
        """Distance (mm) and angle from a point."""
        dx, dy = self.x - np.float32(x), self.y - np.float32(y)
        return np.hypot(dx, dy), np.arctan2(dy, dx)

    def soft(self, field: Field, size_mm: float) -> Field:
        """Gaussian blur of that SD."""
        return np.asarray(cv2.GaussianBlur(field, (0, 0), max(size_mm / self.step, 0.3)))


def blank(rng: np.random.Generator, radius_mm: float, *, margin: float = 1.22) -> Ground2D:
    """Grid for a body of about that radius."""
    half = margin * radius_mm + 3
    line = np.linspace(-half, half, NODES, dtype=np.float32)
    x, y = np.meshgrid(line, line)
    return Ground2D(rng=rng, radius=radius_mm, step=float(line[1] - line[0]), x=x, y=y)


@dataclass(slots=True, kw_only=True)
class Form:
    """A body: all fields (NODES, NODES) over its `Ground2D`.

    `reach` < 1 inside; `z` mm over the base; `across` 0 (mouth, valley) .. 1 (rim, ridge);
    `along` the phase that stripes count, in turns; `mouth`, `tip` 0..1; `flesh` mm of tissue over
    the skeleton; `overhang` mm by which an inflated rim hangs out; `anchor` (x, y) that a side wall
    shrinks towards; `order` says what dies first, if the plan knows (low first).
    """

    grid: Ground2D
    reach: Field
    z: Field
    across: Field
    along: Field
    mouth: Field
    tip: Field
    flesh: Field
    overhang: float = 0.0
    anchor: tuple[Field | float, Field | float] = (0.0, 0.0)
    waist: float = 0.7
    order: Field | None = None
    shoots: Shoots | None = None

    def __post_init__(self) -> None:
        """Keep all fields in single precision."""
        for name in ("reach", "z", "across", "along", "mouth", "tip", "flesh"):
            setattr(self, name, np.asarray(getattr(self, name), np.float32))


def smoothstep(low: float, high: float, x: Field) -> Field:
    """0 below `low`, 1 above `high`, smooth between."""
    t = np.clip((x - np.float32(low)) / np.float32(high - low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), np.float32)


def nearest(
    grid: Ground2D, at: npt.NDArray[np.floating], size: npt.NDArray[np.floating], warp_mm: float
) -> tuple[Field, Field, npt.NDArray[np.int32], Field]:
    """Distance to the nearest and second of several heads in units of their radii.

    Returns reach, the second's reach, the nearest's number, and the angle around it.
    """
    wx = grid.x + warp_mm * grid.noise(9)
    wy = grid.y + warp_mm * grid.noise(9)
    first = np.full(wx.shape, 99, np.float32)
    second = first.copy()
    number = np.zeros(wx.shape, np.int32)
    for index, ((cx, cy), own) in enumerate(zip(at, size, strict=True)):
        away = np.hypot(wx - np.float32(cx), wy - np.float32(cy)) / np.float32(own)
        closer = away < first
        second = np.where(closer, first, np.minimum(second, away))
        number[closer] = index
        first = np.minimum(first, away)
    centre = np.asarray(at, np.float32)[number]
    angle = np.arctan2(wy - centre[..., 1], wx - centre[..., 0])
    return first, second, number, angle


def streaks(grid: Ground2D, slope_of: Field, *, width_mm: float, length_mm: float) -> Field:
    """Noise drawn out along the slope of a field: septa, wrinkles. Mean 0, SD 1.

    Line integral convolution (Cabral & Leedom 1993, SIGGRAPH, 263-270).
    """
    soft = grid.soft(slope_of, 1.2)
    gx, gy = cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)
    size = np.hypot(gx, gy) + 1e-9
    gx, gy = gx / size, gy / size
    white = grid.noise(width_mm)
    cols, rows = np.meshgrid(np.arange(NODES, dtype=np.float32), np.arange(NODES, dtype=np.float32))
    total = white.copy()
    step = max(width_mm / grid.step, 1.0)
    for sign in (-1.0, 1.0):
        u, v = cols.copy(), rows.copy()
        for _ in range(max(2, round(length_mm / (2 * width_mm)))):
            du = cv2.remap(gx, u, v, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
            dv = cv2.remap(gy, u, v, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
            u, v = u + np.float32(sign * step) * du, v + np.float32(sign * step) * dv
            total += cv2.remap(white, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    total -= total.mean()
    return np.asarray(total / max(float(total.std()), 1e-6), np.float32)
