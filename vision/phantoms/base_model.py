"""Put a trained network into the tissue model that comes with polypward, and measure it.

``python -m phantoms.base_model --net FOLDER [--cache DIR]``: FOLDER is what `phantoms.net.train`
wrote. Without it the network in use is measured again. Tiles are kept in the cache folder.
"""

import argparse
import hashlib
import json
import os
from datetime import date
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np

from phantoms.kept_tiles import held_out_photo, photo_tiles, tiles_folder
from phantoms.tissue_figures import tissue_figures
from polypward_vision.tissue import TissueModel, load_base_model
from polypward_vision.tissue.network import Network

DATA = Path(__file__).resolve().parents[1] / "polypward_vision" / "tissue" / "data"
HELD_OUT_TILES = 40


def write(model: TissueModel, network: dict[str, Any], figures: dict[str, Any]) -> None:
    """Write base_model.npz and its provenance, and read them back."""
    today = date.today().isoformat()
    digest = hashlib.sha256(model.network.onnx).hexdigest()
    provenance = {
        "version": f"base-{today}-{digest[:6]}",
        "script": "vision/phantoms/base_model.py (make network)",
        "date": today,
        "network": {"script": "vision/phantoms/net/train.py", **network},
        "libraries": {"numpy": np.__version__, "opencv": cv2.__version__},
        "held_out": figures,
    }
    np.savez_compressed(DATA / "base_model.npz", **model.to_arrays())
    (DATA / "base_model.json").write_text(json.dumps(provenance, indent=1) + "\n", encoding="utf-8")
    load_base_model()


def main() -> None:
    """Measure a network on the held-out family, write the model, print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--net", type=Path, help="folder that phantoms.net.train wrote")
    parser.add_argument("--cache", type=Path, help="folder for rendered tiles")
    parser.add_argument("--workers", type=int, default=1)
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    if asked.net:
        model = TissueModel(network=Network((asked.net / "net.onnx").read_bytes()))
        network = json.loads((asked.net / "net.json").read_text(encoding="utf-8"))
    else:
        model = load_base_model()
        network = dict(model.provenance["network"])
    folder = tiles_folder(asked.cache)
    held = photo_tiles(HELD_OUT_TILES, held_out_photo, folder=folder, workers=asked.workers)
    figures = tissue_figures(model, held)
    write(model, network, figures)
    print(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main()
