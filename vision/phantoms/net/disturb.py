"""Random disturbances of a batch of tiles on the GPU, so that the network leans on no habit."""

import torch
from torch.nn import functional as f

from phantoms.net.unet import LABELS, SIDE

__all__ = ["disturb", "smooth"]

# How many pictures of all are neither turned nor resized nor moved.
OWN_PIXELS = 0.3
# How many have grooves drawn over their live tissue.
GROOVED = 0.25


def smooth(n: int, cells: int, device: str, *, mode: str = "bicubic") -> torch.Tensor:
    """Smooth noise (n, 1, S, S), about -1 to 1."""
    field = torch.randn(n, 1, cells, cells, device=device)
    return f.interpolate(field, size=(SIDE, SIDE), mode=mode, align_corners=False)


def _grown(mask: torch.Tensor, reach: int) -> torch.Tensor:
    """Grow a mask (n, 1, rows, cols) by `reach` pixels, 2 at a time."""
    for _ in range(reach // 2):
        mask = f.max_pool2d(mask, 5, 1, 2)
    return mask


def pierced(
    lab: torch.Tensor, labels: torch.Tensor, other: torch.Tensor, body: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor]:
    """Let the ground or something dark show through holes and gaps in some bodies."""
    n, device = len(lab), lab.device.type
    inside = 1 - _grown(1 - body, 8)
    kind = torch.rand(n, 1, 1, 1, device=device)
    field = smooth(n, 7, device)
    most = torch.where(kind < 0.2, inside * field, -torch.ones_like(field)).amax((2, 3), True)
    hole = inside * (field > 0.45 * most.clamp(min=0.5)) * (kind < 0.2)
    width = 0.04 + 0.1 * torch.rand(n, 1, 1, 1, device=device)
    gap = body * (smooth(n, 10, device).abs() < width) * ((kind > 0.2) & (kind < 0.32))
    hole = torch.maximum(hole, gap)
    plain = torch.randn(n, 3, 1, 1, device=device) * torch.tensor(
        [0.35, 0.1, 0.12], device=device
    ).view(1, 3, 1, 1) - torch.tensor([0.2, 0.0, 0.0], device=device).view(1, 3, 1, 1)
    texture = torch.cat([0.08 * smooth(n, 60, device), torch.zeros_like(lab[:, 1:])], 1)
    filling = torch.where(torch.rand(n, 1, 1, 1, device=device) < 0.4, other, plain + texture)
    depth = 1 - 0.4 * torch.rand(n, 1, 1, 1, device=device)
    filling = torch.cat([(filling[:, :1] + 1) * depth - 1, filling[:, 1:]], 1)
    soft = f.avg_pool2d(hole, 3, 1, 1)
    return lab * (1 - soft) + filling * soft, torch.where(
        hole[:, 0] > 0.5, torch.zeros_like(labels), labels
    )


def grooved(lab: torch.Tensor, labels: torch.Tensor) -> torch.Tensor:
    """Draw grooves over the live tissue of some pictures: lines of its own colour, but darker.

    They wander, or run along the tissue's edge as the valleys between walls do. What is seen
    through a gap (`pierced`) has another colour.
    """
    n, device = len(lab), lab.device.type

    def uniform(low: float, high: float) -> torch.Tensor:
        return low + (high - low) * torch.rand(n, 1, 1, 1, device=device)

    live = (labels == 1)[:, None].float()
    within = live
    for _ in range(2):
        within = f.avg_pool2d(within, 15, 1, 7, count_include_pad=False)
    along = 4 * (within - uniform(0.7, 1.0))
    field = torch.where(uniform(0, 1) < 0.5, along, smooth(n, 12, device))
    line = live * (field.abs() < uniform(0.03, 0.12)) * (uniform(0, 1) < GROOVED)
    soft = f.avg_pool2d(line, 3, 1, 1)
    light = (lab[:, :1] + 1) * uniform(0.3, 0.9) - 1
    hue = uniform(0.5, 1.3) * lab[:, 1:] + 0.03 * torch.randn(n, 2, 1, 1, device=device)
    return lab * (1 - soft) + torch.cat([light, hue], 1) * soft


def flattened(lab: torch.Tensor, labels: torch.Tensor) -> torch.Tensor:
    """Paint some pictures plain: each label in its mean colour, growth grainier than tissue."""
    n, device = len(lab), lab.device.type
    truth = f.one_hot(labels.long().clamp(max=3), LABELS).permute(0, 3, 1, 2).float()
    sums = torch.einsum("nlrc,nkrc->nlk", truth, lab)
    means = sums / truth.sum((2, 3)).clamp(min=1)[..., None]
    plain = torch.einsum("nlk,nlrc->nkrc", means, truth)
    rough = torch.rand(n, LABELS, 1, 1, device=device) * torch.tensor(
        [0.03, 0.06, 0.12, 0.2], device=device
    ).view(1, LABELS, 1, 1)
    grain = (rough * truth).sum(1, keepdim=True) * f.avg_pool2d(
        torch.randn(n, 1, SIDE, SIDE, device=device), 3, 1, 1
    )
    plain = torch.cat([plain[:, :1] + 1.5 * grain, plain[:, 1:]], 1)
    kind = torch.rand(n, 1, 1, 1, device=device)
    much = torch.where(kind < 0.2, torch.ones_like(kind), (kind < 0.35) * torch.rand_like(kind))
    return lab + much * (plain - lab)


def disturb(
    lab: torch.Tensor, labels: torch.Tensor, grounds: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor]:
    """Random grounds, places, sizes and turns, colour errors, light, blur and noise."""
    n, device = len(lab), lab.device.type

    def often(share: float) -> torch.Tensor:
        return (torch.rand(n, 1, 1, 1, device=device) < share).float()

    def normal(scale: float) -> torch.Tensor:
        return torch.randn(n, 1, 1, 1, device=device) * scale

    def uniform(low: float, high: float) -> torch.Tensor:
        return low + (high - low) * torch.rand(n, 1, 1, 1, device=device)

    lab = flattened(lab, labels)
    body = ((labels > 0) & (labels < 255)).float()[:, None]
    soft = f.avg_pool2d(f.max_pool2d(body, 5, 1, 2), 3, 1, 1, count_include_pad=False)
    other = grounds[torch.randint(len(grounds), (n,), device=device)].float()
    swap = often(0.4)
    shadow = 1 - uniform(0, 0.5) * f.interpolate(
        f.avg_pool2d(f.avg_pool2d(body, 16), 3, 1, 1), size=(SIDE, SIDE), mode="bilinear"
    )
    other = torch.cat([(other[:, :1] + 1) * shadow - 1, other[:, 1:]], 1)
    lab = lab * (1 - swap * (1 - soft)) + other * swap * (1 - soft)
    lab, labels = pierced(lab, labels, other, body)
    lab = grooved(lab, labels)
    labels = torch.where((swap[:, 0] > 0) & (labels == 255), torch.zeros_like(labels), labels)
    angle = torch.rand(n, device=device) * 2 * torch.pi
    size = torch.exp(torch.randn(n, device=device) * 0.22).clamp(0.6, 1.6)
    flip = torch.where(torch.rand(n, device=device) < 0.5, 1.0, -1.0)
    cos, sin = torch.cos(angle) * size, torch.sin(angle) * size
    move = torch.randn(2, n, device=device) * 0.08
    theta = torch.stack(
        [torch.stack([cos * flip, -sin, move[0]], 1), torch.stack([sin * flip, cos, move[1]], 1)], 1
    )
    # Some keep their own pixels: what a resampling blurs is a part of what a photo shows.
    own = torch.zeros_like(theta)
    own[:, 0, 0], own[:, 1, 1] = flip, 1
    theta = torch.where(torch.rand(n, 1, 1, device=device) < OWN_PIXELS, own, theta)
    grid = f.affine_grid(theta, [n, 1, SIDE, SIDE], align_corners=False)
    lab = f.grid_sample(lab, grid, mode="bilinear", padding_mode="reflection", align_corners=False)
    moved = f.grid_sample(
        labels.float()[:, None] + 1, grid, mode="nearest", padding_mode="zeros", align_corners=False
    )
    labels = torch.where(moved[:, 0] < 0.5, 255, moved[:, 0] - 1).long()
    light, a, b = (lab[:, :1] + 1) / 2, lab[:, 1:2], lab[:, 2:]
    turn = normal(0.07) + often(0.25) * normal(1.2)
    gain = torch.exp(normal(0.12) + often(0.2) * normal(0.35))
    a, b = (
        gain * (torch.cos(turn) * a - torch.sin(turn) * b),
        gain * (torch.sin(turn) * a + torch.cos(turn) * b),
    )
    cast = often(0.2)
    a, b = a + normal(0.03) + cast * normal(0.14), b + normal(0.03) + cast * normal(0.18)
    b = b - often(0.12) * uniform(0, 0.7) * (1 - light)
    light = light.clamp(1e-3, 1.1) ** torch.exp(normal(0.12)) * torch.exp(normal(0.06))
    light = light * (1 + uniform(0, 0.12) * smooth(n, 4, device))
    lab = torch.cat([light * 2 - 1, a, b], 1)
    little = f.avg_pool2d(lab, 3, 1, 1, count_include_pad=False)
    much = f.avg_pool2d(little, 5, 1, 2, count_include_pad=False)
    blurred = little + (much - little) * often(0.5) * uniform(0, 1)
    mix = often(0.5) * uniform(0, 1)
    lab = lab + (blurred - lab) * (mix - often(0.25) * uniform(0, 0.8))
    grain = torch.randn_like(lab)
    coarse = f.avg_pool2d(grain, 3, 1, 1, count_include_pad=False) * 3
    grain = torch.where(often(0.5) > 0, grain, coarse)
    return lab + grain * often(0.5) * uniform(0, 0.05), labels
