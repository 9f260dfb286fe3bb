"""The network as an ONNX file: written for the tool, read to go on from."""

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import onnx
import torch
from onnx import numpy_helper
from torch import nn

from phantoms.net.unet import UNet

__all__ = ["begin_from", "write_onnx"]

Numbers = npt.NDArray[np.float32]

# Kernels of more numbers than this are kept in half precision.
LIGHT_FROM = 1000


def write_onnx(net: UNet, path: Path) -> None:
    """Write a network that `polypward_vision.tissue.network` runs on pictures of any size.

    The file names one size, without which OpenCV 4 does not open it; any other can be set. Its
    kernels are kept in half precision, cast when it is opened.
    """
    whole = io.BytesIO()
    shipped, shape = net.eval().float().cpu().shipped()
    torch.onnx.export(
        shipped.eval(),
        (torch.zeros(shape),),
        whole,
        input_names=["lab"],
        output_names=["logits"],
        opset_version=13,
        dynamo=False,
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
def begin_from(path: Path, net: UNet, seen: torch.Tensor) -> None:
    """Let `net` begin as a network of the same form that `write_onnx` wrote.

    Such a file holds convolutions that have taken up their normalisations. What these were is
    measured on `seen` (n, 3, rows, cols), so that training goes on as if they had been kept.
    """
    turns = [part for part in net.parts() if isinstance(part, nn.Conv2d | nn.ConvTranspose2d)]
    norms = iter([part for part in net.parts() if isinstance(part, nn.BatchNorm2d)])
    hooks = []
    for part, (kernel, shift) in zip(turns, _kernels(path), strict=True):
        part.weight.copy_(torch.tensor(kernel))
        if part.bias is None:
            measure = _measuring(torch.tensor(shift, device=seen.device))
            hooks.append(next(norms).register_forward_pre_hook(measure))
        else:
            part.bias.copy_(torch.tensor(shift))
    net.eval()
    net(seen)
    for hook in hooks:
        hook.remove()
    net.train()


def _kernels(path: Path) -> list[tuple[Numbers, Numbers]]:
    """Kernel and bias of each convolution, in the order of the arithmetic."""
    graph = onnx.load(str(path)).graph
    numbers = {
        one.name.removesuffix(".half"): numpy_helper.to_array(one).astype(np.float32)
        for one in graph.initializer
    }
    return [
        (numbers[node.input[1]], numbers[node.input[2]])
        for node in graph.node
        if node.op_type in ("Conv", "ConvTranspose")
    ]


def _measuring(shift: torch.Tensor) -> Callable[[nn.Module, tuple[torch.Tensor]], None]:
    """Let a normalisation add `shift` and change nothing else."""

    def measure(norm: nn.Module, inputs: tuple[torch.Tensor]) -> None:
        assert isinstance(norm, nn.BatchNorm2d)
        mean, spread = inputs[0].mean((0, 2, 3)), inputs[0].var((0, 2, 3))
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(spread)
        norm.weight.copy_((spread + norm.eps).sqrt())
        norm.bias.copy_(mean + shift)

    return measure
