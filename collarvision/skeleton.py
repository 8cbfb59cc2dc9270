"""Skeleton: the stalk's axis and the leaves' midlines, as cheapest ways over the class map.

A way that costs least where the part is thickest runs along the part's middle, bridges the small
gaps that a shadow or a crossing blade tears into the map, and is found in milliseconds; a thinned
skeleton would need both repaired afterwards. All coordinates are map cells (x = column, y = row).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from collarvision.network import BLADE, STALK

if TYPE_CHECKING:
    from skimage.graph import MCP_Geometric

OUTSIDE_COST = 10.0
"""A step outside the plant costs as much as this many inside: small gaps are bridged."""

EXTENSION = 0.6
"""The axis goes on straight above the last sheath by this share of its length: the whorl."""

GAP_CELLS = 3
"""Stalk pieces at most this far apart are one stalk."""

Cell = tuple[int, int]
"""Row and column."""


@dataclass(frozen=True)
class Axis:
    """The stalk from the soil up.

    Attributes
    ----------
    line : ndarray, (n, 2)
        Points about a cell apart, the straight extension into the whorl included.
    along : ndarray, (n,)
        Length from the base to each point.
    top : float
        Length at which stalk and sheaths end and the extension begins.
    """

    line: np.ndarray
    along: np.ndarray
    top: float

    def project(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Place points (n, 2) on the axis: length from the base, and distance, left negative."""
        points = np.asarray(points, dtype=float).reshape(-1, 2)
        starts, steps = self.line[:-1], np.diff(self.line, axis=0)
        to = points[:, None, :] - starts[None]
        lengths = np.maximum((steps**2).sum(axis=1), 1e-9)
        share = np.clip((to * steps).sum(axis=2) / lengths, 0.0, 1.0)
        off = to - share[..., None] * steps
        distance = np.hypot(off[..., 0], off[..., 1])
        nearest = distance.argmin(axis=1)
        row = np.arange(len(points))
        step = steps[nearest]
        # Image y points down, so a positive cross product is to the right of the way up.
        cross = step[:, 0] * to[row, nearest, 1] - step[:, 1] * to[row, nearest, 0]
        along = self.along[nearest] + share[row, nearest] * np.sqrt(lengths[nearest])
        return along, np.where(cross >= 0, 1.0, -1.0) * distance[row, nearest]

    def at(self, along: float) -> np.ndarray:
        """Point (2,) at a length from the base."""
        return np.array(
            [
                np.interp(along, self.along, self.line[:, 0]),
                np.interp(along, self.along, self.line[:, 1]),
            ]
        )


class Ways:
    """Cheapest ways over the maps of one plant, each searched for once.

    After a closer look a plant is assembled again: its map is the same, and so are most ways.
    """

    def __init__(self) -> None:
        self._over: dict[tuple[tuple[int, ...], bytes], _Search] = {}

    def over(self, cost: np.ndarray) -> _Search:
        """Search over a cost (h, w) float; the same one for the same cost."""
        return self._over.setdefault((cost.shape, cost.tobytes()), _Search(cost))


class _Search:
    """Cheapest ways over one map of costs; making a search takes as long as searching."""

    def __init__(self, cost: np.ndarray) -> None:
        self._cost = cost
        self._search: MCP_Geometric | None = None
        self._found: dict[tuple[tuple[Cell, ...], ...], list[list[Cell]]] = {}

    def inside(self, point: np.ndarray) -> Cell:
        """Cell (row, column) of a point (x, y), kept inside the map."""
        return _inside(point, self._cost.shape)

    def ways(self, starts: list[Cell], goals: list[Cell]) -> list[np.ndarray]:
        """Points (n, 2) of the cheapest way to each goal from whichever start is nearest to it."""
        asked = tuple(starts), tuple(goals)
        if asked not in self._found:
            if self._search is None:
                from skimage.graph import MCP_Geometric

                self._search = MCP_Geometric(self._cost)
            self._search.find_costs(starts, goals, find_all_ends=True)
            self._found[asked] = [self._search.traceback(goal) for goal in goals]
        return [_points(way) for way in self._found[asked]]


def stalk_axis(
    classes: np.ndarray,
    base: np.ndarray | None,
    collars: np.ndarray,
    ways: Ways,
    *,
    laid: bool,
) -> Axis | None:
    """Trace the stalk from the base to the end of its uppermost sheath.

    Parameters
    ----------
    classes : ndarray, (h, w) uint8
    base : ndarray, (2,) or None
        Where the stalk meets the soil, when it was seen.
    collars : ndarray, (n, 2)
        Collars that are trusted.
    ways : Ways
        Remembers what was searched for on this plant.
    laid : bool
        A laid plant may point anywhere; a standing one points up.

    Returns
    -------
    Axis or None
        None when there is neither stalk nor collar nor base.
    """
    stalk = classes == STALK
    up = _way_up(classes, base, collars, laid=laid)
    if base is None:
        base = _lowest(stalk, collars, up)
    if base is None:
        return None
    end = _upper_end(stalk, base, collars, up)
    if np.hypot(*(end - base)) < 3.0:
        # A seedling whose stalk is a cell or two: any axis of some length serves.
        return _axis(
            np.stack([base, base + 6.0 * up]), top=max(1.0, float(np.hypot(*(end - base))))
        )
    thickness = cv2.distanceTransform(stalk.astype(np.uint8), cv2.DIST_L2, 3)
    cost = np.where(classes == BLADE, 4.0, OUTSIDE_COST)
    cost[stalk] = 1.0 + 1.0 / np.maximum(thickness[stalk], 1.0)
    search = ways.over(cost)
    (way,) = search.ways([search.inside(base)], [search.inside(end)])
    way[0], way[-1] = base, end
    return _axis(_smooth(way))


def blade_costs(classes: np.ndarray) -> np.ndarray:
    """Cost of each cell for a midline: least in the middle of blades and sheaths."""
    plant = (classes == BLADE) | (classes == STALK)
    thickness = cv2.distanceTransform(plant.astype(np.uint8), cv2.DIST_L2, 3)
    return np.where(plant, 1.0 + 1.5 / np.maximum(thickness, 1.0), OUTSIDE_COST)


def midlines(
    cost: np.ndarray, axis: Axis, tips: np.ndarray, ends: np.ndarray, ways: Ways
) -> list[np.ndarray]:
    """Trace each leaf from the stalk to its tip.

    Parameters
    ----------
    cost : ndarray, (h, w)
        From `blade_costs`.
    axis : Axis
    tips, ends : ndarray, (n, 2)
        Tips, and where their link vectors say that the leaves leave the stalk.
    ways : Ways
        As of `stalk_axis`.

    Returns
    -------
    list of ndarray, (m, 2)
        Stalk first, tip last. The nearest way to the stalk serves where it ends about where the
        link points; where it doesn't (the leaf crosses another one) the link's end is the goal.
    """
    search = ways.over(cost)
    starts = list({search.inside(point) for point in axis.line})
    nearest = search.ways(starts, [search.inside(tip) for tip in tips])
    link_along, _ = axis.project(ends)
    found = []
    for tip, end, along, way in zip(tips, ends, link_along, nearest, strict=True):
        reached, _ = axis.project(way[:1])
        tolerance = 4.0 + 0.1 * float(np.hypot(*(tip - end)))
        if abs(reached[0] - along) > tolerance:
            (way,) = search.ways([search.inside(axis.at(float(along)))], [search.inside(tip)])
        found.append(_smooth(np.concatenate([way[:-1], tip[None]])))
    return found


def _way_up(
    classes: np.ndarray, base: np.ndarray | None, collars: np.ndarray, *, laid: bool
) -> np.ndarray:
    upright = np.array([0.0, -1.0])
    stalk = _cells(classes == STALK)
    body = np.concatenate([stalk, collars]) if len(stalk) + len(collars) else None
    blades = _cells(classes == BLADE)
    if base is None:
        if not laid or body is None or len(body) < 3 or not len(blades):
            return upright
        # Without a base only the line is known; the blades spread from its upper end.
        centre = body.mean(axis=0)
        direction = np.linalg.svd(body - centre, full_matrices=False)[2][0]
        return direction if direction @ (blades.mean(axis=0) - centre) >= 0 else -direction
    goal = body if body is not None else blades
    if not len(goal):
        return upright
    direction = _unit(goal.mean(axis=0) - base, upright)
    if not laid:
        return _unit(direction + upright, upright)
    to_blades = blades.mean(axis=0) - base if len(blades) else direction
    # Of a seedling that was pulled more of the stalk lies under the soil line than over it.
    return direction if direction @ to_blades >= 0 else _unit(to_blades, upright)


def _lowest(stalk: np.ndarray, collars: np.ndarray, up: np.ndarray) -> np.ndarray | None:
    points = np.concatenate([_cells(stalk), collars])
    return points[(points @ up).argmin()] if len(points) else None


def _upper_end(
    stalk: np.ndarray, base: np.ndarray, collars: np.ndarray, up: np.ndarray
) -> np.ndarray:
    size = 2 * GAP_CELLS + 1
    joined = cv2.dilate(stalk.astype(np.uint8), np.ones((size, size), np.uint8))
    count, labels = cv2.connectedComponents(joined)
    candidates = [base[None], collars]
    if count > 1:
        cells = _cells(stalk)
        nearest = cells[((cells - base) ** 2).sum(axis=1).argmin()]
        label = labels[_inside(nearest, stalk.shape)]
        candidates.append(_cells(stalk & (labels == label)))
    points = np.concatenate(candidates)
    return points[((points - base) @ up).argmax()].astype(float)


def _axis(way: np.ndarray, top: float | None = None) -> Axis:
    along = np.concatenate([[0.0], np.hypot(*np.diff(way, axis=0).T).cumsum()])
    length = along[-1]
    even = np.linspace(0.0, length, max(2, round(length) + 1))
    line = np.stack([np.interp(even, along, way[:, 0]), np.interp(even, along, way[:, 1])], axis=1)
    back = line[max(0, len(line) - 1 - max(8, len(line) // 4))]
    direction = _unit(line[-1] - back, np.array([0.0, -1.0]))
    extra = np.arange(1.0, max(6.0, EXTENSION * length) + 1.0)
    line = np.concatenate([line, line[-1] + extra[:, None] * direction])
    return Axis(line, np.concatenate([even, length + extra]), length if top is None else top)


def _smooth(way: np.ndarray, window: int = 7) -> np.ndarray:
    """Running mean that keeps both ends, so that the steps of the grid do not show."""
    if len(way) < window:
        return way
    half = window // 2
    padded = np.concatenate([np.repeat(way[:1], half, 0), way, np.repeat(way[-1:], half, 0)])
    sums = np.concatenate([np.zeros((1, 2)), padded.cumsum(axis=0)])
    smooth = (sums[window:] - sums[:-window]) / window
    smooth[0], smooth[-1] = way[0], way[-1]
    return smooth


def _points(cells: list[Cell]) -> np.ndarray:
    return np.array([(column, row) for row, column in cells], dtype=float)


def _cells(mask: np.ndarray) -> np.ndarray:
    rows, columns = np.nonzero(mask)
    return np.stack([columns, rows], axis=1).astype(float)


def _inside(point: np.ndarray, shape: tuple[int, ...]) -> Cell:
    row = min(max(round(float(point[1])), 0), shape[0] - 1)
    column = min(max(round(float(point[0])), 0), shape[1] - 1)
    return row, column


def _unit(vector: np.ndarray, otherwise: np.ndarray) -> np.ndarray:
    length = float(np.hypot(*vector))
    return vector / length if length > 1e-9 else otherwise
