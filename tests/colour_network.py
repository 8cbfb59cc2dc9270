"""A network small enough to reason about: it reads parts from pure colours.

It has the outputs of the real one (25 maps at a quarter of the resolution, the global answers) and
two operations: the mean colour of each 4 x 4 block, and a linear map of it. A picture drawn in the
right colours then has a known answer, which checks the whole chain of crops and coordinates.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import onnx
from onnx import TensorProto, helper

from collarvision.network import GLOBAL_CHANNELS

GREY, GREEN, BLUE = (124, 116, 104), (0, 255, 0), (0, 0, 255)
RED, YELLOW, MAGENTA, BROWN = (255, 0, 0), (255, 255, 0), (255, 0, 255), (90, 45, 0)

LINK_CELLS = (3.0, -2.0)
"""Every tip's link vector."""


def write_network(path: Path, globals_: np.ndarray | None = None, *, maps: int = 25) -> Path:
    """Write the network; `globals_` (GLOBAL_CHANNELS,) are its constant global answers."""
    weights, bias = np.zeros((maps, 3)), np.zeros(maps)
    bias[5:10] = -8.0
    #                 red  green  blue      what fires
    weights[1] = 20 * np.array([-1, 1, -1])  # blade: green
    weights[2] = 20 * np.array([-1, -1, 1])  # stalk: blue
    weights[5] = 20 * np.array([1, -1, -1])  # collar: red
    weights[6] = 20 * np.array([1, 1, -2])  # tip: yellow
    weights[7] = 20 * np.array([1, -2, 1])  # base: magenta
    bias[1], bias[2], bias[3] = -6.0, -6.0, -3.0
    bias[5], bias[6], bias[7] = -10.0, -30.0, -30.0
    bias[14], bias[15] = 2.0, 3.0
    bias[16], bias[17] = np.array(LINK_CELLS) / 16.0
    bias[18], bias[19] = 0.5, 0.75
    bias[24:] = 100.0  # every tip is whole
    answers = np.zeros(GLOBAL_CHANNELS) if globals_ is None else globals_
    nodes = [
        helper.make_node("AveragePool", ["image"], ["blocks"], kernel_shape=[4, 4], strides=[4, 4]),
        helper.make_node("Conv", ["blocks", "weights", "bias"], ["maps"]),
        helper.make_node("GlobalAveragePool", ["image"], ["mean"]),
        helper.make_node("Flatten", ["mean"], ["flat"]),
        helper.make_node("Gemm", ["flat", "zeros", "answers"], ["globals"]),
    ]
    constants = {
        "weights": weights.reshape(maps, 3, 1, 1),
        "bias": bias,
        "zeros": np.zeros((3, GLOBAL_CHANNELS)),
        "answers": answers,
    }
    graph = helper.make_graph(
        nodes,
        "colours",
        [helper.make_tensor_value_info("image", TensorProto.FLOAT, ["n", 3, "h", "w"])],
        [
            helper.make_tensor_value_info("maps", TensorProto.FLOAT, ["n", maps, "hq", "wq"]),
            helper.make_tensor_value_info("globals", TensorProto.FLOAT, ["n", GLOBAL_CHANNELS]),
        ],
        [
            helper.make_tensor(
                name, TensorProto.FLOAT, value.shape, value.astype(np.float32).ravel()
            )
            for name, value in constants.items()
        ],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=9)
    helper.set_model_props(model, {"version": "colours-1"})
    onnx.checker.check_model(model)
    onnx.save(model, str(path))
    return path


def spot(rgb: np.ndarray, x: float, y: float, radius: float, colour: tuple[int, int, int]) -> None:
    """Paint a soft spot centred at photo position (x, y); px centres lie at integers + 0.5."""
    left, top = max(0, int(x - 5 * radius)), max(0, int(y - 5 * radius))
    window = rgb[top : int(y + 5 * radius) + 1, left : int(x + 5 * radius) + 1]
    rows, columns = np.indices(window.shape[:2]) + 0.5
    distance2 = (columns + left - x) ** 2 + (rows + top - y) ** 2
    share = np.exp(-0.5 * distance2 / radius**2)[..., None]
    window[:] = np.round(window * (1 - share) + np.array(colour) * share).astype(np.uint8)


def bar(rgb, x0: int, y0: int, x1: int, y1: int, colour: tuple[int, int, int]) -> None:
    """Paint a rectangle."""
    cv2.rectangle(rgb, (x0, y0), (x1, y1), colour, -1)
