"""The mean of two networks; only where the developer's package onnx is installed."""

import numpy as np
import pytest

onnx = pytest.importorskip("onnx", reason="onnx is an optional developer dependency")


def _network(value: float, dtype: type) -> "onnx.ModelProto":
    kernel = onnx.numpy_helper.from_array(np.full((1, 1, 1, 1), value, dtype), "kernel.half")
    graph = onnx.helper.make_graph(
        [onnx.helper.make_node("Conv", ["lab", "kernel.half"], ["logits"])],
        "small",
        [onnx.helper.make_tensor_value_info("lab", onnx.TensorProto.FLOAT, [1, 1, 2, 2])],
        [onnx.helper.make_tensor_value_info("logits", onnx.TensorProto.FLOAT, [1, 1, 2, 2])],
        [kernel],
    )
    return onnx.helper.make_model(graph)


@pytest.mark.parametrize("dtype", [np.float16, np.float32])
def test_each_kernel_becomes_the_mean_and_keeps_its_precision(dtype: type) -> None:
    from phantoms.net.average import averaged

    networks = [_network(value, dtype) for value in (1.0, 2.0, 6.0)]
    mean = onnx.numpy_helper.to_array(averaged(networks).graph.initializer[0])
    assert mean.dtype == dtype
    np.testing.assert_array_equal(mean, np.full((1, 1, 1, 1), 3, dtype))
    first = onnx.numpy_helper.to_array(networks[0].graph.initializer[0])
    np.testing.assert_array_equal(first, np.ones((1, 1, 1, 1), dtype))  # not changed in place
