"""Boundaries: fields as polygons in a GeoJSON file (RFC 7946), and which one a point lies in."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from collarvision.batch.folders import tidy

NAME_KEYS = ("name", "field", "title")
"""Properties that may name a field, the first that is there; letter case does not matter."""

Ring = tuple[tuple[float, float], ...]


class BoundaryError(Exception):
    """The file of boundaries can't be used; the message is one sentence that says what to do."""


@dataclass(frozen=True)
class Boundary:
    """A field's outline.

    Attributes
    ----------
    name : str
    rings : tuple of tuple of (longitude, latitude)
        All rings, holes included, of all its polygons.
    box : (west, south, east, north)
    geometry : dict
        As it stood in the file.
    """

    name: str
    rings: tuple[Ring, ...]
    box: tuple[float, float, float, float]
    geometry: dict[str, Any]

    def holds(self, latitude: float, longitude: float) -> bool:
        """Say whether a point lies inside: a ray from it crosses the rings an odd number of times.

        Holes come out right by themselves. Edges are straight in longitude and latitude, as RFC
        7946, section 3.1.1, has them.
        """
        west, south, east, north = self.box
        if not (south <= latitude <= north and west <= longitude <= east):
            return False
        inside = False
        for ring in self.rings:
            for (x0, y0), (x1, y1) in pairwise(ring):
                if (y0 > latitude) != (y1 > latitude) and longitude < (
                    x0 + (latitude - y0) * (x1 - x0) / (y1 - y0)
                ):
                    inside = not inside
        return inside


def field_at(boundaries: Iterable[Boundary], latitude: float, longitude: float) -> str | None:
    """Name the first field that a point lies in; None if it lies in none."""
    for boundary in boundaries:
        if boundary.holds(latitude, longitude):
            return boundary.name
    return None


def read_boundaries(path: Path) -> tuple[Boundary, ...]:
    """Read field boundaries.

    Parameters
    ----------
    path : Path
        A FeatureCollection (or one Feature) of Polygons and MultiPolygons, longitude first; each
        feature has a property that names the field (`NAME_KEYS`). Features of one name are one
        field's parts and are tried in turn.

    Raises
    ------
    BoundaryError
    """
    try:
        said = json.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise BoundaryError(
            f"The boundaries {path} can't be read ({error.strerror}): check the name."
        ) from error
    except (ValueError, RecursionError) as error:
        raise BoundaryError(f"{path} is not GeoJSON ({error}): export it again.") from error
    features = _features(said, path)
    boundaries = tuple(_boundary(feature, k, path) for k, feature in enumerate(features, start=1))
    if not boundaries:
        raise BoundaryError(f"{path} holds no field: export the boundaries again.")
    return boundaries


def _features(said: Any, path: Path) -> list[Any]:
    kind = said.get("type") if isinstance(said, dict) else None
    if kind == "Feature":
        return [said]
    if kind == "FeatureCollection" and isinstance(said.get("features"), list):
        return list(said["features"])
    raise BoundaryError(f"{path} is not a GeoJSON FeatureCollection: export the boundaries again.")


def _boundary(feature: Any, number: int, path: Path) -> Boundary:
    where = f"{path}, feature {number},"
    properties = feature.get("properties") if isinstance(feature, dict) else None
    properties = properties if isinstance(properties, dict) else {}
    named = {str(key).lower(): value for key, value in properties.items()}
    name = next((tidy(str(named[key])) for key in NAME_KEYS if named.get(key)), "")
    if not name:
        raise BoundaryError(f"{where} has no name: give it a property 'name'.")
    geometry = feature.get("geometry")
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    if kind not in ("Polygon", "MultiPolygon"):
        raise BoundaryError(f"{where} is a {kind}, not a polygon: draw the field's outline.")
    try:
        polygons = geometry["coordinates"] if kind == "MultiPolygon" else [geometry["coordinates"]]
        rings = tuple(_ring(ring) for polygon in polygons for ring in polygon)
        xs, ys = zip(*(point for ring in rings for point in ring), strict=True)
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise BoundaryError(f"{where} has a broken outline: export it again.") from error
    if max(map(abs, xs)) > 180 or max(map(abs, ys)) > 90:
        raise BoundaryError(
            f"{where} is not in degrees of longitude and latitude: export it as WGS 84."
        )
    return Boundary(name, rings, (min(xs), min(ys), max(xs), max(ys)), geometry)


def _ring(points: Any) -> Ring:
    ring = tuple((float(x), float(y)) for x, y, *_ in points)
    if len(ring) < 4:  # RFC 7946, section 3.1.6
        raise ValueError(ring)
    return ring if ring[0] == ring[-1] else (*ring, ring[0])
