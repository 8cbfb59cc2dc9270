"""Cells: a field's growth by place, a square grid over the field.

What is seen is first drawn as a smooth surface (`collarvision.walk.surface`): each cell has its
value in the middle, whether a photo showed it or not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from collarvision.walk.flight import Flight, FlightError
from collarvision.walk.leftout import FEWEST_AT_PLACE, why_few
from collarvision.walk.surface import Surface, draw_surface, places_of

FAR_M: Final = 60.0
"""Further from a photo than that, nothing is known but by hearsay. Our own choice."""

_MOST_CELLS: Final = 1600
_SMALLEST_M: Final = 6.0
_BLOCK_CELLS: Final = 2.0  # side of an orthomosaic's places, in cells
_FEWEST_PLACES: Final = 4


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
        Whether enough plants were seen in it.
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
        Standard deviation of the plants' collars, as seen, about the mean of their place.
    places_m : (p, 2) ndarray
        Middles of the places that were seen; photos, or blocks of an orthomosaic.
    error : (3,) ndarray
        By how much a place's collars, logarithm of leaf area, and missing share differ from what
        its neighbours tell: errors of the photo, and what varies from place to place.
    far : float
        Share of the field that lies over `FAR_M` from any place that was seen.
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
    places_m: np.ndarray
    error: np.ndarray
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
    plants = np.bincount(cell[cell >= 0], minlength=count)
    seen = plants >= FEWEST_AT_PLACE
    surface, spread = _surface(flight, side)
    values = surface.at(middles[inside])
    weight = 1 - values[:, 3]
    return Cells(
        side_m=side,
        corner_m=(float(low[0]), float(low[1])),
        index=index,
        x_m=middles[inside, 0],
        y_m=middles[inside, 1],
        seen=seen,
        plants=plants,
        collars=values[:, 0],
        tips=values[:, 1],
        canopy_mm2=np.exp(values[:, 2]),
        missing=values[:, 3],
        stages=values[:, 4:],
        weight=weight / weight.sum(),
        spread=spread,
        places_m=surface.points_m,
        error=surface.error[[0, 2, 3]],
        far=_far(middles[inside], surface.points_m),
    )


def _surface(flight: Flight, side_m: float) -> tuple[Surface, float]:
    """Surface of all that is told of a cell, and the spread of plants within places."""
    place = places_of(flight, _BLOCK_CELLS * side_m)
    plants = np.bincount(place)

    def mean(values: np.ndarray) -> np.ndarray:
        return np.bincount(place, values) / plants

    middles = np.column_stack([mean(flight.x_m), mean(flight.y_m)])
    kept = plants >= FEWEST_AT_PLACE
    if kept.sum() < _FEWEST_PLACES:
        raise FlightError(
            f"The flight shows {int(kept.sum())} places of the field with enough plants: "
            f"{_FEWEST_PLACES} are the fewest to walk by. Fly more of it, or use "
            "`collarvision plan --boundary`." + why_few(flight.notes)
        )
    absent = np.zeros(len(plants))
    if len(flight.gap_missing):
        from scipy.spatial import cKDTree

        gaps = np.column_stack([flight.gap_x_m, flight.gap_y_m])
        np.add.at(absent, cKDTree(middles).query(gaps)[1], flight.gap_missing)
    collars = flight.collars
    here = mean(collars)
    values = np.column_stack(
        [
            here,
            mean(flight.tip_count),
            mean(np.log(np.maximum(flight.canopy_mm2, 1.0))),
            absent / (absent + plants),
            *(mean(flight.stages[:, k]) for k in range(flight.stages.shape[1])),
        ]
    )
    within = (collars - here[place])[kept[place]]
    spread = float(np.sqrt((within**2).sum() / max(len(within) - int(kept.sum()), 1)))
    # Stages and tips are the same as collars, told otherwise.
    like = np.array([0, 0, 2, 3, *[0] * flight.stages.shape[1]])
    return draw_surface(middles[kept], plants[kept], values[kept], like), spread


def _far(points_m: np.ndarray, places_m: np.ndarray) -> float:
    """Share of points that lie far from every place."""
    from scipy.spatial import cKDTree

    return float((cKDTree(places_m).query(points_m)[0] > FAR_M).mean())
