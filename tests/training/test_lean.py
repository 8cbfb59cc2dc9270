"""Lean export: fewer nodes, the same answers (ONNX Runtime, before and after)."""

from __future__ import annotations

import numpy as np
import onnx
import onnxruntime
from onnx import TensorProto, helper, numpy_helper

from training.lean import lean


def a_model() -> onnx.ModelProto:
    """A 3 x 3 convolution of stride 2, padded by a node of its own, then a folding of 2 x 2 px."""
    rng = np.random.default_rng(0)
    constants = {
        "w1": rng.normal(size=(4, 3, 3, 3)).astype(np.float32),
        "w2": rng.normal(size=(5, 16, 1, 1)).astype(np.float32),
        "pads": np.array([0, 0, 0, 0, 0, 0, 1, 1], np.int64),
        "split": np.array([1, 4, 4, 2, 4, 2], np.int64),
        "joined": np.array([1, 16, 4, 4], np.int64),
    }
    nodes = [
        helper.make_node("Pad", ["x", "pads"], ["padded"]),
        helper.make_node(
            "Conv", ["padded", "w1"], ["mid"], kernel_shape=[3, 3], strides=[2, 2], pads=[0] * 4
        ),
        helper.make_node("Reshape", ["mid", "split"], ["a"]),
        helper.make_node("Transpose", ["a"], ["b"], perm=[0, 1, 3, 5, 2, 4]),
        helper.make_node("Reshape", ["b", "joined"], ["c"]),
        helper.make_node(
            "Conv", ["c", "w2"], ["y"], kernel_shape=[1, 1], strides=[1, 1], pads=[0] * 4
        ),
    ]
    graph = helper.make_graph(
        nodes,
        "small",
        [helper.make_tensor_value_info("x", TensorProto.FLOAT, [1, 3, 16, 16])],
        [helper.make_tensor_value_info("y", TensorProto.FLOAT, [1, 5, 4, 4])],
        [numpy_helper.from_array(value, name) for name, value in constants.items()],
    )
    return helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8)


def answer(model: onnx.ModelProto, x: np.ndarray) -> np.ndarray:
    session = onnxruntime.InferenceSession(
        model.SerializeToString(), providers=["CPUExecutionProvider"]
    )
    return session.run(None, {"x": x})[0]


def test_fewer_nodes_give_the_same_answers():
    model = a_model()
    x = np.random.default_rng(1).normal(size=(1, 3, 16, 16)).astype(np.float32)
    before = answer(model, x)
    assert lean(model) == 2
    onnx.checker.check_model(model, full_check=True)
    assert [node.op_type for node in model.graph.node] == ["Conv", "Conv"]
    np.testing.assert_allclose(answer(model, x), before, atol=1e-5)


def test_what_cannot_be_merged_stays():
    model = a_model()
    graph = model.graph
    graph.node[2].op_type = "Identity"
    del graph.node[2].input[1]
    kinds = [node.op_type for node in graph.node]
    assert lean(model) == 1
    assert [node.op_type for node in graph.node] == kinds[1:]
