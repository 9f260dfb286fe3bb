"""The network: a small U-Net on CIELAB at 0.4 mm per pixel.

Ronneberger, Fischer & Brox 2015, MICCAI, LNCS 9351:234-241.
"""

from itertools import pairwise
from pathlib import Path

import torch
from torch import nn
from torch.nn import functional as f

__all__ = ["LABELS", "SIDE", "Net", "write_onnx"]

LABELS = 4
SIDE = 288  # of a training picture, px


def _block(inputs: int, outputs: int, *, spread: int = 1) -> nn.Sequential:
    """Two 3 x 3 convolutions, each normalised and rectified; the second may be spread out."""
    layers: list[nn.Module] = []
    for source, step in ((inputs, 1), (outputs, spread)):
        layers += [
            nn.Conv2d(source, outputs, 3, padding=step, dilation=step, bias=False),
            nn.BatchNorm2d(outputs),
            nn.ReLU(inplace=True),
        ]
    return nn.Sequential(*layers)


class Net(nn.Module):
    """CIELAB (L / 50 - 1, a / 50, b / 50) to log odds of four labels.

    Sides must be multiples of 16. At the bottom a convolution with gaps looks over 64 mm.
    """

    def __init__(self, widths: tuple[int, ...]) -> None:
        super().__init__()
        last = len(widths) - 1
        sizes = zip((3, *widths[:-1]), widths, strict=True)
        self.down = nn.ModuleList(
            _block(inputs, outputs, spread=2 if level == last else 1)
            for level, (inputs, outputs) in enumerate(sizes)
        )
        pairs = list(pairwise(widths))
        self.up = nn.ModuleList(nn.ConvTranspose2d(deep, flat, 2, stride=2) for flat, deep in pairs)
        self.join = nn.ModuleList(_block(2 * flat, flat) for flat, _ in pairs)
        self.out = nn.Conv2d(widths[0], LABELS, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Log odds (n, 4, rows, cols) of (n, 3, rows, cols)."""
        seen = []
        for level, block in enumerate(self.down):
            x = block(x if level == 0 else f.max_pool2d(x, 2))
            seen.append(x)
        for level in range(len(self.up) - 1, -1, -1):
            x = self.join[level](torch.cat([self.up[level](x), seen[level]], 1))
        return self.out(x)


def write_onnx(net: Net, path: Path) -> None:
    """Write a network that `polypward_vision.tissue.network` runs on pictures of any size."""
    axes = {2: "rows", 3: "cols"}
    torch.onnx.export(
        net.eval().float().cpu(),
        (torch.zeros(1, 3, SIDE, SIDE),),
        str(path),
        input_names=["lab"],
        output_names=["logits"],
        opset_version=13,
        dynamo=False,
        dynamic_axes={"lab": axes, "logits": axes},
    )
