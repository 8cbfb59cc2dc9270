"""Boundary: a field's outline from a GeoJSON file, in metres around its own middle.

Positions are longitude before latitude in degrees of WGS84, as RFC 7946 has them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np

from collarvision.fieldnames import known_as, listed, meant
from collarvision.outlines import BoundaryError, Outline, outline_of, read_outlines, whole

__all__ = [
    "Boundary",
    "BoundaryError",
    "boundary_of",
    "metres_a_degree",
    "read_boundary",
    "within_180",
]

# WGS84: equatorial radius and first eccentricity squared.
_EQUATOR_M: Final = 6_378_137.0
_ECCENTRICITY_2: Final = 0.00669437999014
_WIDEST_DEG: Final = 1.0  # a field is never a degree wide; beyond it the plane fits badly
_NORTHMOST_DEG: Final = 89.0  # nothing grows at the poles, where the plane fails
_MOST_CORNERS: Final = 5_000

Degrees = TypeVar("Degrees", float, np.ndarray)


@dataclass(frozen=True)
class Boundary:
    """A field on a plane.

    Attributes
    ----------
    name : str or None
        From the feature's properties, if one names it (`collarvision.outlines`).
    origin : (float, float)
        Latitude and longitude of the plane's zero, degrees.
    polygons_m : tuple of tuple of (n, 2) arrays
        The field's parts; of each the outline, then its holes, x east and y north in metres, not
        closed. A point is inside a part when it lies within an odd number of its rings, and in the
        field when it is inside one of them: drawn by hand, parts may lie over each other.
    """

    name: str | None
    origin: tuple[float, float]
    polygons_m: tuple[tuple[np.ndarray, ...], ...]

    @property
    def rings_m(self) -> tuple[np.ndarray, ...]:
        """The rings of all parts."""
        return tuple(ring for rings in self.polygons_m for ring in rings)

    @cached_property
    def area_m2(self) -> float:
        """Area in square metres, holes taken off; where parts overlap the ground counts once."""
        rings = self.rings_m
        return abs(_shoelace(rings[0])) if len(rings) == 1 else _covered_m2(self.polygons_m)

    def inside(self, points_m: np.ndarray) -> np.ndarray:
        """Whether each of (n, 2) points lies in the field, (n,) bool."""
        found = np.zeros(len(points_m), bool)
        for rings in self.polygons_m:
            part = np.zeros(len(points_m), bool)
            for ring in rings:
                part ^= _inside(points_m, ring)
            found |= part
        return found

    def edge_distance(self, points_m: np.ndarray) -> np.ndarray:
        """Distance in metres of each of (n, 2) points to the nearest edge, (n,)."""
        nearest = np.full(len(points_m), np.inf)
        for ring in self.rings_m:
            for start, end in zip(ring, np.roll(ring, -1, axis=0), strict=True):
                along = end - start
                length2 = float(along @ along)
                t = np.clip((points_m - start) @ along / length2, 0, 1) if length2 else 0.0
                gap = points_m - (start + np.multiply.outer(t, along))
                nearest = np.minimum(nearest, np.hypot(gap[:, 0], gap[:, 1]))
        return nearest

    def outside_m(self, lat: float, lon: float) -> float:
        """How far outside the field a position in degrees lies; 0 inside."""
        at = np.array([self.metres(lat, lon)])
        return 0.0 if self.inside(at)[0] else float(self.edge_distance(at)[0])

    def degrees(self, x_m: float, y_m: float) -> tuple[float, float]:
        """Latitude and longitude of a point."""
        lat_m, lon_m = metres_a_degree(self.origin[0])
        return self.origin[0] + y_m / lat_m, within_180(self.origin[1] + x_m / lon_m)

    def metres(self, lat: float, lon: float) -> tuple[float, float]:
        """Metres east and north of a position in degrees."""
        lat_m, lon_m = metres_a_degree(self.origin[0])
        return within_180(lon - self.origin[1]) * lon_m, (lat - self.origin[0]) * lat_m


def within_180(lon: Degrees) -> Degrees:
    """Give a longitude, or a difference of two, as one from -180 to 180; those stay to the bit."""
    return lon - 360.0 * ((lon + 180.0) // 360.0)


def metres_a_degree(lat: float) -> tuple[float, float]:
    """Metres in one degree of latitude and of longitude on WGS84 at a latitude."""
    sin2 = math.sin(math.radians(lat)) ** 2
    bent = 1 - _ECCENTRICITY_2 * sin2
    north = _EQUATOR_M * (1 - _ECCENTRICITY_2) / bent**1.5
    east = _EQUATOR_M / math.sqrt(bent) * math.cos(math.radians(lat))
    return north * math.pi / 180, east * math.pi / 180


def read_boundary(path: Path, field: str | None = None) -> Boundary:
    """Read a field's boundary.

    Parameters
    ----------
    path : Path
        A GeoJSON Polygon or MultiPolygon, a Feature of one, or a FeatureCollection.
    field : str, optional
        The feature's name, needed where the file holds several fields. Features of one name are
        one field.

    Raises
    ------
    BoundaryError
        When the file can't be read, holds no such field, or isn't a sound polygon.
    """
    return _on_a_plane(_choose(read_outlines(path), path, field), path)


def boundary_of(geometry: dict[str, Any], name: str) -> Boundary:
    """Put a GeoJSON geometry, as the survey keeps it, on a plane.

    Raises
    ------
    BoundaryError
        As `read_boundary`; sentences speak of the boundary by `name`.
    """
    return _on_a_plane(outline_of(geometry, name), name)


def _on_a_plane(outline: Outline, path: Path | str) -> Boundary:
    polygons = [[np.array(ring[:-1]) for ring in rings] for rings in outline.polygons]
    corners = np.concatenate([ring for rings in polygons for ring in rings])
    if len(corners) > _MOST_CORNERS:
        raise BoundaryError(
            f"The boundary {path} has {len(corners)} corners: simplify it to under {_MOST_CORNERS}."
        )
    low, high = corners.min(axis=0), corners.max(axis=0)
    if high[0] - low[0] > 180.0:
        # Cut in two at the 180th meridian: on this plane the western part goes on east of it.
        for ring in (corners, *(ring for rings in polygons for ring in rings)):
            ring[:, 0] %= 360.0
        low, high = corners.min(axis=0), corners.max(axis=0)
    if (high - low).max() > _WIDEST_DEG or np.abs(corners[:, 1]).max() > _NORTHMOST_DEG:
        raise BoundaryError(
            f"The boundary {path} is more than {_WIDEST_DEG:g} degree wide: give one field."
        )
    middle = (low + high) / 2
    origin = (float(middle[1]), within_180(float(middle[0])))
    lat_m, lon_m = metres_a_degree(origin[0])
    scale = np.array([lon_m, lat_m])
    polygons_m = tuple(tuple((ring - middle) * scale for ring in rings) for rings in polygons)
    boundary = Boundary(outline.name, origin, polygons_m)
    for ring in boundary.rings_m:
        if _crosses_itself(ring):
            raise BoundaryError(
                f"The boundary {path} crosses itself: put its corners in order around the field."
            )
        if abs(_shoelace(ring)) < 1.0:
            raise BoundaryError(f"The boundary {path} has a ring without area: draw it again.")
    return boundary


def _choose(found: Sequence[Outline], path: Path, field: str | None) -> Outline:
    """The wanted field."""
    if len(found) == 1 and (field is None or found[0].name in (None, field)):
        return found[0]
    names = {outline.name for outline in found}
    known = sorted(name for name in names if name is not None)
    if field is None and len(names) == 1:  # parts of one field, as for `batch`
        (field,) = names
    elif field is not None:
        field = known_as(field, known)
    wanted = [outline for outline in found if field is not None and outline.name == field]
    if wanted:
        return whole(wanted)
    if not known:
        raise BoundaryError(
            f"The boundary {path} holds {len(found)} outlines without names: give each feature a "
            "property 'name', then choose one with --field."
        )
    if field is None:
        raise BoundaryError(
            f"The boundary {path} holds {len(found)} outlines: choose one by its name with --field "
            f"({listed(known)})."
        )
    raise BoundaryError(f"The boundary {path} has no field {field!r}: {meant(field, known)}")


def _shoelace(ring: np.ndarray) -> float:
    x, y = ring.T
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2


def _covered_m2(polygons_m: Sequence[Sequence[np.ndarray]]) -> float:
    """Area that one polygon or several cover, in square metres.

    Between one corner or crossing and the next going north no edges cross: the length covered there
    grows evenly, so that the one half way up stands for the whole strip.
    """
    rings = [(number, ring) for number, part in enumerate(polygons_m) for ring in part]
    owner = np.concatenate([np.full(len(ring), number) for number, ring in rings])
    start = np.concatenate([ring for _, ring in rings])
    along = np.concatenate([np.roll(ring, -1, axis=0) - ring for _, ring in rings])
    heights = [start[:, 1]]
    for number in range(len(start) - 1):
        (x, y), (dx, dy) = (start[number + 1 :] - start[number]).T, along[number + 1 :].T
        own_x, own_y = along[number]
        turn = own_x * dy - own_y * dx
        with np.errstate(divide="ignore", invalid="ignore"):
            here, there = (x * dy - y * dx) / turn, (x * own_y - y * own_x) / turn
        meet = (here >= 0) & (here <= 1) & (there >= 0) & (there <= 1)
        heights.append(start[number, 1] + here[meet] * own_y)
    levels = np.unique(np.concatenate(heights))
    low, high = start[:, 1], start[:, 1] + along[:, 1]
    covered = 0.0
    for bottom, top in pairwise(levels):
        level = (bottom + top) / 2
        met = np.flatnonzero((low > level) != (high > level))
        x = start[met, 0] + along[met, 0] * (level - low[met]) / along[met, 1]
        within: set[int] = set()
        before = 0.0
        for at in np.argsort(x):
            if within:
                covered += (x[at] - before) * (top - bottom)
            before = x[at]
            within ^= {int(owner[met[at]])}
    return float(covered)


def _inside(points: np.ndarray, ring: np.ndarray) -> np.ndarray:
    """Crossing-number test, (n,) bool."""
    x, y = points.T
    found = np.zeros(len(points), bool)
    for (x0, y0), (x1, y1) in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        if y0 == y1:
            continue
        spans = (y0 > y) != (y1 > y)
        found ^= spans & (x < (x1 - x0) * (y - y0) / (y1 - y0) + x0)
    return found


def _crosses_itself(ring: np.ndarray) -> bool:
    """Whether two edges that aren't neighbours cross."""
    start, end = ring, np.roll(ring, -1, axis=0)
    count = len(ring)

    def side(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> np.ndarray:
        return np.sign(
            (b[..., 0] - a[..., 0]) * (c[..., 1] - a[..., 1])
            - (b[..., 1] - a[..., 1]) * (c[..., 0] - a[..., 0])
        )

    for number in range(count - 2):
        # The last edge ends where the first begins: neighbours.
        others = slice(number + 2, count - 1 if number == 0 else count)
        a, b = start[number], end[number]
        c, d = start[others], end[others]
        if np.any((side(a, b, c) * side(a, b, d) < 0) & (side(c, d, a) * side(c, d, b) < 0)):
            return True
    return False
