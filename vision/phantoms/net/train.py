"""Train the network of the tissue model and write it as ONNX.

``python -m phantoms.net.train TILES --out FOLDER [--minutes 20]`` on a machine with PyTorch and a
GPU, while or after `phantoms.net.tiles` fills TILES. What was reached is written every few minutes.
Several GPUs share the work when one process a GPU is started with RANK, WORLD_SIZE, MASTER_ADDR and
MASTER_PORT set.
"""

import argparse
import copy
import json
import os
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import distributed, nn
from torch.nn import functional as f

from phantoms.net.disturb import disturb
from phantoms.net.onnx_file import begin_from, write_onnx
from phantoms.net.pool import Pool, scaled_lab
from phantoms.net.structure import Structure
from phantoms.net.take_over import take_over
from phantoms.net.unet import FORMS, LABELS, SIDE, UNet
from phantoms.packed_tile import MM_PER_PX

# How often a training picture is of each kind, whatever their numbers in the folder.
WEIGHTS = {"photo": 0.45, "dressed": 0.15, "drawn": 0.15, "traced": 0.25}
TAUGHT = 0.5  # how much of the cross-entropy is with what a teacher says
MOST_GROUNDS = 3000  # as many as `phantoms.net.tiles` makes
# Of a label in a picture, for its overlap to count: 10 mm², and 50 mm² as in the figures.
LEAST_PX, FIGURE_PX = (round(mm2 / MM_PER_PX**2) for mm2 in (10, 50))
# Kinds that are judged now and then, never trained on.
JUDGED = ("held", "tracedheld")


def loss_of(
    logits: torch.Tensor, labels: torch.Tensor, teacher: torch.Tensor | None = None
) -> torch.Tensor:
    """Cross-entropy plus one minus the soft overlap (Jaccard), picture by picture.

    Rahman & Wang 2016, ISVC, LNCS 10072:234-244, for the overlap as a loss; Hinton, Vinyals & Dean
    2015, arXiv:1503.02531, for a part of the cross-entropy with a teacher's probabilities, here
    only where the teacher is right, so that its mistakes are not taught on.
    """
    entropy = f.cross_entropy(logits, labels, ignore_index=255, label_smoothing=0.02)
    shown = (labels != 255)[:, None].float()
    truth = f.one_hot(labels.clamp(max=3), LABELS).permute(0, 3, 1, 2).float() * shown
    if teacher is not None:
        right = (teacher.argmax(1) == labels)[:, None]
        taught = -(torch.where(right, teacher, truth) * logits.log_softmax(1)).sum(1, True)
        entropy = (1 - TAUGHT) * entropy + TAUGHT * (taught * shown).sum() / shown.sum()
    said = logits.softmax(1) * shown
    both = (said * truth).sum((2, 3))
    either = said.sum((2, 3)) + truth.sum((2, 3)) - both
    counts = (truth.sum((2, 3)) >= LEAST_PX * labels[0].numel() / SIDE**2).float()
    overlap = ((both + 1) / (either + 1) * counts).sum() / counts.sum().clamp(min=1)
    return entropy + 0.7 * (1 - overlap)


def looked_at_some_way(net: nn.Module, seen: torch.Tensor) -> torch.Tensor:
    """Probabilities that a network gives pictures which it sees turned over by chance.

    Each is left as it is, mirrored, upside down or both: over many steps the mean of four looks.
    """
    rows, cols = (torch.rand(2, len(seen), 1, 1, 1, device=seen.device) < 0.5).unbind()

    def turned(pictures: torch.Tensor) -> torch.Tensor:
        pictures = torch.where(rows, pictures.flip(2), pictures)
        return torch.where(cols, pictures.flip(3), pictures)

    return turned(net(turned(seen)).float().softmax(1))


def coarsened(
    seen: torch.Tensor, labels: torch.Tensor, pixels: int
) -> tuple[torch.Tensor, torch.Tensor]:
    """Pictures of larger pixels, `pixels` across: mean colours, and the label in the middle."""
    if pixels == 1:
        return seen, labels
    middle = slice(pixels // 2, None, pixels)
    return f.avg_pool2d(seen, pixels), labels[..., middle, middle]


@torch.no_grad()
def overlaps(net: UNet, pool: Pool) -> list[float]:
    """Mean IoU of live, bare and overgrown over the pictures with 50 mm² of it."""
    net.eval()
    count = len(pool.known)
    if not count:
        return [0.0, 0.0, 0.0]
    every = pool.labels[:count]
    pictures = [
        coarsened(scaled_lab(lab), labels, net.coarse)
        for lab, labels in zip(pool.lab[:count].split(8), every.split(8), strict=True)
    ]
    said = torch.cat([net(seen).argmax(1) for seen, _ in pictures])
    labels = torch.cat([labels for _, labels in pictures])
    figures = []
    for label in (1, 2, 3):
        there = labels == label
        found = (said == label) & (labels != 255)
        enough = there.sum((1, 2)) >= FIGURE_PX / net.coarse**2
        share = (there & found).sum((1, 2)) / (there | found).sum((1, 2)).clamp(min=1)
        figures.append(round(float(share[enough].float().mean()), 4))
    return figures


class Trainer:
    """The network, its running mean and its optimiser; one step at a time."""

    def __init__(self, form: str, *, device: str, rate: float, structure: Structure | None) -> None:
        self.device, self.rate, self.step, self.structure = device, rate, 0, structure
        self.net: Any = FORMS[form]().to(device, memory_format=torch.channels_last)
        self.teacher: UNet | None = None
        self.mean = copy.deepcopy(self.net).eval().requires_grad_(False)
        self.optimiser = torch.optim.AdamW(
            self.net.parameters(), lr=rate, weight_decay=0.02, fused=True
        )
        self._disturb: Any = torch.compile(disturb, dynamic=False)
        self._forward: Any = torch.compile(self._loss, dynamic=False)

    def _loss(self, seen: torch.Tensor, truth: torch.Tensor) -> torch.Tensor:
        said = None
        with torch.autocast(torch.device(self.device).type, torch.bfloat16):
            logits = self.net(seen)
            if self.teacher is not None:
                with torch.no_grad():
                    said = looked_at_some_way(self.teacher, seen)
        return loss_of(logits.float(), truth, said)

    def advance(
        self, colour: torch.Tensor, labels: torch.Tensor, grounds: torch.Tensor, share: float
    ) -> torch.Tensor:
        """Take one step; `share` 0..1 is how much of the time is over."""
        warm = min(1.0, self.step / 400)
        for group in self.optimiser.param_groups:
            group["lr"] = self.rate * warm * 0.5 * (1 + np.cos(np.pi * share)) + 1e-5
        self.net.train()
        with torch.no_grad():
            lab = scaled_lab(colour)
            if self.structure is not None:
                lab = self.structure.laid(lab, labels)
            seen, truth = self._disturb(lab, labels, scaled_lab(grounds))
            seen, truth = coarsened(seen, truth, self.net.coarse)
            seen = seen.contiguous(memory_format=torch.channels_last)
        loss = self._forward(seen, truth)
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()
        self._share_gradients()
        nn.utils.clip_grad_norm_(self.net.parameters(), 1.0)
        self.optimiser.step()
        self._remember()
        self.step += 1
        return loss.detach()

    @torch.no_grad()
    def _remember(self) -> None:
        """Keep an exponential mean of the weights that forgets its beginnings first."""
        keep = min(0.9985, (1 + self.step) / (10 + self.step))
        old, new = self.mean.state_dict(), self.net.state_dict()
        floats = [name for name, value in new.items() if value.is_floating_point()]
        torch._foreach_lerp_([old[n] for n in floats], [new[n] for n in floats], 1 - keep)

    def begin(self, start: Path, colour: torch.Tensor) -> None:
        """Begin from net.pt or net.onnx of an earlier training of the same form."""
        if start.suffix == ".onnx":
            begin_from(start, self.net, scaled_lab(colour))
        else:
            state = torch.load(start, map_location=self.device, weights_only=True)
            self.net.load_state_dict(state)
        self.mean.load_state_dict(self.net.state_dict())

    def learn_from(self, teacher: Path, colour: torch.Tensor, *, form: str) -> None:
        """Learn from what the network of a net.onnx says in the mean of all looks, too."""
        self.teacher = FORMS[form]().to(self.device, memory_format=torch.channels_last)
        begin_from(teacher, self.teacher, scaled_lab(colour))
        self.teacher.eval().requires_grad_(False)

    def begin_as_teacher(self) -> None:
        """Begin with what the teacher has learned, as far as a network on places can."""
        take_over(self.net, self.teacher)  # type: ignore[arg-type]
        self.mean.load_state_dict(self.net.state_dict())

    def agree(self) -> None:
        """Begin alike on all GPUs."""
        if distributed.is_initialized():
            for value in [*self.net.state_dict().values(), *self.mean.state_dict().values()]:
                distributed.broadcast(value, 0)

    def _share_gradients(self) -> None:
        """Give every GPU the mean of all gradients."""
        if not distributed.is_initialized():
            return
        grads = [part.grad for part in self.net.parameters() if part.grad is not None]
        whole = torch._utils._flatten_dense_tensors(grads)
        distributed.all_reduce(whole)
        whole /= distributed.get_world_size()
        for grad, mean in zip(
            grads, torch._utils._unflatten_dense_tensors(whole, grads), strict=True
        ):
            grad.copy_(mean)

    def write(self, out: Path, facts: dict[str, Any]) -> None:
        """Write net.onnx, net.pt and net.json of the mean weights."""
        ready = copy.deepcopy(self.mean)
        torch.save(ready.state_dict(), out / "net.pt")
        write_onnx(ready, out / "net.onnx")
        (out / "net.json").write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8")


def main() -> None:
    """Train for a while, say the held-out overlap now and then, write what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("tiles", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=20)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--batch", type=int, default=64)
    parser.add_argument("--rate", type=float, default=2.5e-3, help="learning rate at its highest")
    parser.add_argument("--begin", type=Path, help="net.pt or net.onnx to go on from")
    parser.add_argument("--structure", type=Path, help="folder of reef photos (traced/textures.py)")
    parser.add_argument("--room", type=int, default=40_000, help="most tiles on a GPU")
    parser.add_argument("--form", choices=FORMS, default="trim")
    parser.add_argument(
        "--teacher", type=Path, help="net.onnx to learn from, and to begin as if it is wide"
    )
    parser.add_argument("--teacher-form", choices=FORMS, default="wide")
    asked = parser.parse_args()
    if asked.teacher and FORMS[asked.form].coarse != FORMS[asked.teacher_form].coarse:
        parser.error(f"--form {asked.form} sees other pixels than its teacher would")
    asked.out.mkdir(parents=True, exist_ok=True)
    rank, world = int(os.environ.get("RANK", "0")), int(os.environ.get("WORLD_SIZE", "1"))
    torch.manual_seed(asked.seed + rank)
    np.random.seed(asked.seed + rank)
    torch.backends.cudnn.benchmark = True
    torch.set_float32_matmul_precision("high")
    device = f"cuda:{rank}" if torch.cuda.is_available() else "cpu"
    if world > 1:
        torch.cuda.set_device(rank)
        distributed.init_process_group("nccl")
    pool = Pool(asked.tiles, WEIGHTS, room=asked.room, device=device)
    grounds = Pool(asked.tiles, {"ground": 1}, room=MOST_GROUNDS, device=device)
    judged = {kind: Pool(asked.tiles, {kind: 1}, room=100, device=device) for kind in JUDGED}
    while pool.refresh() < 500 or grounds.refresh() < 100:
        time.sleep(1)
    structure = Structure(asked.structure, device=device) if asked.structure else None
    trainer = Trainer(asked.form, device=device, rate=asked.rate, structure=structure)
    if asked.begin:
        trainer.begin(asked.begin, pool.draw(asked.batch)[0])
    if asked.teacher:
        trainer.learn_from(asked.teacher, pool.draw(asked.batch)[0], form=asked.teacher_form)
        if asked.teacher_form == "wide" and asked.form != "wide" and not asked.begin:
            trainer.begin_as_teacher()
    trainer.agree()
    weights = sum(part.numel() for part in trainer.net.parameters())
    print(f"{len(pool.known)} tiles, {weights} weights, on {device}", flush=True)
    trainer.advance(*pool.draw(asked.batch), grounds.draw(asked.batch)[0], 0)  # compiles
    began = told = kept = time.monotonic()
    share = torch.zeros(1, device=device)
    while (done := float(share)) < 1:
        loss = trainer.advance(*pool.draw(asked.batch), grounds.draw(asked.batch)[0], done)
        if trainer.step % 5 == 0:
            share.fill_((time.monotonic() - began) / (60 * asked.minutes))
            if world > 1:
                distributed.broadcast(share, 0)
        if trainer.step % 100 == 0:
            pool.refresh(most=400)
            grounds.refresh()
        if rank or time.monotonic() - told < 60:
            continue
        told = time.monotonic()
        facts = _facts(asked, trainer, pool, judged)
        figures = {kind: overlaps(trainer.mean, tiles) for kind, tiles in judged.items()}
        print(trainer.step, len(pool.known), round(float(loss), 4), figures, flush=True)
        if told - kept > 150:
            kept = told
            trainer.write(asked.out, facts)
    if rank == 0:
        facts = _facts(asked, trainer, pool, judged)
        trainer.write(asked.out, facts)
        print(json.dumps(facts), flush=True)
    if world > 1:
        distributed.destroy_process_group()


def _told(network: Path | None) -> Any:
    return json.loads(network.with_suffix(".json").read_text("utf-8")) if network else None


def _facts(
    asked: argparse.Namespace,
    trainer: Trainer,
    pool: Pool,
    judged: dict[str, Pool],
) -> dict[str, Any]:
    names = ("live", "bare", "overgrown")
    for tiles in judged.values():
        tiles.refresh()
    return {
        "seed": asked.seed,
        "minutes": asked.minutes,
        "steps": trainer.step,
        "began_from": _told(asked.begin),
        "teacher": _told(asked.teacher),
        "batch": asked.batch * int(os.environ.get("WORLD_SIZE", "1")),
        "form": asked.form,
        "widths": trainer.net.widths,
        "tiles": {kind: len(places) for kind, places in pool.places.items()},
        "torch": torch.__version__,
        f"iou_at_{MM_PER_PX * trainer.net.coarse:g}_mm": {
            kind: dict(zip(names, overlaps(trainer.mean, tiles), strict=True))
            for kind, tiles in judged.items()
        },
    }


if __name__ == "__main__":
    main()
