"""Put trained networks into the tissue model that comes with polypward, and measure it.

``python -m phantoms.base_model --net FOLDER --glance FOLDER [--cache DIR]``: what
`phantoms.net.train` wrote. Those in use stay where none is given. Tiles are kept in the cache
folder.
"""

import argparse
import hashlib
import json
import os
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np

from phantoms.kept_tiles import held_out_photo, photo_tiles, tiles_folder
from phantoms.tissue_figures import tissue_figures
from polypward_vision.tissue import TissueModel, load_base_model
from polypward_vision.tissue.model import LOOKS
from polypward_vision.tissue.network import Network

DATA = Path(__file__).resolve().parents[1] / "polypward_vision" / "tissue" / "data"
HELD_OUT_TILES = 40
# Arrays of the model's file, facts of its provenance.
NETWORKS = ("network", "glance")


def digest(model: TissueModel) -> str:
    """Six digits that change when a network or a look does."""
    parts = model.network.onnx + model.glance.onnx + repr(LOOKS).encode()
    return hashlib.sha256(parts).hexdigest()[:6]


def write(model: TissueModel, figures: dict[str, Any]) -> None:
    """Write base_model.npz and its provenance, and read them back."""
    today = date.today().isoformat()
    provenance = {
        "version": f"base-{today}-{digest(model)}",
        "script": "vision/phantoms/base_model.py (make network)",
        "date": today,
        **{name: model.provenance[name] for name in NETWORKS},
        "libraries": {"numpy": np.__version__, "opencv": cv2.__version__},
        "held_out": figures,
    }
    np.savez_compressed(DATA / "base_model.npz", **model.to_arrays())
    (DATA / "base_model.json").write_text(json.dumps(provenance, indent=1) + "\n", encoding="utf-8")
    load_base_model()


def _put_in(model: TissueModel, folders: dict[str, Path | None]) -> TissueModel:
    """Return the model with the networks of these folders instead of its own."""
    for name, folder in folders.items():
        if folder is not None:
            facts = json.loads((folder / "net.json").read_text(encoding="utf-8"))
            facts = {"script": "vision/phantoms/net/train.py", **facts}
            network = Network((folder / "net.onnx").read_bytes())
            model = replace(model, **{name: network}, provenance={**model.provenance, name: facts})
    return model


def main() -> None:
    """Measure networks on the held-out family, write the model, print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--net", type=Path, help="the network that looks closely")
    parser.add_argument("--glance", type=Path, help="the one that finds where")
    parser.add_argument("--cache", type=Path, help="folder for rendered tiles")
    parser.add_argument("--workers", type=int, default=1)
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    model = _put_in(load_base_model(), {"network": asked.net, "glance": asked.glance})
    folder = tiles_folder(asked.cache)
    held = photo_tiles(HELD_OUT_TILES, held_out_photo, folder=folder, workers=asked.workers)
    figures = tissue_figures(model, held)
    write(model, figures)
    print(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main()
