"""Train the first look of the tissue model: a small convolutional network, written as ONNX.

``python -m phantoms.train_net PACK.npz --out FOLDER [--minutes 8]`` on a machine with PyTorch and
a GPU (neither is needed to use polypward, nor by its tests). `phantoms.net_tiles` makes the pack.
The network is a U-Net (Ronneberger, Fischer & Brox 2015, MICCAI, LNCS 9351:234-241) on CIELAB at
0.4 mm per pixel.
"""

import argparse
import io
import json
import time
from itertools import pairwise
from pathlib import Path

import numpy as np
import torch
from PIL import Image
from torch import nn
from torch.nn import functional as f

LABELS = 4
SIDE = 288


class Block(nn.Module):
    """Two 3 x 3 convolutions, each normalised and rectified."""

    def __init__(self, inputs: int, outputs: int) -> None:
        super().__init__()
        self.body = nn.Sequential(
            nn.Conv2d(inputs, outputs, 3, padding=1, bias=False),
            nn.BatchNorm2d(outputs),
            nn.ReLU(inplace=True),
            nn.Conv2d(outputs, outputs, 3, padding=1, bias=False),
            nn.BatchNorm2d(outputs),
            nn.ReLU(inplace=True),
        )

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Convolve twice."""
        return self.body(x)


class Net(nn.Module):
    """A U-Net over CIELAB (L / 50 - 1, a / 50, b / 50); sides must be multiples of 16."""

    def __init__(self, widths: tuple[int, ...] = (12, 24, 40, 64, 80)) -> None:
        super().__init__()
        self.down = nn.ModuleList(
            Block(inputs, outputs)
            for inputs, outputs in zip((3, *widths[:-1]), widths, strict=True)
        )
        pairs = list(pairwise(widths))
        self.up = nn.ModuleList(nn.ConvTranspose2d(deep, flat, 2, stride=2) for flat, deep in pairs)
        self.join = nn.ModuleList(Block(2 * flat, flat) for flat, _ in pairs)
        self.out = nn.Conv2d(widths[0], LABELS, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Logits (n, 4, rows, cols) of (n, 3, rows, cols)."""
        seen = []
        for level, block in enumerate(self.down):
            x = block(x if level == 0 else f.max_pool2d(x, 2))
            seen.append(x)
        for level in range(len(self.up) - 1, -1, -1):
            x = self.join[level](torch.cat([self.up[level](x), seen[level]], 1))
        return self.out(x)


def unpack(path: Path, group: str) -> tuple[torch.Tensor, torch.Tensor]:
    """Tiles of a group on one canvas: scaled CIELAB (n, 3, S, S), labels (n, S, S) or 255."""
    labs, labels = [], []
    with np.load(path, allow_pickle=False) as arrays:
        data, ends = arrays[f"{group}_bytes"], arrays[f"{group}_ends"]
        for start, middle, end in zip(
            np.concatenate([[0], ends[:-1, 1]]), ends[:, 0], ends[:, 1], strict=True
        ):
            colour = np.asarray(Image.open(io.BytesIO(data[start:middle].tobytes())))
            truth = np.asarray(Image.open(io.BytesIO(data[middle:end].tobytes())))
            rows, cols = (min(SIDE, side) for side in truth.shape)
            top, left = (truth.shape[0] - rows) // 2, (truth.shape[1] - cols) // 2
            colour = colour[top : top + rows, left : left + cols]
            truth = truth[top : top + rows, left : left + cols]
            lab = np.zeros((SIDE, SIDE, 3), np.float32)
            lab[:] = np.median(colour[truth != 255], axis=0) if (truth != 255).any() else 128
            full = np.full((SIDE, SIDE), 255, np.uint8)
            at = ((SIDE - rows) // 2, (SIDE - cols) // 2)
            lab[at[0] : at[0] + rows, at[1] : at[1] + cols] = colour
            full[at[0] : at[0] + rows, at[1] : at[1] + cols] = truth
            labs.append(lab.transpose(2, 0, 1))
            labels.append(full)
    stack = torch.from_numpy(np.stack(labs))
    scaled = torch.stack(
        [
            stack[:, 0] / 2.3 / 50 - 1,
            (stack[:, 1] - 128) / 1.2 / 50,
            (stack[:, 2] - 128) / 1.2 / 50,
        ],
        1,
    )
    return scaled.half(), torch.from_numpy(np.stack(labels))


def smooth(n: int, cells: int, device: str) -> torch.Tensor:
    """Smooth noise (n, 1, S, S), about -1 to 1."""
    field = torch.randn(n, 1, cells, cells, device=device)
    return f.interpolate(field, size=(SIDE, SIDE), mode="bicubic", align_corners=False)


def pierced(
    lab: torch.Tensor, labels: torch.Tensor, other: torch.Tensor, body: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor]:
    """Let the ground or something dark show through holes and gaps in some bodies."""
    n, device = len(lab), lab.device.type
    inside = 1 - f.max_pool2d(1 - body, 9, 1, 4)
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
    texture = torch.cat([0.08 * smooth(n, 40, device), torch.zeros_like(lab[:, 1:])], 1)
    filling = torch.where(torch.rand(n, 1, 1, 1, device=device) < 0.4, other, plain + texture)
    depth = 1 - 0.4 * torch.rand(n, 1, 1, 1, device=device)
    filling = torch.cat([(filling[:, :1] + 1) * depth - 1, filling[:, 1:]], 1)
    soft = f.avg_pool2d(hole, 3, 1, 1)
    return lab * (1 - soft) + filling * soft, torch.where(
        hole[:, 0] > 0.5, torch.zeros_like(labels), labels
    )


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
    soft = f.avg_pool2d(f.max_pool2d(body, 3, 1, 1), 3, 1, 1, count_include_pad=False)
    other = grounds[torch.randint(len(grounds), (n,), device=device)].float()
    swap = often(0.3)
    shadow = 1 - uniform(0, 0.5) * f.interpolate(
        f.avg_pool2d(f.avg_pool2d(body, 8), 3, 1, 1), size=(SIDE, SIDE), mode="bilinear"
    )
    other = torch.cat([(other[:, :1] + 1) * shadow - 1, other[:, 1:]], 1)
    lab = lab * (1 - swap * (1 - soft)) + other * swap * (1 - soft)
    lab, labels = pierced(lab, labels, other, body)
    labels = torch.where((swap[:, 0] > 0) & (labels == 255), torch.zeros_like(labels), labels)
    angle = torch.rand(n, device=device) * 2 * torch.pi
    size = torch.exp(torch.randn(n, device=device) * 0.22).clamp(0.6, 1.6)
    flip = torch.where(torch.rand(n, device=device) < 0.5, 1.0, -1.0)
    cos, sin = torch.cos(angle) * size, torch.sin(angle) * size
    move = torch.randn(2, n, device=device) * 0.08
    theta = torch.stack(
        [torch.stack([cos * flip, -sin, move[0]], 1), torch.stack([sin * flip, cos, move[1]], 1)], 1
    )
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
    blurred = f.avg_pool2d(lab, 3, 1, 1, count_include_pad=False)
    mix = often(0.4) * uniform(0, 1)
    lab = lab + (blurred - lab) * (mix - often(0.25) * uniform(0, 0.8))
    lab = lab + torch.randn_like(lab) * often(0.5) * uniform(0, 0.05)
    return lab, labels


def loss_of(logits: torch.Tensor, labels: torch.Tensor) -> torch.Tensor:
    """Cross-entropy plus soft Dice over the labels."""
    entropy = f.cross_entropy(logits, labels, ignore_index=255, label_smoothing=0.02)
    shown = (labels != 255)[:, None].float()
    truth = f.one_hot(labels.clamp(max=3), LABELS).permute(0, 3, 1, 2).float() * shown
    said = logits.float().softmax(1) * shown
    both, total = (said * truth).sum((0, 2, 3)), (said + truth).sum((0, 2, 3))
    return entropy + 0.5 * (1 - (2 * both + 1) / (total + 1)).mean()


@torch.no_grad()
def overlaps(net: nn.Module, lab: torch.Tensor, labels: torch.Tensor) -> list[float]:
    """Mean IoU of live, bare and overgrown over tiles with at least 50 mm² of it."""
    net.eval()
    said = torch.cat([net(part.float()).argmax(1) for part in lab.split(16)])
    figures = []
    for label in (1, 2, 3):
        there = labels == label
        found = (said == label) & (labels != 255)
        enough = there.sum((1, 2)) * 0.16 >= 50
        share = (there & found).sum((1, 2)) / (there | found).sum((1, 2)).clamp(min=1)
        figures.append(float(share[enough].float().mean()))
    return figures


def _drift(mean: torch.Tensor, new: torch.Tensor, count: int | torch.Tensor) -> torch.Tensor:
    """Exponential mean that forgets its beginnings faster than its end."""
    keep = min(0.998, (1 + int(count)) / (10 + int(count)))
    return keep * mean + (1 - keep) * new if mean.is_floating_point() else new


def main() -> None:
    """Train for a while, print the held-out overlap now and then, write net.onnx."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("pack", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=8)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--batch", type=int, default=48)
    parser.add_argument("--start", type=Path, help="weights (net.pt) to go on from")
    asked = parser.parse_args()
    torch.manual_seed(asked.seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    groups = {
        name: tuple(part.to(device) for part in unpack(asked.pack, name))
        for name in ("train", "held", "ground")
    }
    lab, labels = groups["train"]
    print(f"{len(lab)} tiles, {len(groups['held'][0])} held out, on {device}", flush=True)
    net = Net().to(device)
    if asked.start:
        net.load_state_dict(torch.load(asked.start, weights_only=True))
    print(sum(part.numel() for part in net.parameters()), "weights")
    mean = torch.optim.swa_utils.AveragedModel(net, avg_fn=_drift, use_buffers=True)
    optimiser = torch.optim.AdamW(net.parameters(), lr=2e-3, weight_decay=0.02)
    began, step = time.monotonic(), 0
    said = began
    while (share := (time.monotonic() - began) / (asked.minutes * 60)) < 1:
        rate = min(1.0, step / 300) * 0.5 * (1 + np.cos(np.pi * share))
        for group in optimiser.param_groups:
            group["lr"] = 2e-3 * rate + 1e-5
        net.train()
        pick = torch.randint(len(lab), (asked.batch,), device=device)
        seen, truth = disturb(lab[pick].float(), labels[pick], groups["ground"][0])
        with torch.autocast(device, torch.bfloat16):
            logits = net(seen)
        loss = loss_of(logits.float(), truth)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        mean.update_parameters(net)
        step += 1
        if time.monotonic() - said > 45:
            said = time.monotonic()
            print(
                step,
                round(float(loss.detach()), 4),
                *(overlaps(one, *groups["held"]) for one in (net, mean)),
                flush=True,
            )
    final = overlaps(mean, *groups["held"])
    asked.out.mkdir(parents=True, exist_ok=True)
    ready = mean.module.eval().cpu()
    torch.onnx.export(
        ready,
        (torch.zeros(1, 3, SIDE, SIDE),),
        str(asked.out / "net.onnx"),
        input_names=["lab"],
        output_names=["logits"],
        opset_version=13,
        dynamo=False,
        dynamic_axes={"lab": {2: "rows", 3: "cols"}, "logits": {2: "rows", 3: "cols"}},
    )
    torch.save(ready.state_dict(), asked.out / "net.pt")
    facts = {
        "seed": asked.seed,
        "steps": step,
        "batch": asked.batch,
        "tiles": len(lab),
        "went_on_from_earlier_weights": bool(asked.start),
        "torch": torch.__version__,
        "held_out_iou_at_0.4_mm": dict(zip(("live", "bare", "overgrown"), final, strict=True)),
    }
    (asked.out / "net.json").write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(facts))


if __name__ == "__main__":
    main()
