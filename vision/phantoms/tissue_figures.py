"""How well a tissue model maps labelled photos: overlap by label, cover, what is taken for what."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from phantoms.photo_tiles import PhotoTile
from polypward.labels import BARE, LABEL_NAMES, LIVE, OVERGROWN
from polypward_vision.tissue import Labeller, map_tissue

__all__ = ["tissue_figures"]

# A photo counts for a label when it shows at least this much of it.
LEAST_MM2 = 50.0


def tissue_figures(model: Labeller, photos: Sequence[PhotoTile]) -> dict[str, Any]:
    """Measure a model on labelled photos.

    Returns
    -------
    dict
        ``iou_mean``, ``iou_median`` and ``iou_pooled`` by label; ``cover_error``: mean absolute
        error of live cover, and its median; ``taken_for``: share of each true label's pixels by
        what they were labelled; ``by``: mean overlap of live tissue by plan, growth, ground and
        paling; ``problems``: photos in which no single specimen was found.
    """
    overlap: dict[int, list[float]] = {LIVE: [], BARE: [], OVERGROWN: []}
    counts = np.zeros((4, 4))
    errors, problems = [], 0
    groups: dict[str, list[float]] = {}
    for photo in photos:
        tile = photo.tile
        found = map_tissue(
            tile.lab,
            valid=tile.valid,
            mm_per_px=tile.mm_per_px,
            model=model,
            aim_mm=tile.centre_mm,
        )
        truth = np.where(tile.valid, tile.labels, 0)
        counts += np.bincount((truth * 4 + found.labels).ravel(), minlength=16).reshape(4, 4)
        problems += bool(found.problem)
        errors.append(abs(_cover(found.labels) - _cover(truth)))
        for label, values in overlap.items():
            there, said = truth == label, found.labels == label
            if np.count_nonzero(there) * tile.mm_per_px**2 < LEAST_MM2:
                continue
            share = np.count_nonzero(there & said) / np.count_nonzero(there | said)
            values.append(float(share))
            if label == LIVE:
                pale = "paling over 0.4" if float(photo.drawn["paling"]) > 0.4 else "paling to 0.4"
                for key in (
                    photo.drawn["plan"],
                    photo.drawn["growth"],
                    photo.drawn["ground"],
                    pale,
                ):
                    groups.setdefault(key, []).append(float(share))
    pooled = np.diag(counts) / (counts.sum(axis=0) + counts.sum(axis=1) - np.diag(counts))
    shares = counts / np.maximum(counts.sum(axis=1, keepdims=True), 1)
    return {
        "photos": len(photos),
        "iou_mean": {LABEL_NAMES[k]: round(float(np.mean(v)), 3) for k, v in overlap.items()},
        "iou_median": {LABEL_NAMES[k]: round(float(np.median(v)), 3) for k, v in overlap.items()},
        "iou_pooled": {LABEL_NAMES[k]: round(float(pooled[k]), 3) for k in overlap},
        "cover_error": round(float(np.mean(errors)), 4),
        "cover_error_median": round(float(np.median(errors)), 4),
        "taken_for": {
            LABEL_NAMES[k]: {
                name: round(float(v), 4) for name, v in zip(LABEL_NAMES, shares[k], strict=True)
            }
            for k in range(4)
        },
        "live_by": {key: round(float(np.mean(v)), 3) for key, v in sorted(groups.items())},
        "problems": problems,
    }


def _cover(labels: np.ndarray[Any, Any]) -> float:
    body = np.count_nonzero(labels)
    return float(np.count_nonzero(labels == LIVE) / body) if body else 0.0
