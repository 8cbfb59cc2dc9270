"""Row direction: which way rows run in a field and in each of its patches.

Across the rows' own direction plants lie in the sharpest lines.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import cv2
import numpy as np

PATCH_M: Final = 12.0
OVERLAP_M: Final = 2.5
"""Plants beyond a patch that help to find its rows."""

FEWEST: Final = 6
"""Plants in a patch from which rows are looked for."""

BIN_M: Final = 0.02
SMOOTH_M: Final = 0.035
"""Steps across rows, and how far plants are spread there before they are compared."""

_DRAWS: Final = 12
_OWN_DIRECTION: Final = 1.35
"""How much sharper a patch must be in a direction of its own to leave the field's: a headland."""

Box = tuple[float, float, float, float]


def turn(angle_deg: float) -> np.ndarray:
    """Matrix that turns a direction at that angle onto the x axis."""
    a = math.radians(angle_deg)
    return np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])


def _sharpness(points: np.ndarray, angle_deg: float) -> float:
    """How sharply plants lie in lines of a direction; 1 for places drawn at random."""
    across = points @ turn(angle_deg)[1]
    low = across.min() - 5 * BIN_M
    count = int((across.max() - low) / BIN_M) + 6
    held = np.bincount(((across - low) / BIN_M).astype(int), minlength=count)
    smooth = cv2.GaussianBlur(held.astype(np.float32)[None], (0, 0), SMOOTH_M / BIN_M)[0]
    # One row alone is as narrow as it is: its own width mustn't count as all the ground there is.
    wide = max(count, round(1.0 / BIN_M))
    return float((smooth**2).sum() * wide / max(float(smooth.sum()) ** 2, 1e-9))


def _best_angle(
    points: np.ndarray, middle: float, reach: float, step: float
) -> tuple[float, float]:
    angles = np.arange(middle - reach, middle + reach + step / 2, step)
    worth = [_sharpness(points, angle) for angle in angles]
    best = int(np.argmax(worth))
    return float(angles[best]), worth[best]


def main_angle(points: np.ndarray) -> float:
    """Direction of most rows: the sum over some patches of how sharp each is."""
    angles = np.arange(0.0, 180.0, 1.0)
    total = np.zeros(len(angles))
    largest = sorted((near for _, near in patches(points)), key=len, reverse=True)[:9]
    for near in largest:
        own = points[near]
        total += [_sharpness(own, angle) for angle in angles]
    best = float(angles[total.argmax()])
    fine = np.arange(best - 1.5, best + 1.6, 0.25)
    total = np.zeros(len(fine))
    for near in largest:
        total += [_sharpness(points[near], angle) for angle in fine]
    return float(fine[total.argmax()])


def no_chance(points: np.ndarray, angle: float) -> bool:
    """Whether a few plants lie in sharper lines than as many drawn at random ever do."""
    worth = _sharpness(points, angle)
    random = np.random.default_rng(0)
    side = float(np.ptp(points, axis=0).max())
    angles = np.arange(0.0, 180.0, 4.0)
    for _ in range(_DRAWS):
        drawn = random.uniform(0.0, side, points.shape)
        if max(_sharpness(drawn, one) for one in angles) >= worth:
            return False
    return True


def own_angle(points: np.ndarray) -> float:
    """A patch's direction, seen from the field's: near it, or its own where much sharper."""
    if len(points) < FEWEST:
        return 0.0
    near, worth = _best_angle(points, 0.0, 4.0, 0.25)
    if len(points) >= 5 * FEWEST:
        free, better = _best_angle(points, 90.0, 84.0, 2.0)
        if better > _OWN_DIRECTION * worth:
            return _best_angle(points, free, 2.0, 0.25)[0]
    return near


def patches(points: np.ndarray) -> Iterator[tuple[Box, np.ndarray]]:
    """Boxes (left, bottom, right, top) that cover the points, and the points in and near each."""
    low, high = points.min(0) - 1e-6, points.max(0) + 1e-6
    size = high - low
    counts = np.maximum(np.ceil(size / (1.6 * PATCH_M)), 1).astype(int)
    counts = np.where(size > 1.6 * PATCH_M, np.ceil(size / PATCH_M), counts).astype(int)
    step = size / counts
    # Sorted by column of patches: a field of 10^5 plants has some thousand patches.
    order = np.argsort(points[:, 0], kind="stable")
    xs = points[order, 0]
    for i in range(counts[0]):
        left, right = low[0] + i * step[0], low[0] + (i + 1) * step[0]
        first, last = np.searchsorted(xs, [left - OVERLAP_M, right + OVERLAP_M])
        column = order[first:last]
        ys = points[column, 1]
        for j in range(counts[1]):
            bottom, top = low[1] + j * step[1], low[1] + (j + 1) * step[1]
            near = column[(ys >= bottom - OVERLAP_M) & (ys <= top + OVERLAP_M)]
            if len(near):
                yield (left, bottom, right, top), near


def cut(origin: np.ndarray, along: np.ndarray, box: Box) -> tuple[float, float]:
    """Places along a line between which it lies in a box."""
    start, end = -math.inf, math.inf
    for axis in range(2):
        low, high = box[axis], box[axis + 2]
        if abs(along[axis]) < 1e-12:
            if not low <= origin[axis] < high:
                return 0.0, 0.0
            continue
        ends = sorted(((low - origin[axis]) / along[axis], (high - origin[axis]) / along[axis]))
        start, end = max(start, ends[0]), min(end, ends[1])
    return start, end
