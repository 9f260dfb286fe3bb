"""Forms of the network, small U-Nets on CIELAB at 0.2 mm per pixel: wide, trim and lean; glance.

Ronneberger, Fischer & Brox 2015, MICCAI, LNCS 9351:234-241.
"""

from itertools import pairwise

import torch
from torch import nn
from torch.nn import functional as f

__all__ = [
    "FORMS",
    "LABELS",
    "SIDE",
    "GlanceNet",
    "LeanNet",
    "PlacesNet",
    "TrimNet",
    "UNet",
    "WideNet",
]

LABELS = 4
SIDE = 480  # of a training picture, px
EDGE = 12  # channels that put the edges at full scale


def _normalised(inputs: int, outputs: int, *, side: int = 3, **how: int) -> list[nn.Module]:
    """Convolution, normalised and rectified."""
    return [
        nn.Conv2d(inputs, outputs, side, bias=False, **how),  # type: ignore[arg-type]
        nn.BatchNorm2d(outputs),
        nn.ReLU(inplace=True),
    ]


def _block(inputs: int, outputs: int, *, spread: int = 1) -> nn.Sequential:
    """Two 3 x 3 convolutions; the second may be spread out."""
    return nn.Sequential(
        *_normalised(inputs, outputs, padding=1),
        *_normalised(outputs, outputs, padding=spread, dilation=spread),
    )


class UNet(nn.Module):
    """What all forms have: ways down and up, joined level by level.

    `coarse` is how many pixels of 0.2 mm its own are across.
    """

    coarse = 1
    down: nn.ModuleList
    up: nn.ModuleList
    join: nn.ModuleList

    def ends(self) -> list[nn.Module]:
        """Return the layers after the last join."""
        raise NotImplementedError

    def parts(self) -> list[nn.Module]:
        """Return the layers in the order of the arithmetic."""
        parts: list[nn.Module] = [part for block in self.down for part in block]
        for level in range(len(self.up) - 1, -1, -1):
            parts += [self.up[level], *self.join[level]]
        return parts + self.ends()

    def shipped(self) -> tuple[nn.Module, tuple[int, ...]]:
        """Return what the ONNX file does, and the shape of a picture of SIDE for it."""
        return self, (1, 3, SIDE, SIDE)


class WideNet(UNet):
    """CIELAB (L / 50 - 1, a / 50, b / 50) to log odds of four labels.

    Sides must be multiples of 32. A first convolution halves the picture, a U-Net looks over 64 mm
    of it, and two convolutions on its answer and the picture itself put the edges.
    """

    widths = (24, 48, 96, 144, 192)

    def __init__(self) -> None:
        super().__init__()
        widths = self.widths
        last = len(widths) - 1
        self.down = nn.ModuleList(
            [
                nn.Sequential(
                    *_normalised(3, widths[0], side=6, stride=2, padding=2),
                    *_normalised(widths[0], widths[0], padding=1),
                )
            ]
        )
        pairs = list(pairwise(widths))
        self.down.extend(
            _block(flat, deep, spread=2 if level == last else 1)
            for level, (flat, deep) in enumerate(pairs, start=1)
        )
        self.up = nn.ModuleList(nn.ConvTranspose2d(deep, flat, 2, stride=2) for flat, deep in pairs)
        self.join = nn.ModuleList(_block(2 * flat, flat) for flat, _ in pairs)
        self.full = nn.ConvTranspose2d(widths[0], EDGE, 2, stride=2)
        self.edge = _block(EDGE + 3, EDGE)
        self.out = nn.Conv2d(EDGE, LABELS, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Log odds (n, 4, rows, cols) of (n, 3, rows, cols)."""
        picture, seen = x, []
        for level, block in enumerate(self.down):
            x = block(x if level == 0 else f.max_pool2d(x, 2))
            seen.append(x)
        for level in range(len(self.up) - 1, -1, -1):
            x = self.join[level](torch.cat([self.up[level](x), seen[level]], 1))
        return self.out(self.edge(torch.cat([self.full(x), picture], 1)))

    def ends(self) -> list[nn.Module]:
        """Return the layers after the last join."""
        return [self.full, *self.edge, self.out]


class PlacesNet(UNet):
    """The same from far fewer operations: all at half scale, four pixels a place.

    The four pixels of a place come in as 12 numbers and go out as 16 log odds, so that no
    convolution runs at full scale. `joined` tells for each level, the flattest first, how what
    comes up meets what was seen on the way down: added and convolved ("sum"), or side by side and
    convolved "once" or "twice".
    """

    widths: tuple[int, ...]
    joined: tuple[str, ...]

    def __init__(self) -> None:
        super().__init__()
        widths = self.widths
        last = len(widths) - 1
        self.down = nn.ModuleList([_block(12, widths[0])])
        pairs = list(pairwise(widths))
        self.down.extend(
            _block(flat, deep, spread=2 if level == last else 1)
            for level, (flat, deep) in enumerate(pairs, start=1)
        )
        self.up = nn.ModuleList(nn.Conv2d(deep, flat, 1) for flat, deep in pairs)
        self.join = nn.ModuleList(
            _block(2 * flat, flat)
            if how == "twice"
            else nn.Sequential(*_normalised(flat if how == "sum" else 2 * flat, flat, padding=1))
            for (flat, _), how in zip(pairs, self.joined, strict=True)
        )
        self.edge = nn.Sequential(*_normalised(widths[0] + 12, widths[0], padding=1))
        self.out = nn.Conv2d(widths[0], 4 * LABELS, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Log odds (n, 4, rows, cols) of (n, 3, rows, cols)."""
        return f.pixel_shuffle(self.places(f.pixel_unshuffle(x, 2)), 2)

    def places(self, x: torch.Tensor) -> torch.Tensor:
        """Log odds (n, 16, rows, cols) of places of four pixels (n, 12, rows, cols)."""
        places, seen = x, []
        for level, block in enumerate(self.down):
            x = block(x if level == 0 else f.max_pool2d(x, 2))
            seen.append(x)
        for level in range(len(self.up) - 1, -1, -1):
            up = f.interpolate(self.up[level](x), scale_factor=2, mode="bilinear")
            both = (
                up + seen[level] if self.joined[level] == "sum" else torch.cat([up, seen[level]], 1)
            )
            x = self.join[level](both)
        return self.out(self.edge(torch.cat([x, places], 1)))

    def ends(self) -> list[nn.Module]:
        """Return the layers after the last join."""
        return [*self.edge, self.out]

    def shipped(self) -> tuple[nn.Module, tuple[int, ...]]:
        """Return what the ONNX file does, and the shape of a picture of SIDE for it."""
        side = SIDE // self.coarse // 2
        return _Places(self), (1, 12, side, side)


class TrimNet(PlacesNet):
    """About half the operations of the wide network."""

    widths = (24, 48, 96, 144, 192)
    joined = ("sum", "once", "twice", "twice")


class LeanNet(PlacesNet):
    """About a third of the operations of the wide network."""

    widths = (16, 48, 96, 144, 192)
    joined = ("sum", "sum", "sum", "sum")


class GlanceNet(PlacesNet):
    """At 0.6 mm per pixel, to find where a closer look is worth while."""

    coarse = 3
    widths = (16, 32, 64, 96)
    joined = ("sum", "sum", "sum")


class _Places(nn.Module):
    """A network on places."""

    def __init__(self, net: PlacesNet) -> None:
        super().__init__()
        self.net = net

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        return self.net.places(x)


FORMS = {"wide": WideNet, "trim": TrimNet, "lean": LeanNet, "glance": GlanceNet}
