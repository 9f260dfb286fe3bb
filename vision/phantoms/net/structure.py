"""Fine structure over specimen and ground: of real reef, and of noise on many scales."""

from pathlib import Path

import cv2
import torch
from torch.nn import functional as f

from phantoms.net.disturb import smooth
from phantoms.net.unet import SIDE
from phantoms.packed_tile import MM_PER_PX
from phantoms.traced.textures import load_textures

__all__ = ["Structure"]

# How often structure of real reef, and how often noise, is laid over a picture.
REAL, NOISE = 0.25, 0.2
# How many of these have it on the ground as well.
GROUND_TOO = 0.35
# How often live tissue is patterned in two colours, whatever else is laid.
PATTERNED = 0.15
PICTURE_PX = 384
# Cells of noise across a picture, from polyps to grains.
CELLS = (15, 30, 60, 120, 240)


class Structure:
    """Real structure of a folder (see `phantoms.traced.textures`) on the GPU."""

    def __init__(self, folder: Path, *, device: str) -> None:
        textures = load_textures(folder)
        self.live, self.dead = (
            torch.stack(
                [
                    torch.from_numpy(cv2.resize(picture, (PICTURE_PX, PICTURE_PX)))
                    for picture in pictures
                ]
            )
            .permute(0, 3, 1, 2)
            .to(device)
            for pictures in (textures.live, textures.dead)
        )

    def laid(self, lab: torch.Tensor, labels: torch.Tensor) -> torch.Tensor:
        """Lay structure over some of the pictures, as light: the network's input and back."""
        n, device = len(lab), lab.device.type
        kind = torch.rand(n, 1, 1, 1, device=device)
        power = (1.2 * torch.rand(n, 1, 1, 1, device=device)) * (kind < REAL)
        mine = labels[:, None]
        factors = torch.where(mine == 1, self._placed(self.live, n), self._placed(self.dead, n))
        logs = factors.clamp(min=0.2).log() * power
        grey = logs.mean(1, keepdim=True)
        logs = grey + (logs - grey) * torch.rand(n, 1, 1, 1, device=device)
        noisy = ((kind > REAL) & (kind < REAL + NOISE)).float()
        much = 0.5 * torch.rand(n, 4, 1, 1, device=device) ** 1.5
        logs = logs + noisy * _of_label(much, mine) * self._noise(n, device)
        everywhere = torch.rand(n, 1, 1, 1, device=device) < GROUND_TOO
        logs = logs * (((mine > 0) & (mine < 4)) | everywhere)
        lab = _lit(lab, f.avg_pool2d(logs, 3, 1, 1))  # as a lens would
        return lab + self._patterned(mine)

    def _patterned(self, labels: torch.Tensor) -> torch.Tensor:
        """Spots or nets of another colour on live tissue, to be added to the network's input."""
        n, device = len(labels), labels.device.type
        often = (torch.rand(n, 1, 1, 1, device=device) < PATTERNED).float()
        edge = 1 + 6 * torch.rand(n, 1, 1, 1, device=device)
        where = torch.sigmoid(edge * (self._noise(n, device) - 0.5 * torch.randn_like(edge)))
        colour = 0.2 * torch.randn(n, 3, 1, 1, device=device)
        return often * (labels == 1) * f.avg_pool2d(where, 3, 1, 1) * colour

    def _placed(self, pictures: torch.Tensor, n: int) -> torch.Tensor:
        """Random pictures at random places, turns and scales, (n, 3, S, S)."""
        device = pictures.device
        chosen = pictures[torch.randint(len(pictures), (n,), device=device)]
        # 4 to 12 px of 512 a millimetre, as `Textures.laid`.
        across = (4 + 8 * torch.rand(n, device=device)) * SIDE * MM_PER_PX / 512
        angle = 2 * torch.pi * torch.rand(n, device=device)
        cos, sin = torch.cos(angle) * across, torch.sin(angle) * across
        move = 0.6 * torch.rand(2, n, device=device) - 0.3
        theta = torch.stack(
            [torch.stack([cos, -sin, move[0]], 1), torch.stack([sin, cos, move[1]], 1)], 1
        )
        grid = f.affine_grid(theta, [n, 1, SIDE, SIDE], align_corners=False)
        return f.grid_sample(
            chosen, grid, mode="bilinear", padding_mode="reflection", align_corners=False
        )

    @staticmethod
    def _noise(n: int, device: str) -> torch.Tensor:
        """Noise on several scales, each as strong as chance will have it, (n, 1, S, S)."""
        total = torch.zeros(n, 1, SIDE, SIDE, device=device)
        for cells in CELLS:
            field = smooth(n, cells, device, mode="bilinear")
            total += field * torch.rand(n, 1, 1, 1, device=device)
        return total


def _of_label(values: torch.Tensor, labels: torch.Tensor) -> torch.Tensor:
    """Pick of (n, 4, 1, 1) values the one of each pixel's label (n, 1, rows, cols)."""
    flat = labels.clamp(max=3).long().flatten(1)
    return values.flatten(1).gather(1, flat).reshape(labels.shape)


def _lit(lab: torch.Tensor, logs: torch.Tensor) -> torch.Tensor:
    """Multiply light by exp(logs), channels as good as X, Y and Z; CIELAB by its cube root."""
    fy = (lab[:, 0] * 50 + 66) / 116
    fx, fz = fy + lab[:, 1] / 10, fy - lab[:, 2] / 4
    x, y, z = (
        part * torch.exp(logs[:, min(index, logs.shape[1] - 1)] / 3)
        for index, part in enumerate((fx, fy, fz))
    )
    return torch.stack([(116 * y - 66) / 50, 10 * (x - y), 4 * (y - z)], 1)
