"""Cells: a field's growth by place, a square grid over the field with what was seen in each.

A cell that no photo showed takes its growth from the nearest ones that were seen, by inverse
squared distance (Shepard 1968, Proc. 23rd ACM Nat. Conf., 517-524, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from collarvision.walk.flight import Flight, FlightError

FAR_M: Final = 60.0
"""Further from a photo than that, nothing is known but by hearsay. Our own choice."""

_MOST_CELLS: Final = 1600
_SMALLEST_M: Final = 6.0
_FEWEST_PLANTS: Final = 8  # fewer, and a cell tells little more than noise
_FEWEST_CELLS: Final = 4
_NEIGHBOURS: Final = 6


@dataclass(frozen=True, eq=False)
class Cells:
    """Growth on a grid. Arrays are (c,), one value a cell inside the field.

    Attributes
    ----------
    side_m : float
    corner_m : (x, y)
        Of the grid, south-west.
    index : (rows, columns) int
        Number of the cell at a place of the grid, row 0 in the south; -1 outside the field.
    x_m, y_m : ndarray
        Middles.
    seen : ndarray of bool
        Whether enough plants were seen in it; all else there is taken from neighbours otherwise.
    plants : ndarray of int
    collars : ndarray
        Mean number of collars to expect on a plant.
    tips : ndarray
        Mean tips a plant.
    canopy_mm2 : ndarray
        Geometric mean leaf area from above of a plant.
    missing : ndarray
        Share of plants missing in gaps.
    stages : (c, 13) ndarray
        Mean of the plants' stage probabilities.
    weight : ndarray
        Share of the field's plants; sums to 1.
    spread : float
        Standard deviation of the plants' collars, as seen, about their cell's mean.
    far : float
        Share of the field that lies over `FAR_M` from any cell that was seen.
    """

    side_m: float
    corner_m: tuple[float, float]
    index: np.ndarray
    x_m: np.ndarray
    y_m: np.ndarray
    seen: np.ndarray
    plants: np.ndarray
    collars: np.ndarray
    tips: np.ndarray
    canopy_mm2: np.ndarray
    missing: np.ndarray
    stages: np.ndarray
    weight: np.ndarray
    spread: float
    far: float

    def __len__(self) -> int:
        return len(self.x_m)

    @property
    def points_m(self) -> np.ndarray:
        """Middles, (c, 2)."""
        return np.column_stack([self.x_m, self.y_m])

    def at(self, points_m: np.ndarray) -> np.ndarray:
        """Number of the cell nearest to each of (n, 2) points, (n,); also for points outside."""
        from scipy.spatial import cKDTree

        return np.asarray(cKDTree(self.points_m).query(points_m)[1])

    def neighbours(self) -> np.ndarray:
        """Pairs of cells that share an edge, (k, 2)."""
        across = np.stack([self.index[:, :-1].ravel(), self.index[:, 1:].ravel()], axis=1)
        along = np.stack([self.index[:-1].ravel(), self.index[1:].ravel()], axis=1)
        pairs = np.concatenate([across, along])
        return pairs[(pairs >= 0).all(axis=1)]


def grid(flight: Flight) -> Cells:
    """Sum a flight up by place.

    Raises
    ------
    FlightError
        When the plants lie in too few places.
    """
    boundary = flight.boundary
    corners = np.concatenate(boundary.rings_m)
    low, high = corners.min(axis=0), corners.max(axis=0)
    smallest = _SMALLEST_M if flight.located else _SMALLEST_M / 3
    side = max(float(np.sqrt(boundary.area_m2 / _MOST_CELLS)), smallest)
    columns, rows = (max(int(n), 1) for n in np.ceil((high - low) / side))
    xs = low[0] + side * (np.arange(columns) + 0.5)
    ys = low[1] + side * (np.arange(rows) + 0.5)
    middles = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    inside = boundary.inside(middles)
    if not inside.any():  # a sliver thinner than a cell
        raise FlightError("The field is too narrow for zones: use `collarvision plan --boundary`.")
    flat = np.full(rows * columns, -1)
    flat[inside] = np.arange(inside.sum())
    index = flat.reshape(rows, columns)
    count = int(inside.sum())

    def cell_of(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        column = np.clip(((x - low[0]) // side).astype(int), 0, columns - 1)
        row = np.clip(((y - low[1]) // side).astype(int), 0, rows - 1)
        return np.asarray(index[row, column])

    cell = cell_of(flight.x_m, flight.y_m)
    held = cell >= 0
    cell = cell[held]
    collars, canopy = flight.collars[held], np.log(np.maximum(flight.canopy_mm2[held], 1.0))

    def mean(values: np.ndarray) -> np.ndarray:
        return np.bincount(cell, values, count) / np.maximum(plants, 1)

    plants = np.bincount(cell, minlength=count)
    seen = plants >= _FEWEST_PLANTS
    if seen.sum() < _FEWEST_CELLS:
        raise FlightError(
            f"The flight shows {int(seen.sum())} places of the field with enough plants: "
            f"{_FEWEST_CELLS} are the fewest to walk by. Fly more of it, or use "
            "`collarvision plan --boundary`."
        )
    gap_cell = cell_of(flight.gap_x_m, flight.gap_y_m)
    absent = np.bincount(
        gap_cell[gap_cell >= 0], flight.gap_missing[gap_cell >= 0], minlength=count
    )
    here = mean(collars)
    within = (collars - here[cell])[seen[cell]]
    freedom = max(len(within) - int(seen.sum()), 1)
    features = np.column_stack(
        [
            here,
            mean(flight.tip_count[held]),
            mean(canopy),
            absent / np.maximum(absent + plants, 1),
            *(mean(flight.stages[held, k]) for k in range(flight.stages.shape[1])),
        ]
    )
    features, far = _filled(features, middles[inside], seen)
    weight = 1 - features[:, 3]
    return Cells(
        side_m=side,
        corner_m=(float(low[0]), float(low[1])),
        index=index,
        x_m=middles[inside, 0],
        y_m=middles[inside, 1],
        seen=seen,
        plants=plants,
        collars=features[:, 0],
        tips=features[:, 1],
        canopy_mm2=np.exp(features[:, 2]),
        missing=features[:, 3],
        stages=features[:, 4:],
        weight=weight / weight.sum(),
        spread=float(np.sqrt((within**2).sum() / freedom)),
        far=far,
    )


def _filled(features: np.ndarray, points: np.ndarray, seen: np.ndarray) -> tuple[np.ndarray, float]:
    """Features with those of unseen cells taken from the nearest seen ones; share far from any."""
    from scipy.spatial import cKDTree

    if seen.all():
        return features, 0.0
    near = min(_NEIGHBOURS, int(seen.sum()))
    gap, which = cKDTree(points[seen]).query(points[~seen], k=near)
    gap, which = gap.reshape(-1, near), which.reshape(-1, near)
    pull = 1 / np.maximum(gap, 1e-6) ** 2
    found = features.copy()
    found[~seen] = (
        features[seen][which] * (pull / pull.sum(axis=1, keepdims=True))[..., None]
    ).sum(axis=1)
    return found, float((gap[:, 0] > FAR_M).sum() / len(points))
