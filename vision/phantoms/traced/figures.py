"""``python -m phantoms.traced.figures FOLDER``: how the tissue model in use maps traced tiles.

FOLDER holds held-out tiles that ``phantoms.traced --held-out --full`` wrote.
"""

import argparse
import json
from pathlib import Path

import cv2
import numpy as np

from phantoms.packed_tile import MM_PER_PX
from phantoms.photo_tiles import PhotoTile
from phantoms.tissue_figures import tissue_figures
from polypward_vision.tissue import LabelledTile, load_base_model

__all__ = ["full_tiles"]


def full_tiles(folder: Path, *, kind: str = "tracedheld") -> list[PhotoTile]:
    """Read the tiles of a kind that were kept whole; others are passed over."""
    tiles = []
    for path in sorted(folder.glob(f"{kind}-*.npz")):
        with np.load(path, allow_pickle=False) as arrays:
            if "lab" not in arrays:
                continue
            rows, cols = arrays["labels"].shape
            tile = LabelledTile(
                lab=arrays["lab"],
                valid=arrays["valid"],
                labels=arrays["labels"],
                mm_per_px=MM_PER_PX,
                centre_mm=(MM_PER_PX * cols / 2, MM_PER_PX * rows / 2),
            )
            tiles.append(PhotoTile(tile=tile, drawn=json.loads(str(arrays["drawn"]))))
    return tiles


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    print(json.dumps(tissue_figures(load_base_model(), full_tiles(asked.folder)), indent=1))


if __name__ == "__main__":
    main()
