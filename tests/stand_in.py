"""A drawn plant, and a stand-in network that reads its colours.

The stand-in has the real network's inputs and outputs (`collarvision.network`), but tells parts
by flat colours instead of by training: red dots are collars, blue ones tips, and so on; their
shades say which leaf it is and where its collar is. Tests of the way from a photo to a record then
need no trained weights and know the right answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from collarvision.network import GLOBAL_CHANNELS, MAP_CHANNELS

# The drawing's colours, RGB.
BOARD = (170, 170, 170)
BLADE = (0, 200, 0)
STALK = (120, 255, 0)
SOIL = (90, 60, 40)
BASE = (255, 0, 255)
ARCH = (0, 255, 255)


@dataclass(frozen=True)
class DrawnPlant:
    """A picture of a three-collar plant and where its parts are; px, pixel centres at + 0.5."""

    rgb: np.ndarray
    collars: tuple[tuple[float, float], ...]
    tips: tuple[tuple[float, float], ...]
    base: tuple[float, float]
    arch: tuple[float, float]
    mm_per_px: float
    stage: int = 3

    @property
    def height_mm(self) -> float:
        """From the soil to the arch."""
        return (self.base[1] - self.arch[1]) * self.mm_per_px


def draw_plant(card: bool = True) -> DrawnPlant:
    """Draw the plant, 900 x 1200 px at 0.5 mm a px, with the scale card beside it."""
    import cv2

    rgb = np.full((1200, 900, 3), BOARD, np.uint8)
    cv2.rectangle(rgb, (0, 1050), (899, 1199), SOIL, cv2.FILLED)
    x0, soil_y = 330, 1050
    collars = ((x0 + 3, 985), (x0 - 3, 925), (x0 + 3, 855))
    tips = ((x0 + 140, 945), (x0 - 250, 800), (x0 + 200, 700), (x0 - 70, 560))
    starts = (*collars, (x0, 830))
    lifts = (20, 110, 130, 0)
    cv2.line(rgb, (x0, soil_y), (x0, 820), STALK, 22)
    peaks = []
    for (sx, sy), (tx, ty), lift in zip(starts, tips, lifts, strict=True):
        t = np.linspace(0, 1, 40)[:, None]
        middle = np.array([(sx + tx) / 2, min(sy, ty) - lift])
        way = (1 - t) ** 2 * (sx, sy) + 2 * t * (1 - t) * middle + t**2 * np.array((tx, ty))
        cv2.polylines(rgb, [way.round().astype(np.int32)], False, BLADE, 14)
        peaks.append(way[way[:, 1].argmin()])
    arch = tuple(peaks[2])
    dots = [((x0, soil_y), BASE), (arch, ARCH)]
    dots += [
        (tip, tip_colour(start[0] - tip[0], start[1] - tip[1], rank))
        for rank, (tip, start) in enumerate(zip(tips, starts, strict=True), start=1)
    ]
    for (x, y), colour in dots:
        cv2.circle(rgb, (round(x), round(y)), 11, colour, cv2.FILLED)
    for rank, (x, y) in enumerate(collars, start=1):
        # Paler towards the rim: however far a look magnifies, a collar has one hottest place.
        for radius in range(11, 0, -1):
            red, green, blue = collar_colour(rank)
            cv2.circle(rgb, (x, y), radius, (red - 7 * radius, green, blue), cv2.FILLED)
    if card:
        _paste_card(rgb, left=560, top=380, px_per_mm=2.0)
    half = 0.5  # OpenCV puts pixel centres at whole numbers
    return DrawnPlant(
        rgb=rgb,
        collars=tuple((x + half, y + half) for x, y in collars),
        tips=tuple((x + half, y + half) for x, y in tips),
        base=(x0 + half, soil_y + half),
        arch=(float(arch[0]) + half, float(arch[1]) + half),
        mm_per_px=0.5,
    )


def collar_colour(rank: int) -> tuple[int, int, int]:
    """The red that tells the stand-in of a collar of this rank."""
    return 255, round(255 * 0.07 * rank), 0


def tip_colour(dx: float, dy: float, rank: int) -> tuple[int, int, int]:
    """The blue that tells of a tip of this rank and of a link of (dx, dy) px to its collar."""
    red, green, blue = 0.15 + dx / 2000, dy / 1200, 1.06 - 0.06 * rank
    return round(255 * red), round(255 * green), round(255 * blue)


def _paste_card(rgb: np.ndarray, left: int, top: int, px_per_mm: float) -> None:
    """The A5 card: 36 mm markers 0-3 of DICT_4X4_50, corners as the card's layout fixes them."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    side = round(36 * px_per_mm)
    rgb[top : top + round(210 * px_per_mm), left : left + round(148 * px_per_mm)] = 255
    for number, (x_mm, y_mm) in enumerate(((8, 8), (104, 8), (104, 166), (8, 166))):
        marker = cv2.aruco.generateImageMarker(dictionary, number, side)
        y, x = top + round(y_mm * px_per_mm), left + round(x_mm * px_per_mm)
        rgb[y : y + side, x : x + side] = marker[..., None]


def write_stand_in(path: Path) -> None:
    """Write an ONNX network that tells parts by colour: averages, one convolution, one sum."""
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    # A channel is gain * (w . RGB - threshold): positive for its own colour alone.
    rules: dict[int, tuple[tuple[float, float, float], float, float]] = {
        0: ((0.0, 0.0, 0.0), 0.0, -0.1),  # background: wins where nothing else does
        1: ((-1.5, 1.0, -1.5), 10.0, 0.2),
        2: ((2.0, 1.0, -3.0), 10.0, 1.3),  # collars too, or they would cut the stalk in pieces
        3: ((-1.0, -1.0, -1.0), 10.0, -0.85),
        4: ((1.0, 1.0, 1.0), 10.0, 2.7),
        5: ((1.0, -1.5, -1.5), 12.0, 0.45),
        6: ((-1.0, -1.0, 1.0), 16.0, 0.25),
        7: ((1.0, -2.0, 1.0), 8.0, 1.3),
        8: ((-2.0, 1.0, 1.0), 8.0, 1.3),
        9: ((0.0, 0.0, 0.0), 1.0, 9.0),  # no hidden collars
        14: ((0.0, -1.0, 0.0), 80.0, -0.068),  # a short link down: the rounded first leaf
        15: ((0.0, 0.0, 1.0), 100.0, 0.85),  # ranks 1 to 3 have their collar out
        # The inverse of `tip_colour`, in 1/16 map cells; a cell is 4.5 px in this drawing.
        16: ((1.0, 0.0, 0.0), 2000 / 72, 0.15),
        17: ((0.0, 1.0, 0.0), 1200 / 72, 0.0),
        18: ((0.0, 1.0, 0.0), 1 / (4 * 0.07), 0.0),
        19: ((0.0, 0.0, -1.0), 1 / (4 * 0.06), -1.06),
    }
    weight = np.zeros((MAP_CHANNELS, 3, 3, 3), np.float32)
    bias = np.zeros(MAP_CHANNELS, np.float32)  # of leaf tops nothing is told
    for channel, (mix, gain, threshold) in rules.items():
        # A heat map is averaged over 3 x 3 cells, so that a flat dot has one highest cell.
        taps = np.full((3, 3), 1 / 9) if 5 <= channel <= 8 else np.eye(3)[1][:, None] * np.eye(3)[1]
        weight[channel] = gain * np.array(mix)[:, None, None] * taps
        bias[channel] = -gain * threshold
    stage = np.array([6.0] * 3 + [-6.0] * 9)
    summary_weight, summary_bias = (
        np.zeros((MAP_CHANNELS, GLOBAL_CHANNELS), np.float32),
        np.zeros(GLOBAL_CHANNELS, np.float32),
    )
    summary_bias[:12] = stage
    # Usable where blades are seen: the blade channel's share, once squashed, is near 1 / 0.
    summary_weight[1, 12], summary_bias[12] = 3000.0, -6.0
    summary_bias[13:19] = (0.0, -6.0, -6.0, -6.0, -6.0, -6.0)
    summary_bias[19], summary_bias[20] = -6.0, 6.0
    summary_bias[21:25] = (6.0, -2.0, -6.0, -6.0)
    summary_bias[26:31] = summary_bias[20:25]  # the foot says the same

    nodes = [
        helper.make_node("AveragePool", ["image"], ["small"], kernel_shape=[4, 4], strides=[4, 4]),
        helper.make_node("Conv", ["small", "weight", "bias"], ["maps"], pads=[1, 1, 1, 1]),
        helper.make_node("Sigmoid", ["maps"], ["squashed"]),
        helper.make_node("Sub", ["squashed", "floor"], ["above"]),
        helper.make_node("Relu", ["above"], ["seen"]),
        helper.make_node("GlobalAveragePool", ["seen"], ["means"]),
        helper.make_node("Flatten", ["means"], ["flat"]),
        helper.make_node("Gemm", ["flat", "summary_weight", "summary_bias"], ["loose"]),
        helper.make_node("Clip", ["loose", "low", "high"], ["globals"]),
    ]
    constants = {
        "weight": weight,
        "bias": bias,
        "floor": np.float32(0.5),
        "summary_weight": summary_weight,
        "summary_bias": summary_bias,
        "low": np.float32(-8.0),
        "high": np.float32(8.0),
    }
    graph = helper.make_graph(
        nodes,
        "stand_in",
        [helper.make_tensor_value_info("image", TensorProto.FLOAT, ["n", 3, "h", "w"])],
        [
            helper.make_tensor_value_info("maps", TensorProto.FLOAT, ["n", MAP_CHANNELS, "y", "x"]),
            helper.make_tensor_value_info("globals", TensorProto.FLOAT, ["n", GLOBAL_CHANNELS]),
        ],
        [numpy_helper.from_array(np.asarray(v), name) for name, v in constants.items()],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=9)
    helper.set_model_props(model, {"version": "stand-in"})
    onnx.checker.check_model(model)
    onnx.save(model, str(path))
