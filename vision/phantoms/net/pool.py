"""The tiles of a folder on the GPU; new ones are taken in while the training goes on."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import numpy.typing as npt
import torch

from phantoms.net.unet import SIDE

__all__ = ["Pool", "scaled_lab"]

Bytes = npt.NDArray[np.uint8]


def scaled_lab(colour: torch.Tensor) -> torch.Tensor:
    """Network's input (n, 3, S, S) of a tile's bytes (2.3 L, 1.2 a + 128, 1.2 b + 128)."""
    colour = colour.float()
    return torch.stack(
        [
            colour[:, 0] / (2.3 * 50) - 1,
            (colour[:, 1] - 128) / (1.2 * 50),
            (colour[:, 2] - 128) / (1.2 * 50),
        ],
        1,
    )


def _on_canvas(path: Path) -> tuple[Bytes, Bytes]:
    """Colour (3, S, S) and labels (S, S), 255 where nothing is shown; the body near the middle."""
    with np.load(path, allow_pickle=False) as tile:
        colour, labels = tile["q"], tile["l"]
    shown = labels != 255
    plain = np.median(colour[shown], axis=0) if shown.any() else np.full(3, 128.0)
    canvas = np.empty((SIDE, SIDE, 3), np.uint8)
    canvas[:] = plain
    full = np.full((SIDE, SIDE), 255, np.uint8)
    rng = np.random.default_rng(sum(path.name.encode()))
    cut, put = [], []
    for axis in range(2):
        side = labels.shape[axis]
        if side <= SIDE:
            cut.append(slice(0, side))
            put.append(slice((SIDE - side) // 2, (SIDE - side) // 2 + side))
            continue
        where = np.nonzero(((labels > 0) & shown).any(axis=1 - axis))[0]
        middle = (where[0] + where[-1]) / 2 if where.size else side / 2
        start = int(np.clip(middle - SIDE / 2 + rng.integers(-48, 49), 0, side - SIDE))
        cut.append(slice(start, start + SIDE))
        put.append(slice(0, SIDE))
    canvas[put[0], put[1]] = colour[cut[0], cut[1]]
    full[put[0], put[1]] = labels[cut[0], cut[1]]
    return canvas.transpose(2, 0, 1), full


class Pool:
    """Tiles by kind (the file name's part before "-"), each kind drawn with its own weight."""

    def __init__(self, folder: Path, weights: dict[str, float], *, room: int, device: str) -> None:
        self.folder, self.weights, self.device = folder, weights, device
        self.lab = torch.empty((room, 3, SIDE, SIDE), dtype=torch.uint8, device=device)
        self.labels = torch.empty((room, SIDE, SIDE), dtype=torch.uint8, device=device)
        self.known: set[str] = set()
        self.places: dict[str, list[int]] = {kind: [] for kind in weights}
        self._ready: dict[str, torch.Tensor] = {}

    def refresh(self, *, most: int = 10**9) -> int:
        """Take in what is new in the folder, `most` at once; return how many tiles there are."""
        new = [
            path
            for path in sorted(self.folder.glob("*.npz"))
            if path.name not in self.known and path.name.split("-")[0] in self.weights
        ][: min(most, len(self.lab) - len(self.known))]
        with ThreadPoolExecutor(4) as threads:
            for path, (colour, labels) in zip(new, threads.map(_on_canvas, new), strict=True):
                place = len(self.known)
                self.lab[place] = torch.from_numpy(np.ascontiguousarray(colour))
                self.labels[place] = torch.from_numpy(labels)
                self.known.add(path.name)
                self.places[path.name.split("-")[0]].append(place)
        self._ready = {
            kind: torch.tensor(places, device=self.device)
            for kind, places in self.places.items()
            if places
        }
        return len(self.known)

    def draw(self, count: int) -> tuple[torch.Tensor, torch.Tensor]:
        """Random tiles as bytes: (count, 3, S, S) and labels (count, S, S)."""
        kinds = list(self._ready)
        weights = np.array([self.weights[kind] for kind in kinds])
        shares = np.random.multinomial(count, weights / weights.sum())
        picks = [
            self._ready[kind][torch.randint(len(self._ready[kind]), (share,), device=self.device)]
            for kind, share in zip(kinds, shares, strict=True)
            if share
        ]
        pick = torch.cat(picks)
        return self.lab[pick], self.labels[pick]
