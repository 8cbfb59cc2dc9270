"""Finding: plants and their tips from the network's maps.

A centre is a peak of the map of plants, placed between cells by a parabola; a tip likewise, and it
belongs to the plant that its vector points to. Leaf area is given to plants along the leaves
themselves: to the centre that is nearest on the way through canopy.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np

from collarvision.above.calibration import AboveCalibration
from collarvision.above.network import CELL_PX, WORKING_MM, Maps

_REACH_MM: Final = 60.0
_REACH_SHARE: Final = 0.3
"""How far from a centre a tip's vector may end: a distance, and a share of its own length."""

_LEAF: Final = 0.5
"""P(corn leaf) from which a cell counts as canopy."""

_STRAY_CELLS: Final = 8.0
"""Canopy that isn't joined to a centre goes to one at most this far; beyond it, to none."""


LEAF_SQUARE_PX: Final = 16
"""Squares that leaf cover is noted by, working px: about 5 cm."""


@dataclass(frozen=True, eq=False)
class LeafGrid:
    """Share of each `LEAF_SQUARE_PX` square under corn leaves, 0..255; `left`, `top` working px."""

    left: int
    top: int
    share: np.ndarray


@dataclass(frozen=True, eq=False)
class Found:
    """Plants of one picture as columns, places in working px of the whole.

    Attributes
    ----------
    x, y, score, tip_count, double, canopy_mm2, other : ndarray, (n,)
        `other` is P(a plant that isn't corn) at the centre.
    tip_x, tip_y : ndarray, (k,)
        Tips, one plant's after another's.
    tip_owner : ndarray, (k,) int
        Their plants' indices, rising.
    canopy_cells, other_cells, cells : int
        Cells of canopy, of other plants, and all that were looked at.
    leaves : tuple of LeafGrid
        Where corn leaves are, roughly.
    """

    x: np.ndarray
    y: np.ndarray
    score: np.ndarray
    tip_count: np.ndarray
    double: np.ndarray
    canopy_mm2: np.ndarray
    other: np.ndarray
    tip_x: np.ndarray
    tip_y: np.ndarray
    tip_owner: np.ndarray
    canopy_cells: int = 0
    other_cells: int = 0
    cells: int = 0
    leaves: tuple[LeafGrid, ...] = ()

    def __len__(self) -> int:
        return len(self.x)

    def leaf_share(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Share of the ground under corn leaves about working px; NaN where it wasn't noted."""
        found = np.full(np.shape(x), np.nan)
        for grid in self.leaves:
            column = np.floor((x - grid.left) / LEAF_SQUARE_PX).astype(np.int64)
            row = np.floor((y - grid.top) / LEAF_SQUARE_PX).astype(np.int64)
            height, width = grid.share.shape
            inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
            found[inside] = grid.share[row[inside], column[inside]] / 255
        return found

    def kept(self, which: np.ndarray) -> Found:
        """Those of a mask, with their tips; the cells stay as they are."""
        number = np.cumsum(which) - 1
        tips = which[self.tip_owner]
        return replace(
            self,
            **{name: getattr(self, name)[which] for name in PLANT_FIELDS},
            tip_x=self.tip_x[tips],
            tip_y=self.tip_y[tips],
            tip_owner=number[self.tip_owner[tips]],
        )


PLANT_FIELDS: Final = ("x", "y", "score", "tip_count", "double", "canopy_mm2", "other")


def join(parts: list[Found]) -> Found:
    """All plants of several pictures, in their order."""
    if not parts:
        return nothing_found()
    starts = np.cumsum([0] + [len(part) for part in parts[:-1]])
    owners = [part.tip_owner + start for part, start in zip(parts, starts, strict=True)]
    return replace(
        parts[0],
        **{
            name: np.concatenate([getattr(part, name) for part in parts])
            for name in (*PLANT_FIELDS, "tip_x", "tip_y")
        },
        tip_owner=np.concatenate(owners).astype(np.int64),
        canopy_cells=sum(part.canopy_cells for part in parts),
        other_cells=sum(part.other_cells for part in parts),
        cells=sum(part.cells for part in parts),
        leaves=tuple(grid for part in parts for grid in part.leaves),
    )


def nothing_found() -> Found:
    """A picture without plants."""
    none = np.zeros(0)
    return Found(none, none, none, none, none, none, none, none, none, np.zeros(0, np.int64))


def find_plants(
    maps: Maps,
    calibration: AboveCalibration,
    *,
    left: float = 0.0,
    top: float = 0.0,
    core: tuple[float, float, float, float] | None = None,
    seen: np.ndarray | None = None,
    counted: np.ndarray | None = None,
    working_mm: float = WORKING_MM,
) -> Found:
    """Find the plants of one picture.

    Parameters
    ----------
    maps : Maps
    calibration : AboveCalibration
        Its floors.
    left, top : float
        Where the picture starts in the whole, working px.
    core : (left, top, right, bottom), optional
        Only plants whose centres lie there, working px of the whole, are given, and only its
        cells counted; the rest is read for their sake.
    seen : ndarray, (h, w) bool, optional
        Cells that show ground; without it all do.
    counted : ndarray, (h, w) bool, optional
        Cells that cover is reckoned from, such as those of one field; without it all seen ones.
    working_mm : float
        Ground that a working px covers.
    """
    height, width = maps.shape
    inside = _inside(height, width, left, top, core)
    if seen is not None:
        inside &= seen
    leaf = (maps.canopy >= _LEAF) & (maps.canopy >= maps.other)
    weed = (maps.other >= _LEAF) & ~leaf
    own = inside if counted is None else inside & counted
    counts = (int((leaf & own).sum()), int((weed & own).sum()), int(own.sum()))
    box = (left, top, left + width * CELL_PX, top + height * CELL_PX) if core is None else core
    leaves = _leaf_grid(leaf & inside, left, top, box)
    rows, columns = _peaks(maps.plants, calibration.plant_floor)
    rows, columns = _apart(maps.plants, rows, columns, calibration.twins_mm / working_mm)
    if len(rows) == 0:
        return replace(
            nothing_found(),
            canopy_cells=counts[0],
            other_cells=counts[1],
            cells=counts[2],
            leaves=(leaves,),
        )
    x, y = _placed(maps.plants, rows, columns)
    tip_x, tip_y, owner = _tips(maps, calibration.tip_floor, x, y, working_mm)
    at = (
        np.clip((y / CELL_PX).astype(int), 0, height - 1),
        np.clip((x / CELL_PX).astype(int), 0, width - 1),
    )
    found = Found(
        x=x + left,
        y=y + top,
        score=maps.plants[rows, columns].astype(np.float64),
        tip_count=_weighed(maps.tip_count, maps.plants, rows, columns),
        double=calibration.double_probability(_weighed(maps.double, maps.plants, rows, columns)),
        canopy_mm2=_leaf_areas(leaf, maps.canopy, *at) * (CELL_PX * working_mm) ** 2,
        other=np.clip(_weighed(maps.other, maps.plants, rows, columns), 0.0, 1.0),
        tip_x=tip_x + left,
        tip_y=tip_y + top,
        tip_owner=owner,
        canopy_cells=counts[0],
        other_cells=counts[1],
        cells=counts[2],
        leaves=(leaves,),
    )
    corn = _weighed(maps.canopy, maps.plants, rows, columns)
    # A weed in the row is the other map's to tell.
    which = ~((found.other > _LEAF) & (found.other > corn))
    which &= inside[rows, columns]
    return found.kept(which)


def _leaf_grid(
    leaf: np.ndarray, left: float, top: float, box: tuple[float, float, float, float]
) -> LeafGrid:
    """Leaf cover of a box by squares; the box starts on a whole one."""
    side = LEAF_SQUARE_PX // CELL_PX
    row, column = round((box[1] - top) / CELL_PX), round((box[0] - left) / CELL_PX)
    rows, columns = (
        -(-round((box[3] - box[1]) / CELL_PX) // side),
        -(-round((box[2] - box[0]) / CELL_PX) // side),
    )
    own = np.zeros((rows * side, columns * side), np.float32)
    part = leaf[row : row + rows * side, column : column + columns * side]
    own[: part.shape[0], : part.shape[1]] = part
    share = own.reshape(rows, side, columns, side).mean((1, 3))
    return LeafGrid(round(box[0]), round(box[1]), np.round(255 * share).astype(np.uint8))


def _inside(
    height: int,
    width: int,
    left: float,
    top: float,
    core: tuple[float, float, float, float] | None,
) -> np.ndarray:
    """Cells whose middles lie in the core, (h, w) bool."""
    if core is None:
        return np.ones((height, width), bool)
    x = left + (np.arange(width) + 0.5) * CELL_PX
    y = top + (np.arange(height) + 0.5) * CELL_PX
    return ((y >= core[1]) & (y < core[3]))[:, None] & ((x >= core[0]) & (x < core[2]))[None]


def _peaks(heat: np.ndarray, floor: float) -> tuple[np.ndarray, np.ndarray]:
    """Cells that are as high as all about them and at least `floor`."""
    highest = cv2.dilate(heat, np.ones((3, 3), np.uint8))
    rows, columns = np.nonzero((heat >= highest) & (heat >= floor))
    return rows, columns


def _apart(
    heat: np.ndarray, rows: np.ndarray, columns: np.ndarray, nearest_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """Of peaks too close to be two plants the higher."""
    x, y = _placed(heat, rows, columns)
    keep = apart(x, y, heat[rows, columns], nearest_px)
    return rows[keep], columns[keep]


def apart(x: np.ndarray, y: np.ndarray, heights: np.ndarray, nearest_px: float) -> np.ndarray:
    """Which of some peaks stay, (n,) bool: no lower one within `nearest_px` of a higher.

    Parameters
    ----------
    x, y : (n,)
        Working px.
    heights : (n,)
    nearest_px : float
        Working px.
    """
    from scipy.spatial import cKDTree

    if len(x) < 2:
        return np.ones(len(x), bool)
    pairs = cKDTree(np.column_stack([x, y])).query_pairs(nearest_px, output_type="ndarray")
    if len(pairs) == 0:
        return np.ones(len(x), bool)
    order = np.argsort(-heights, kind="stable")
    place = np.empty(len(order), int)
    place[order] = np.arange(len(order))
    # From the highest pair down, the lower of two goes unless the higher has gone already.
    pairs = np.sort(place[pairs], axis=1)
    gone = np.zeros(len(order), bool)
    for high, low in pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]:
        if not gone[high]:
            gone[low] = True
    return np.asarray(~gone[place])


def _placed(
    heat: np.ndarray, rows: np.ndarray, columns: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Peaks in px of the picture: a parabola through the logarithm, exact for a Gaussian."""
    padded = np.log(np.pad(np.maximum(heat, 1e-4), 1, mode="edge"))
    r, c = rows + 1, columns + 1
    mid = padded[r, c]

    def shift(before: np.ndarray, after: np.ndarray) -> np.ndarray:
        bend = before + after - 2 * mid
        moved = np.where(bend < -1e-6, 0.5 * (before - after) / np.minimum(bend, -1e-6), 0.0)
        return np.clip(moved, -0.5, 0.5)

    down = shift(padded[r - 1, c], padded[r + 1, c])
    right = shift(padded[r, c - 1], padded[r, c + 1])
    return (columns + 0.5 + right) * CELL_PX, (rows + 0.5 + down) * CELL_PX


def _weighed(
    values: np.ndarray, heat: np.ndarray, rows: np.ndarray, columns: np.ndarray
) -> np.ndarray:
    """Mean of a map over the 3 x 3 cells about each peak, weighed by the heat there."""
    heat, values = np.pad(heat, 1), np.pad(values, 1)
    total, weight = np.zeros(len(rows)), np.zeros(len(rows))
    for down in range(3):
        for right in range(3):
            here = heat[rows + down, columns + right].astype(np.float64)
            total += here * values[rows + down, columns + right]
            weight += here
    found: np.ndarray = total / np.maximum(weight, 1e-9)
    return found


def _tips(
    maps: Maps, floor: float, x: np.ndarray, y: np.ndarray, working_mm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Tips with an owner among the centres, ordered by owner."""
    from scipy.spatial import cKDTree

    rows, columns = _peaks(maps.tips, floor)
    if len(rows) == 0:
        none = np.zeros(0)
        return none, none, np.zeros(0, np.int64)
    tip_x, tip_y = _placed(maps.tips, rows, columns)
    vector = maps.to_plant[:, rows, columns].astype(np.float64)
    # The vector starts at the cell's middle.
    ends = np.column_stack([(columns + 0.5) * CELL_PX, (rows + 0.5) * CELL_PX]) + vector.T
    away, owner = cKDTree(np.column_stack([x, y])).query(ends)
    reach = np.maximum(_REACH_MM, _REACH_SHARE * np.hypot(*vector) * working_mm)
    kept = away * working_mm <= reach
    order = np.argsort(owner[kept], kind="stable")
    return (
        tip_x[kept][order],
        tip_y[kept][order],
        np.asarray(owner[kept][order], np.int64),
    )


def _leaf_areas(
    leaf: np.ndarray, canopy: np.ndarray, rows: np.ndarray, columns: np.ndarray
) -> np.ndarray:
    """Leaf area of each centre, cells, as seen."""
    from scipy.ndimage import distance_transform_edt
    from skimage.segmentation import watershed

    markers = np.zeros(leaf.shape, np.int32)
    markers[rows, columns] = np.arange(1, len(rows) + 1)
    owner = watershed(np.zeros(leaf.shape, np.uint8), markers, mask=leaf | (markers > 0))
    loose = leaf & (owner == 0)
    if loose.any():
        away, nearest = distance_transform_edt(owner == 0, return_indices=True)
        near = loose & (away <= _STRAY_CELLS)
        owner[near] = owner[nearest[0][near], nearest[1][near]]
    weight = np.where(leaf, canopy, 0.0)
    areas: np.ndarray = np.bincount(
        owner.ravel(), weight.ravel().astype(np.float64), minlength=len(rows) + 1
    )[1:]
    return areas
