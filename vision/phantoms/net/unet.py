"""The network: a small U-Net on CIELAB at 0.2 mm per pixel, its body at half that scale.

Ronneberger, Fischer & Brox 2015, MICCAI, LNCS 9351:234-241.
"""

from itertools import pairwise

import torch
from torch import nn
from torch.nn import functional as f

__all__ = ["LABELS", "SIDE", "Net"]

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


class Net(nn.Module):
    """CIELAB (L / 50 - 1, a / 50, b / 50) to log odds of four labels.

    Sides must be multiples of 32. A first convolution halves the picture, a U-Net looks over 64 mm
    of it, and two convolutions on its answer and the picture itself put the edges.
    """

    def __init__(self, widths: tuple[int, ...]) -> None:
        super().__init__()
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
