"""The network as an ONNX file: written for the tool, read to begin a larger one from."""

import io
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import numpy_helper

from phantoms.net.unet import SIDE, Net

__all__ = ["begin_from", "write_onnx"]

# Kernels of more numbers than this are kept in half precision.
LIGHT_FROM = 1000


def write_onnx(net: Net, path: Path) -> None:
    """Write a network that `polypward_vision.tissue.network` runs on pictures of any size.

    Its kernels are kept in half precision, cast when the file is opened.
    """
    axes = {2: "rows", 3: "cols"}
    whole = io.BytesIO()
    torch.onnx.export(
        net.eval().float().cpu(),
        (torch.zeros(1, 3, SIDE, SIDE),),
        whole,
        input_names=["lab"],
        output_names=["logits"],
        opset_version=13,
        dynamo=False,
        dynamic_axes={"lab": axes, "logits": axes},
    )
    model = onnx.load_from_string(whole.getvalue())
    for weight in model.graph.initializer:
        numbers = numpy_helper.to_array(weight)
        if numbers.dtype != np.float32 or numbers.size < LIGHT_FROM:
            continue
        name = weight.name
        weight.CopyFrom(numpy_helper.from_array(numbers.astype(np.float16), f"{name}.half"))
        cast = onnx.helper.make_node(
            "Cast", [f"{name}.half"], [name], to=onnx.TensorProto.FLOAT
        )  # fmt: skip
        model.graph.node.insert(0, cast)
    onnx.checker.check_model(model)
    onnx.save(model, str(path))


@torch.no_grad()
def begin_from(path: Path, net: Net, seen: torch.Tensor) -> None:
    """Let `net` begin as a narrower network of 0.4 mm knows the picture; the rest is as it was.

    The narrow network's channels come first and take nothing from the new ones, so that they say
    what they said (Chen, Goodfellow & Shlens 2016, Net2Net, ICLR). Its first convolution is spread
    over four pixels each. What its normalisations were is measured on `seen` (n, 3, rows, cols).
    """
    model = onnx.load(str(path))
    weights = {one.name: numpy_helper.to_array(one) for one in model.graph.initializer}
    kernels = [
        (weights[node.input[1]], weights[node.input[2]])
        for node in model.graph.node
        if node.op_type in ("Conv", "ConvTranspose")
    ]
    parts: list[torch.nn.Module] = [part for block in net.down for part in block]
    halves: dict[torch.nn.Module, int] = {}
    for level in range(len(net.up) - 1, -1, -1):
        parts += [net.up[level], *net.join[level]]
        halves[net.join[level][0]] = net.up[level].out_channels
    turns = [p for p in parts if isinstance(p, torch.nn.Conv2d | torch.nn.ConvTranspose2d)]
    norms = iter([part for part in parts if isinstance(part, torch.nn.BatchNorm2d)])
    measured = []
    for index, (part, (kernel, bias)) in enumerate(zip(turns, kernels, strict=False)):
        old, shift = (torch.tensor(array, device=seen.device) for array in (kernel, bias))
        if isinstance(part, torch.nn.ConvTranspose2d):
            part.weight[: old.shape[0], : old.shape[1]] = old
            part.weight[old.shape[0] :, : old.shape[1]] = 0
            part.bias[: len(shift)] = shift
            continue
        if index == 0:
            old = old.repeat_interleave(2, 2).repeat_interleave(2, 3) / 4
        new = part.weight[: len(old)]
        new[:] = 0
        if part in halves:
            half, at = old.shape[1] // 2, halves[part]
            new[:, :half], new[:, at : at + half] = old[:, :half], old[:, half:]
        else:
            new[:, : old.shape[1]] = old
        measured.append(next(norms).register_forward_pre_hook(_measuring(shift)))
    net.eval()
    net(seen)
    for hook in measured:
        hook.remove()
    net.train()


def _measuring(shift: torch.Tensor) -> object:
    """Let a normalisation add `shift` and change nothing else in the channels that it has."""

    def measure(norm: torch.nn.BatchNorm2d, inputs: tuple[torch.Tensor]) -> None:
        mean, spread = inputs[0].mean((0, 2, 3)), inputs[0].var((0, 2, 3))
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(spread)
        old = len(shift)
        norm.weight[:old] = (spread[:old] + norm.eps).sqrt()
        norm.bias[:old] = mean[:old] + shift

    return measure
