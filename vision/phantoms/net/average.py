"""Average networks that one training made of another: steadier on what neither was trained for.

``python -m phantoms.net.average FOLDER FOLDER --out FOLDER``; each has net.onnx and net.json of
`phantoms.net.train`. Wortsman et al. 2022, Model soups, ICML, PMLR 162:23965-23998.
"""

import argparse
import json
from pathlib import Path

import numpy as np
import onnx
from onnx import numpy_helper

__all__ = ["averaged"]


def averaged(models: list[onnx.ModelProto]) -> onnx.ModelProto:
    """Return the mean of networks of one form: of each kernel with its normalisation in it.

    Raises
    ------
    KeyError
        If the networks do not name the same kernels.
    """
    numbers = [
        {one.name: numpy_helper.to_array(one) for one in model.graph.initializer}
        for model in models
    ]
    mean = onnx.ModelProto()
    mean.CopyFrom(models[0])
    for one in mean.graph.initializer:
        values = np.mean([each[one.name].astype(np.float64) for each in numbers], axis=0)
        like = numbers[0][one.name].dtype
        one.CopyFrom(numpy_helper.from_array(values.astype(like), one.name))
    return mean


def main() -> None:
    """Write net.onnx and net.json of the mean."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("nets", type=Path, nargs="+", help="folders that phantoms.net.train wrote")
    parser.add_argument("--out", type=Path, required=True)
    asked = parser.parse_args()
    facts = {net: json.loads((net / "net.json").read_text("utf-8")) for net in asked.nets}
    network = averaged([onnx.load(str(net / "net.onnx")) for net in asked.nets])
    asked.out.mkdir(parents=True, exist_ok=True)
    onnx.save(network, str(asked.out / "net.onnx"))
    parts = [
        {"share": round(asked.nets.count(net) / len(asked.nets), 3), **facts[net]} for net in facts
    ]
    told = {"widths": parts[0]["widths"], "mean_of": parts}
    (asked.out / "net.json").write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
