"""``python -m bench.reliability``: whether the map is as sure as it should be, what `unsure` finds.

On cut-outs of the families `HELD_OUT` (chosen by) and `UNSEEN` (not). Pixels are those of and
within 3 mm of a specimen, found or true: the ground far off is sure and easy.
"""

import argparse
import importlib
import os
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np
import numpy.typing as npt

from bench.segmenters import UNSEEN_TILES, unseen_photo
from phantoms.base_model import HELD_OUT_TILES
from phantoms.kept_tiles import held_out_photo, photo_tiles, tiles_folder
from phantoms.photo_tiles import PhotoTile
from phantoms.temperature import doubtful_pixels, fit_temperature, tempered
from polypward.labels import LIVE
from polypward_vision.tissue import Labeller, load_base_model, map_tissue
from polypward_vision.tissue.model import SURE

__all__ = ["Judged", "error_of", "main", "plot"]

Array = npt.NDArray[np.float32]

BINS = np.linspace(0.25, 1.0, 16)
LIMITS = (0.02, 0.03, 0.04, 0.05, 0.06, 0.07, 0.08, 0.1, 0.15)
PIXELS = 4000  # of each cut-out, to fit a temperature to
# A map that should not be believed: live cover, or live area from so many mm² on, that far off.
OFF_COVER, OFF_AREA, ENOUGH_MM2 = 0.10, 0.20, 50.0
SAME = 0.02  # a temperature this near 1 changes nothing


@dataclass(frozen=True, slots=True)
class _Given:
    """A labeller that says what it was given."""

    chances: Array

    def probabilities(self, lab: Array, **_: Any) -> Array:
        """As `polypward_vision.tissue.TissueModel.probabilities`."""
        return self.chances.copy()


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One cut-out: its pixels by how sure they are, and what is wrong in it.

    `table` (bins, 3) has each bin's pixels, the sum of their probabilities, and the right ones.
    """

    table: npt.NDArray[np.float64]
    unsure: float
    wrong: float  # share of the zone that is labelled wrong
    flagged: float  # share of the zone that is unsure
    caught: float  # share of the wrong pixels that are unsure
    cover_error: float
    area_off: float
    problem: bool


def judge(tile: PhotoTile, chances: Array) -> Judged:
    """Map a cut-out with probabilities that are at hand and compare it with the truth."""
    one = tile.tile
    found = map_tissue(
        one.lab, valid=one.valid, mm_per_px=one.mm_per_px, model=_Given(chances),
        aim_mm=one.centre_mm,
    )  # fmt: skip
    truth = np.where(one.valid, one.labels, 0).astype(np.uint8)
    zone = doubtful_pixels(found.labels, truth, mm_per_px=one.mm_per_px) & one.valid
    sure = 1 - found.unsure_map[zone]
    right = found.labels[zone] == truth[zone]
    place = np.clip(np.digitize(sure, BINS) - 1, 0, len(BINS) - 2)
    size = len(BINS) - 1
    table = np.stack(
        [np.bincount(place, weights=w, minlength=size) for w in (np.ones(len(sure)), sure, right)],
        axis=1,
    )
    low = sure < SURE
    live, said = truth == LIVE, found.labels == LIVE
    enough = np.count_nonzero(live) * one.mm_per_px**2 >= ENOUGH_MM2
    return Judged(
        table=np.asarray(table, np.float64),
        unsure=found.unsure or 0.0,
        wrong=float(1 - right.mean()),
        flagged=float(low.mean()),
        caught=float(low[~right].mean()) if not right.all() else float("nan"),
        cover_error=abs(_cover(found.labels) - _cover(truth)),
        area_off=abs(float(said.sum() / live.sum()) - 1) if enough else 0.0,
        problem=bool(found.problem),
    )


def _cover(labels: npt.NDArray[np.uint8]) -> float:
    body = np.count_nonzero(labels)
    return float(np.count_nonzero(labels == LIVE) / body) if body else 0.0


def looks(model: Labeller, tiles: Sequence[PhotoTile]) -> list[Array]:
    """Probabilities of each cut-out."""
    return [
        model.probabilities(
            one.tile.lab, mm_per_px=one.tile.mm_per_px, valid=one.tile.valid,
            centre_mm=one.tile.centre_mm,
        )
        for one in tiles
    ]  # fmt: skip


def pixels_to_fit(
    tiles: Sequence[PhotoTile], seen: Sequence[Array], *, seed: int = 5
) -> list[tuple[Array, npt.NDArray[np.uint8]]]:
    """Draw pixels of and around the specimen of each cut-out, with their true labels."""
    rng = np.random.default_rng(seed)
    drawn = []
    for one, chances in zip(tiles, seen, strict=True):
        tile = one.tile
        found = chances.argmax(axis=2).astype(np.uint8)
        zone = doubtful_pixels(found, tile.labels, mm_per_px=tile.mm_per_px) & tile.valid
        places = rng.permutation(np.flatnonzero(zone))[:PIXELS]
        drawn.append((chances.reshape(-1, chances.shape[2])[places], tile.labels.ravel()[places]))
    return drawn


def error_of(judged: Sequence[Judged]) -> tuple[float, npt.NDArray[np.float64]]:
    """Give the expected calibration error (Guo et al. 2017) and all cut-outs' tables summed.

    Every cut-out counts alike, however large its specimen.
    """
    table = np.sum([one.table / one.table[:, 0].sum() for one in judged], axis=0) / len(judged)
    return float(np.abs(table[:, 1] - table[:, 2]).sum()), table


def limits(judged: Sequence[Judged]) -> str:
    """Lay out what a limit on `unsure` would refuse, in Markdown."""
    lines = [
        "| refused above | refused | of the bad maps | of the good maps | "
        "cover error of the rest |",
        "| --- | --- | --- | --- | --- |",
    ]
    read = [one for one in judged if not one.problem]
    bad = [one.cover_error > OFF_COVER or one.area_off > OFF_AREA for one in read]
    for limit in LIMITS:
        out = [one.unsure > limit for one in read]
        hit = sum(o and b for o, b in zip(out, bad, strict=True))
        rest = [one.cover_error for one, gone in zip(read, out, strict=True) if not gone]
        lines.append(
            f"| {limit:g} | {sum(out)} of {len(read)} | {hit} of {sum(bad)} "
            f"| {sum(out) - hit} of {len(read) - sum(bad)} | "
            + (f"{np.mean(rest):.3f} |" if rest else "|")
        )
    return "\n".join(lines)


def plot(curves: dict[str, npt.NDArray[np.float64]]) -> str:
    """Draw reliability curves as SVG; each is a table as `error_of` gives it."""
    side, edge = 300, 46

    def at(x: float, y: float) -> str:
        scale = side / 0.75
        return f"{edge + (x - 0.25) * scale:.1f},{edge / 2 + side - (y - 0.25) * scale:.1f}"

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {side + 2 * edge + 190} '
        f'{side + 2 * edge}" font-family="sans-serif" font-size="12">',
        "<title>Reliability of the tissue map</title>",
        f'<rect width="{side + 2 * edge + 190}" height="{side + 2 * edge}" fill="#fff"/>',
        f'<polyline points="{at(0.25, 0.25)} {at(1, 1)}" stroke="#999" fill="none"/>',
    ]
    for tick in (0.25, 0.5, 0.75, 1.0):
        x, y = at(tick, 0.25).split(",")
        parts.append(f'<text x="{x}" y="{float(y) + 16}" text-anchor="middle">{tick:g}</text>')
        x, y = at(0.25, tick).split(",")
        parts.append(
            f'<text x="{float(x) - 6}" y="{float(y) + 4}" text-anchor="end">{tick:g}</text>'
        )
    parts.append(
        f'<rect x="{edge}" y="{edge / 2}" width="{side}" height="{side}" fill="none" '
        'stroke="#333"/>'
        f'<text x="{edge + side / 2}" y="{side + edge + 16}" text-anchor="middle">'
        "probability that the map gives its label</text>"
        f'<text transform="translate(12 {edge / 2 + side / 2}) rotate(-90)" text-anchor="middle">'
        "share that is right</text>"
    )
    for number, (name, table) in enumerate(curves.items()):
        colour = "#1f4e79" if name.startswith("HELD_OUT") else "#a85c00"
        dash = "none" if name.endswith("as it is") else "5 3"
        used = table[:, 0] > 1e-3
        points = table[used, 1:] / table[used, :1]
        line = " ".join(at(float(x), float(y)) for x, y in points)
        parts.append(
            f'<polyline points="{line}" stroke="{colour}" stroke-dasharray="{dash}" '
            f'stroke-width="1.8" fill="none"/>'
        )
        down = edge + 20 * number
        parts.append(
            f'<line x1="{edge + side + 14}" y1="{down}" x2="{edge + side + 44}" y2="{down}" '
            f'stroke="{colour}" stroke-dasharray="{dash}" stroke-width="1.8"/>'
            f'<text x="{edge + side + 50}" y="{down + 4}">{name}</text>'
        )
    return "\n".join([*parts, "</svg>\n"])


def main() -> None:
    """Judge both families with the model as it is, and at the temperature that fits best."""
    parser = argparse.ArgumentParser(prog="python -m bench.reliability", description=__doc__)
    parser.add_argument("--cache", type=Path, help="folder for rendered tiles")
    parser.add_argument("--tiles", type=int, default=UNSEEN_TILES, help="of each family at most")
    parser.add_argument("--svg", type=Path, help="where the curves are drawn")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    folder = tiles_folder(asked.cache)
    base = load_base_model()
    start = time.monotonic()
    temperature = 1.0
    curves: dict[str, npt.NDArray[np.float64]] = {}
    for family, make, count in (
        ("HELD_OUT", held_out_photo, HELD_OUT_TILES),
        ("UNSEEN", unseen_photo, UNSEEN_TILES),
    ):
        tiles = photo_tiles(min(count, asked.tiles), make, folder=folder, workers=1)
        seen = looks(base, tiles)
        if family == "HELD_OUT":
            temperature = fit_temperature(pixels_to_fit(tiles, seen))
            print(f"temperature fitted on HELD_OUT: {temperature:.3f}")
        ways = [("as it is", 1.0), (f"at {temperature:.2f}", temperature)]
        for told, power in ways if abs(temperature - 1) > SAME else ways[:1]:
            judged = [judge(t, tempered(c, power)) for t, c in zip(tiles, seen, strict=True)]
            error, table = error_of(judged)
            curves[f"{family}, {told}"] = table
            print(
                f"\n{family}, {told}: {len(judged)} cut-outs, expected calibration error "
                f"{error:.3f}; wrong {np.mean([j.wrong for j in judged]):.1%} of the pixels, "
                f"unsure {np.mean([j.flagged for j in judged]):.1%} of them, which is "
                f"{np.nanmean([j.caught for j in judged]):.0%} of the wrong ones\n"
            )
            print(limits(judged))
        print(f"{family}: {time.monotonic() - start:.0f} s", file=sys.stderr)
    print("\n| probability | " + " | ".join(curves) + " |\n| --- |" + " --- |" * len(curves))
    for row, low in enumerate(BINS[:-1]):
        cells = [
            f"{table[row, 2] / table[row, 0]:.2f}" if table[row, 0] > 1e-3 else ""
            for table in curves.values()
        ]
        if any(cells):
            print(f"| {low:.2f}-{BINS[row + 1]:.2f} | " + " | ".join(cells) + " |")
    if asked.svg:
        asked.svg.write_text(plot(curves), encoding="utf-8")


if __name__ == "__main__":
    importlib.import_module("bench.reliability").main()
