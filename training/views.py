"""Where the network looks: geometry from a sample's pixels to the network's input.

Two looks, as at run time. LOOK: the whole photo, letterboxed. READ: a square crop around the
plant, its soil line and a margin. Training jitters both. Everything is decided on the CPU with a
numpy generator, so that a seed repeats a run; the pixels follow on the GPU (`augment`).

Coordinates: pixel centres at integers + 0.5, in the sample, in the network's input and in the map
(a quarter of the input).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import torch

from training.samples import Truth

READ_PX = 640
LOOK_PX = 320
READ_MARGIN = 0.12  # of the box's longer side, on each side
CUT_SHARE = (0.06, 0.35)  # of the plant's box outside the photo, for a made "cut_off"
STRETCHED_SHARE = 0.6
MOST_STRETCH = 0.4
STRETCH_WAVES = (0.5, 2.0)  # over the height of the view
STRETCH_STEPS = 6  # of Newton's method, to undo it


@dataclass(frozen=True)
class View:
    """One look at one sample.

    Attributes
    ----------
    sample_from_net : (3, 3) float64 homography, network px to sample px.
    window : x0, y0, x1, y1 in network px; outside it the photo has ended.
    width, height : of the network's input, px.
    look : whether this is the first look.
    reason : the truth's reason, or what this view made of it ("cut_off").
    read_px_per_px : READ px per network px here, for the plant at its standard READ crop; blur
        that ruins a reading is measured in READ px.
    stretch : amplitude, waves, phase. Rows are drawn apart here and together there: row y shows
        row y + amplitude H / (2 pi waves) sin(2 pi waves y / H + phase) of the picture, so that
        local scale runs from 1 - amplitude to 1 + amplitude (amplitude under 0.5). The way up the
        stalk tells a plant's age on our own plants better than on any others; this takes it away.
    """

    sample_from_net: np.ndarray
    window: tuple[float, float, float, float]
    width: int
    height: int
    look: bool
    reason: str
    read_px_per_px: float
    stretch: tuple[float, float, float] = (0.0, 1.0, 0.0)

    def unstretched(self, y: Any) -> Any:
        """Row of the picture before its stretch, of a row (array or tensor) of network px."""
        amplitude, waves, phase = self.stretch
        turn = 2 * np.pi * waves / self.height
        sin = torch.sin if isinstance(y, torch.Tensor) else np.sin
        return y if amplitude == 0 else y + amplitude / turn * sin(turn * y + phase)

    def stretched(self, y: np.ndarray) -> np.ndarray:
        """Row of network px that shows a row of the picture before its stretch."""
        amplitude, waves, phase = self.stretch
        turn = 2 * np.pi * waves / self.height
        out = y
        for _ in range(STRETCH_STEPS if amplitude else 0):
            out = out - (self.unstretched(out) - y) / (1 + amplitude * np.cos(turn * out + phase))
        return out

    @cached_property
    def net_from_sample(self) -> np.ndarray:
        """(3, 3) float64 homography, sample px to network px before its stretch."""
        return np.linalg.inv(self.sample_from_net)

    @property
    def net_px_per_px(self) -> float:
        """Network px a sample px, before any stretch, over the view as a whole."""
        return float(np.sqrt(abs(np.linalg.det(self.net_from_sample[:2, :2]))))

    def to_net(self, xy: np.ndarray) -> np.ndarray:
        """Map (n, 2) sample px to network px."""
        xy = np.asarray(xy, np.float64).reshape(-1, 2)
        to = self.net_from_sample
        homogeneous = xy @ to[:, :2].T + to[:, 2]
        net = homogeneous[:, :2] / homogeneous[:, 2:]
        net[:, 1] = self.stretched(net[:, 1])
        return net

    def shows(self, net_xy: np.ndarray) -> np.ndarray:
        """Tell which (n, 2) network px lie inside the input and the photo's window."""
        x0, y0, x1, y1 = self.window
        x, y = net_xy[:, 0], net_xy[:, 1]
        return (
            (x >= max(x0, 0.0))
            & (x < min(x1, self.width))
            & (y >= max(y0, 0.0))
            & (y < min(y1, self.height))
        )


def read_box(truth: Truth, width: int, height: int) -> np.ndarray | None:
    """Give the plant's box inside the photo, widened to hold the soil line; None: no plant."""
    if truth.box is None:
        return None
    x0, y0, x1, y1 = (float(v) for v in truth.box)
    if truth.base_xy is not None:
        x0, x1 = min(x0, truth.base_xy[0]), max(x1, truth.base_xy[0])
        y0, y1 = min(y0, truth.base_xy[1]), max(y1, truth.base_xy[1])
    x0, x1 = np.clip([x0, x1], 0, width)
    y0, y1 = np.clip([y0, y1], 0, height)
    if x1 - x0 < 4 or y1 - y0 < 4:
        return None
    return np.array([x0, y0, x1, y1])


def read_side(box: np.ndarray) -> float:
    """Side of the run-time READ crop around a box, in the box's px."""
    return float(max(box[2] - box[0], box[3] - box[1])) * (1 + 2 * READ_MARGIN)


def magnified(truth: Truth, width: int, height: int) -> float:
    """Network px per sample px in the standard READ crop; 1 for a photo without a plant."""
    box = read_box(truth, width, height)
    return 1.0 if box is None else READ_PX / read_side(box)


def _matrix(
    scale: float,
    angle_deg: float,
    center_sample: tuple[float, float],
    center_net: tuple[float, float],
    aspect: float = 1.0,
    shear: float = 0.0,
    tilt: tuple[float, float] = (0.0, 0.0),
    size: float = 1.0,
) -> np.ndarray:
    """Homography net px -> sample px: tilt, shear, stretch, turn, scale about the two centres."""
    radians = np.deg2rad(angle_deg)
    cos, sin = np.cos(radians), np.sin(radians)
    to_middle = np.array([[1, 0, -center_net[0]], [0, 1, -center_net[1]], [0, 0, 1.0]])
    perspective = np.array([[1, 0, 0], [0, 1, 0], [tilt[0] / size, tilt[1] / size, 1.0]])
    stretch = np.array([[aspect**0.5, shear, 0], [0, aspect**-0.5, 0], [0, 0, 1.0]])
    turn = np.array([[cos, -sin, 0], [sin, cos, 0], [0, 0, 1.0]])
    out = np.array([[scale, 0, center_sample[0]], [0, scale, center_sample[1]], [0, 0, 1.0]])
    return out @ turn @ stretch @ perspective @ to_middle


def _flip(matrix: np.ndarray, width: int) -> np.ndarray:
    mirror = np.array([[-1, 0, width], [0, 1, 0], [0, 0, 1.0]])
    return matrix @ mirror


def plain_read(truth: Truth, width: int, height: int, size: int = READ_PX) -> View:
    """The READ crop as run time takes it, without jitter; the whole photo if it has no plant."""
    box = read_box(truth, width, height)
    if box is None:
        box = np.array([0, 0, width, height], float)
        side = float(max(width, height))
    else:
        side = read_side(box)
    center = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
    matrix = _matrix(side / size, 0.0, center, (size / 2, size / 2))
    return View(matrix, (0, 0, size, size), size, size, False, truth.reason, READ_PX / size)


def jittered_read(
    truth: Truth, width: int, height: int, size: int, rng: np.random.Generator
) -> View:
    """A READ crop with the errors that a first look makes, and the views that people take."""
    box = read_box(truth, width, height)
    if truth.partial:
        # Part of a plant, rendered as a further look would see it: the whole window.
        true_side = float(max(width, height))
        side = true_side * rng.uniform(0.75, 1.0)
        free = (true_side - side) / 2
        center = (
            width / 2 + rng.uniform(-free, free),
            height / 2 + rng.uniform(-free, free),
        )
    elif box is None:
        # Run time reads the square around the whole photo where the first look found no plant.
        # A weed must stay in view for its answer to be true; a bare board may be seen in part.
        side = float(max(width, height)) * rng.uniform(0.85, 1.05)
        center = (
            width / 2 + rng.uniform(-0.05, 0.05) * side,
            height / 2 + rng.uniform(-0.05, 0.05) * side,
        )
        if truth.reason == "no_plant" and rng.random() < 0.5:
            side *= rng.uniform(0.4, 1.0)
            center = (rng.uniform(0.25, 0.75) * width, rng.uniform(0.25, 0.75) * height)
        true_side = side
    else:
        true_side = read_side(box)
        side = true_side * np.exp(rng.triangular(np.log(0.75), 0.0, np.log(1.4)))
        if truth.view == "crop":
            # A rendered window has no surroundings to zoom out into.
            side = min(side, max(1.1 * max(width, height), 0.8 * true_side))
        shift = rng.triangular(-0.12, 0.0, 0.12, 2) * side
        center = ((box[0] + box[2]) / 2 + shift[0], (box[1] + box[3]) / 2 + shift[1])
    if truth.laid:
        angle = rng.uniform(-60, 60) if rng.random() < 0.7 else 0.0
    else:
        angle = rng.triangular(-12, 0, 12)
    matrix = _matrix(
        side / size,
        angle,
        center,
        (size / 2, size / 2),
        aspect=float(np.exp(rng.uniform(-0.07, 0.07))),
        shear=rng.uniform(-0.05, 0.05),
        tilt=tuple(rng.uniform(-0.08, 0.08, 2)),
        size=size,
    )
    if rng.random() < 0.5:
        matrix = _flip(matrix, size)
    relative = READ_PX / true_side / (size / side)
    view = View(matrix, (0, 0, size, size), size, size, False, truth.reason, relative)
    return replace(view, stretch=_draw_stretch(rng))


def _draw_stretch(rng: np.random.Generator) -> tuple[float, float, float]:
    if rng.random() >= STRETCHED_SHARE:
        return 0.0, 1.0, 0.0
    amplitude = rng.uniform(0.0, MOST_STRETCH)
    return float(amplitude), float(rng.uniform(*STRETCH_WAVES)), float(rng.uniform(0, 2 * np.pi))


def _letterbox(width: float, height: float, net_width: int, net_height: int) -> float:
    return max(width / net_width, height / net_height)


def plain_look(
    truth: Truth, width: int, height: int, net_width: int = LOOK_PX, net_height: int = LOOK_PX
) -> View:
    """The first look as run time takes it: the whole photo, centred in the input."""
    scale = _letterbox(width, height, net_width, net_height)
    matrix = _matrix(scale, 0.0, (width / 2, height / 2), (net_width / 2, net_height / 2))
    half_w, half_h = width / scale / 2, height / scale / 2
    window = (
        net_width / 2 - half_w,
        net_height / 2 - half_h,
        net_width / 2 + half_w,
        net_height / 2 + half_h,
    )
    return View(
        matrix,
        window,
        net_width,
        net_height,
        True,
        truth.reason,
        _look_ratio(truth, width, height, scale),
    )


def _look_ratio(truth: Truth, width: int, height: int, scale: float) -> float:
    box = read_box(truth, width, height)
    side = read_side(box) if box is not None else float(max(width, height))
    return READ_PX / side * scale


def jittered_look(
    truth: Truth,
    width: int,
    height: int,
    net_width: int,
    net_height: int,
    rng: np.random.Generator,
    cut_share: float = 0.1,
) -> View:
    """A whole photo, framed a little differently; sometimes so that it cuts the plant.

    A part of the sample plays the photo. Where the truth says "ok" the part holds the whole
    plant, or (with probability `cut_share`) leaves out `CUT_SHARE` of it and becomes "cut_off";
    nothing between the two is made.
    """
    box = read_box(truth, width, height)
    reason = truth.reason
    x0, y0, x1, y1 = 0.0, 0.0, float(width), float(height)
    angle = 0.0
    if box is not None and reason == "ok" and rng.random() < cut_share:
        x0, y0, x1, y1 = _cutting_frame(box, width, height, rng)
        reason = "cut_off"
    elif box is not None and reason in ("ok", "several"):
        x0, y0, x1, y1 = _holding_frame(box, width, height, rng)
        angle = rng.triangular(-4, 0, 4)
    else:
        zoom = rng.uniform(0.85, 1.0) if reason == "no_plant" else 1.0
        part_w, part_h = width * zoom, height * zoom
        x0, y0 = rng.uniform(0, width - part_w), rng.uniform(0, height - part_h)
        x1, y1 = x0 + part_w, y0 + part_h
    part_w, part_h = x1 - x0, y1 - y0
    scale = _letterbox(part_w, part_h, net_width, net_height)
    if rng.random() < 0.3:
        scale *= rng.uniform(1.0, 1.12)
    half_w, half_h = part_w / scale / 2, part_h / scale / 2
    free_w, free_h = net_width / 2 - half_w, net_height / 2 - half_h
    # Run time centres the photo; a quarter of the views stand elsewhere.
    away = rng.uniform(-1, 1, 2) if rng.random() < 0.25 else np.zeros(2)
    middle = (net_width / 2 + away[0] * free_w, net_height / 2 + away[1] * free_h)
    matrix = _matrix(scale, angle, ((x0 + x1) / 2, (y0 + y1) / 2), middle)
    window = (middle[0] - half_w, middle[1] - half_h, middle[0] + half_w, middle[1] + half_h)
    if rng.random() < 0.5:
        matrix = _flip(matrix, net_width)
        window = (net_width - window[2], window[1], net_width - window[0], window[3])
    return View(
        matrix,
        window,
        net_width,
        net_height,
        True,
        reason,
        _look_ratio(truth, width, height, scale),
    )


def _holding_frame(
    box: np.ndarray, width: int, height: int, rng: np.random.Generator
) -> tuple[float, float, float, float]:
    """A part of the photo, of its shape, that holds the whole box."""
    zoom = rng.uniform(0.72, 1.0) if rng.random() < 0.6 else 1.0
    part_w, part_h = width * zoom, height * zoom
    margin = 0.02 * max(width, height)
    low_x, high_x = max(0.0, box[2] + margin - part_w), min(width - part_w, box[0] - margin)
    low_y, high_y = max(0.0, box[3] + margin - part_h), min(height - part_h, box[1] - margin)
    if low_x > high_x or low_y > high_y:
        return 0.0, 0.0, float(width), float(height)
    x0, y0 = rng.uniform(low_x, high_x), rng.uniform(low_y, high_y)
    return x0, y0, x0 + part_w, y0 + part_h


def _cutting_frame(
    box: np.ndarray, width: int, height: int, rng: np.random.Generator
) -> tuple[float, float, float, float]:
    """A part of the photo that leaves out a share of the plant at its top or at one side."""
    share = rng.uniform(*CUT_SHARE)
    side = rng.choice(["top", "left", "right"], p=[0.5, 0.25, 0.25])
    box_w, box_h = box[2] - box[0], box[3] - box[1]
    if side == "top":
        y0, y1 = box[1] + share * box_h, float(height)
        part_w = min(float(width), (y1 - y0) * width / height * rng.uniform(0.95, 1.3))
        x0 = float(np.clip((box[0] + box[2]) / 2 - part_w / 2, 0, width - part_w))
        return x0, y0, x0 + part_w, y1
    x0, x1 = 0.0, float(width)
    if side == "left":
        x0 = box[0] + share * box_w
    else:
        x1 = box[2] - share * box_w
    part_h = min(float(height), (x1 - x0) * height / width * rng.uniform(0.95, 1.3))
    # Keep the plant's foot in view, and as much of its top as fits.
    y1 = min(float(height), box[3] + rng.uniform(0.02, 0.15) * height)
    y0 = max(0.0, y1 - part_h)
    return x0, y0, x1, y0 + part_h
