"""Average networks that one training made of another: steadier on what neither was trained for.

``python -m phantoms.net.average FOLDER FOLDER --out FOLDER``; each has net.pt and net.json of
`phantoms.net.train`. Wortsman et al. 2022, Model soups, ICML, PMLR 162:23965-23998.
"""

import argparse
import json
from pathlib import Path

import torch

from phantoms.net.onnx_file import write_onnx
from phantoms.net.unet import Net

__all__ = ["averaged"]


def averaged(states: list[dict[str, torch.Tensor]]) -> dict[str, torch.Tensor]:
    """Return the mean of each weight; counts are those of the first network."""
    return {
        name: torch.stack([state[name] for state in states]).mean(0)
        if first.is_floating_point()
        else first
        for name, first in states[0].items()
    }


def main() -> None:
    """Write net.onnx, net.pt and net.json of the mean."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("nets", type=Path, nargs="+", help="folders that phantoms.net.train wrote")
    parser.add_argument("--out", type=Path, required=True)
    asked = parser.parse_args()
    facts = [json.loads((net / "net.json").read_text("utf-8")) for net in asked.nets]
    states = [
        torch.load(net / "net.pt", map_location="cpu", weights_only=True) for net in asked.nets
    ]
    network = Net(tuple(facts[0]["widths"]))
    network.load_state_dict(averaged(states))
    asked.out.mkdir(parents=True, exist_ok=True)
    torch.save(network.state_dict(), asked.out / "net.pt")
    write_onnx(network, asked.out / "net.onnx")
    told = {"widths": facts[0]["widths"], "mean_of": facts}
    (asked.out / "net.json").write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
