"""Outline: zones as rings, for a map and for GeoJSON."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

import numpy as np

from collarvision.boundary import Boundary
from collarvision.walk.flight import Flight
from collarvision.walk.zones import Zones

Ring = list[tuple[float, float]]


def zone_rings(zones: Zones, number: int, *, past_edges: bool = False) -> list[Ring]:
    """Rings around a zone's cells in metres, not closed: outer ones anticlockwise, holes clockwise.

    Parameters
    ----------
    zones : Zones
    number : int
        Index of the zone.
    past_edges : bool
        Also the ground outside of the field that is nearest to the zone, so that a map can cut it
        off along the field's true edge.
    """
    grid, corner = _grid(zones, past_edges)
    return _rings(grid == number, corner, zones.cells.side_m)


def middle_of(zones: Zones, number: int, away_m: np.ndarray) -> tuple[float, float]:
    """Place for a zone's letter: well inside it, and off the (n, 2) points given."""
    from scipy.ndimage import distance_transform_edt

    index = zones.cells.index
    own = np.zeros(index.shape, bool)
    own[index >= 0] = zones.zone[index[index >= 0]] == number
    inside = distance_transform_edt(np.pad(own, 1))[1:-1, 1:-1][index >= 0] * zones.cells.side_m
    mine = np.flatnonzero(zones.zone == number)
    room = inside[mine]
    if len(away_m):
        gap = np.hypot(*(zones.cells.points_m[mine][:, None] - away_m).transpose(2, 0, 1))
        room = np.minimum(room, 0.7 * gap.min(axis=1))
    best = mine[int(room.argmax())]
    return float(zones.cells.x_m[best]), float(zones.cells.y_m[best])


def zone_polygon(flight: Flight, zones: Zones, number: int) -> dict[str, Any]:
    """Give a zone as a GeoJSON MultiPolygon (RFC 7946), by its cells, in degrees.

    It is cut in two at the 180th meridian (section 3.1.9).
    """
    boundary, side = flight.boundary, zones.cells.side_m
    grid, corner = _grid(zones, False)
    own, column = grid == number, np.arange(grid.shape[1])
    meridian = (boundary.metres(boundary.origin[0], 180.0)[0] - corner[0]) / side
    halves: list[tuple[np.ndarray, float | None]] = [(own, None)]
    if 0 < meridian < len(column):
        halves = [(own & (column < meridian), 180.0), (own & (column + 1 > meridian), -180.0)]

    def degrees(ring: Ring, edge: float | None) -> list[list[float]]:
        places = [boundary.degrees(x, y) for x, y in [*ring, ring[0]]]
        # Cells that the meridian runs through are in both halves, each up to there.
        return [
            [round(lon if edge is None or lon * edge > 0 else edge, 7), round(lat, 7)]
            for lat, lon in places
        ]

    return {
        "type": "MultiPolygon",
        "coordinates": [
            [degrees(ring, edge) for ring in rings]
            for half, edge in halves
            for rings in _polygons(_rings(half, corner, side), side)
        ],
    }


def _polygons(rings: list[Ring], side_m: float) -> list[list[Ring]]:
    """Outer rings, each followed by its holes."""
    outer = [[ring] for ring in rings if _area(ring) > 0]
    for hole in (ring for ring in rings if _area(ring) <= 0):
        # The smallest ring around a hole is the one that it is in.
        around = [found for found in outer if _holds(found[0], hole[0], side_m)]
        min(around, key=lambda found: _area(found[0])).append(hole)
    return outer


def _rings(own: np.ndarray, corner: tuple[float, float], side_m: float) -> list[Ring]:
    """Rings around a mask's cells in metres, not closed."""
    return [
        [(corner[0] + side_m * x, corner[1] + side_m * y) for x, y in ring] for ring in _trace(own)
    ]


def _grid(zones: Zones, past_edges: bool) -> tuple[np.ndarray, tuple[float, float]]:
    """Zone of every cell of the grid, -1 outside, with its south-western corner."""
    index = zones.cells.index
    found = np.full(index.shape, -1)
    found[index >= 0] = zones.zone[index[index >= 0]]
    if not past_edges:
        return found, zones.cells.corner_m
    from scipy.ndimage import distance_transform_edt

    found = np.pad(found, 1, constant_values=-1)
    _, (row, column) = distance_transform_edt(found < 0, return_indices=True)
    side = zones.cells.side_m
    corner = zones.cells.corner_m
    return found[row, column], (corner[0] - side, corner[1] - side)


def _trace(own: np.ndarray) -> list[Ring]:
    """Rings along the edges of a mask's cells, corners only, in cells; x is the column."""
    padded = np.pad(own, 1)
    ways: dict[tuple[int, int], list[tuple[int, int]]] = defaultdict(list)
    for row, column in np.argwhere(own):
        x, y = int(column), int(row)
        # The inside lies to the left: south edge eastwards, east edge northwards, and so on.
        if not padded[row, column + 1]:
            ways[x, y].append((x + 1, y))
        if not padded[row + 1, column + 2]:
            ways[x + 1, y].append((x + 1, y + 1))
        if not padded[row + 2, column + 1]:
            ways[x + 1, y + 1].append((x, y + 1))
        if not padded[row + 1, column]:
            ways[x, y + 1].append((x, y))
    rings: list[Ring] = []
    while ways:
        start = here = min(ways)
        path = [start]
        before = (0, 0)
        while True:
            # Where two cells touch by a corner, the sharper turn left keeps to one of them.
            after = max(ways[here], key=lambda way: _turn(before, here, way))
            ways[here].remove(after)
            if not ways[here]:
                del ways[here]
            before = (after[0] - here[0], after[1] - here[1])
            here = after
            if here == start:
                break
            path.append(here)
        rings.append(_corners(path))
    return rings


def _turn(before: tuple[int, int], here: tuple[int, int], way: tuple[int, int]) -> int:
    """Sine of the turn to the next edge: 1 to the left."""
    dx, dy = way[0] - here[0], way[1] - here[1]
    return before[0] * dy - before[1] * dx


def _corners(path: list[tuple[int, int]]) -> Ring:
    """Path without the points on straight lines."""
    points = np.array(path)
    ahead, behind = np.roll(points, -1, axis=0) - points, points - np.roll(points, 1, axis=0)
    kept = points[(ahead != behind).any(axis=1)]
    return [(float(x), float(y)) for x, y in kept]


def _area(ring: Ring) -> float:
    x, y = np.array(ring).T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) / 2)


def _holds(ring: Ring, point: tuple[float, float], side_m: float) -> bool:
    """Whether a point on a hole's edge lies within a ring, or on it."""
    # A quarter of a cell off the hole's corner, every way: one of them lies beside its edges.
    off = 0.25 * side_m
    around = np.array([(point[0] + dx, point[1] + dy) for dx in (-off, off) for dy in (-off, off)])
    return int(Boundary(None, (0.0, 0.0), ((np.array(ring),),)).inside(around).sum()) >= 3
