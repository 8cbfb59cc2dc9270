"""Frame: from photo px to the cells of the class map and back, and the map cut to the plant."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from collarvision.closer import inverse
from collarvision.network import BLADE, STALK
from collarvision.parts import Parts


def cropped(parts: Parts) -> Parts:
    """Parts whose class map is cut to the plant: tracing takes its time by the cell."""
    rows, columns = np.nonzero((parts.classes == BLADE) | (parts.classes == STALK))
    points = [(tip.x, tip.y) for tip in parts.tips]
    points += [(collar.x, collar.y) for collar in parts.collars]
    points += [(t.collar_x, t.collar_y) for t in parts.tips]
    if parts.base is not None:
        points.append((parts.base.x, parts.base.y))
    at = to_map_cells(inverse(parts.photo_from_map), points)
    xs, ys = np.concatenate([columns, at[:, 0]]), np.concatenate([rows, at[:, 1]])
    if not len(xs):
        return parts
    height, width = parts.classes.shape
    left, right = max(0, int(xs.min()) - 8), min(width, int(xs.max()) + 9)
    top, bottom = max(0, int(ys.min()) - 8), min(height, int(ys.max()) + 9)
    if right - left < 4 or bottom - top < 4:
        return parts
    affine = parts.photo_from_map.copy()
    affine[:, 2] += affine[:, :2] @ (left, top)
    return replace(parts, classes=parts.classes[top:bottom, left:right], photo_from_map=affine)


def to_map_cells(to_map: np.ndarray, points: np.ndarray | list[tuple[float, float]]) -> np.ndarray:
    """Map cells (n, 2) of photo px, by the inverse of `Parts.photo_from_map`."""
    xy = np.array(points, dtype=float).reshape(-1, 2)
    return xy @ to_map[:, :2].T + to_map[:, 2]


def to_photo_px(parts: Parts, points: np.ndarray) -> np.ndarray:
    """Photo px (n, 2) of map cells (n, 2)."""
    return points @ parts.photo_from_map[:, :2].T + parts.photo_from_map[:, 2]


def length_of(line: np.ndarray) -> float:
    """Length of a line through points (n, 2), in their unit."""
    return float(np.hypot(*np.diff(line, axis=0).T).sum())
