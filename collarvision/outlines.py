"""Outlines: fields as polygons in a GeoJSON file (RFC 7946), and which one a point lies in.

Positions are longitude before latitude in degrees of WGS 84, as the standard has them.
"""

from __future__ import annotations

import json
import math
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

NAME_KEYS: Final = ("name", "field", "title")
"""Properties that may name a field, the first that is there; letter case does not matter."""

Ring = tuple[tuple[float, float], ...]


class BoundaryError(ValueError):
    """Outlines that can't be used; `str(error)` is one sentence that says what to do."""


@dataclass(frozen=True)
class Outline:
    """A field's outline.

    Attributes
    ----------
    name : str or None
    rings : tuple of tuple of (longitude, latitude)
        All rings, holes included, of all its polygons, closed.
    box : (west, south, east, north)
    geometry : dict
        As it stood in the file; a MultiPolygon of all of them where there were several.
    polygons : tuple of tuple of rings
        The rings polygon by polygon; by default they are those of one.
    """

    name: str | None
    polygons: tuple[tuple[Ring, ...], ...]
    box: tuple[float, float, float, float]
    geometry: dict[str, Any]

    @property
    def rings(self) -> tuple[Ring, ...]:
        return tuple(ring for rings in self.polygons for ring in rings)

    def holds(self, latitude: float, longitude: float) -> bool:
        """Say whether a point lies inside: a ray from it crosses the rings an odd number of times.

        Holes come out right by themselves. Edges are straight in longitude and latitude, as RFC
        7946, section 3.1.1, has them.
        """
        west, south, east, north = self.box
        if not (south <= latitude <= north and west <= longitude <= east):
            return False
        # Polygon by polygon: drawn by hand, two parts of a field may lie over each other.
        return any(_crossings(rings, latitude, longitude) % 2 for rings in self.polygons)


def _crossings(rings: Iterable[Ring], latitude: float, longitude: float) -> int:
    """How often a ray to the east of a point crosses the rings."""
    return sum(
        (y0 > latitude) != (y1 > latitude)
        and longitude < x0 + (latitude - y0) * (x1 - x0) / (y1 - y0)
        for ring in rings
        for (x0, y0), (x1, y1) in pairwise(ring)
    )


def field_at(outlines: Iterable[Outline], latitude: float, longitude: float) -> str | None:
    """Name the first field that a point lies in; None if it lies in none."""
    return next((o.name for o in outlines if o.name and o.holds(latitude, longitude)), None)


def named(outlines: Iterable[Outline], path: Path) -> tuple[Outline, ...]:
    """Give an outline a name, if each has one; several of one name are one field's parts.

    Raises
    ------
    BoundaryError
    """
    outlines = tuple(outlines)
    for number, outline in enumerate(outlines, start=1):
        if not outline.name:
            raise BoundaryError(
                f"The boundary {path}, outline {number}, has no name: give it a property 'name'."
            )
    parts: dict[str | None, list[Outline]] = {}
    for outline in outlines:
        parts.setdefault(outline.name, []).append(outline)
    return tuple(map(whole, parts.values()))


def whole(parts: Sequence[Outline]) -> Outline:
    """Give one outline of a field's parts, at least one."""
    if len(parts) == 1:
        return parts[0]
    west, south, east, north = zip(*(part.box for part in parts), strict=True)
    corners = [polygon for part in parts for polygon in _polygons(part.geometry) or ()]
    return Outline(
        parts[0].name,
        tuple(rings for part in parts for rings in part.polygons),
        (min(west), min(south), max(east), max(north)),
        {"type": "MultiPolygon", "coordinates": corners},
    )


def read_outlines(path: Path) -> tuple[Outline, ...]:
    """Read the fields of a file; points and lines among them are passed over.

    Parameters
    ----------
    path : Path
        A GeoJSON Polygon, MultiPolygon or GeometryCollection, a Feature of one, or a
        FeatureCollection. A property of `NAME_KEYS` names a feature.

    Raises
    ------
    BoundaryError
        When the file can't be read, holds no polygon, or one that isn't sound.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise BoundaryError(
            f"The boundary {path} can't be read ({error.strerror}): check the name."
        ) from error
    except (ValueError, RecursionError) as error:
        raise BoundaryError(
            f"The boundary {path} isn't GeoJSON ({error}): export the field as GeoJSON."
        ) from error
    outlines = tuple(_outlines(content, path))
    if not outlines:
        raise BoundaryError(
            f"The boundary {path} holds no Polygon: export the field's outline as GeoJSON."
        )
    return outlines


def outline_of(geometry: Any, name: str) -> Outline:
    """Give a field's geometry, as read from a file before, as an outline.

    Raises
    ------
    BoundaryError
        When it is no polygon, or an unsound one; `name` stands for the file.
    """
    found = tuple(_outlines(geometry, name))
    if not found:
        raise BoundaryError(f"The boundary of {name} holds no Polygon: give the outline anew.")
    return replace(found[0], name=name)


def _outlines(content: Any, path: Path | str) -> Iterator[Outline]:
    kind = content.get("type") if isinstance(content, dict) else None
    features: Any = [{"geometry": content}]
    if kind == "FeatureCollection":
        features = content.get("features")
    elif kind == "Feature":
        features = [content]
    for feature in features if isinstance(features, list) else []:
        geometry = feature.get("geometry") if isinstance(feature, dict) else None
        polygons = _polygons(geometry)
        if polygons is None or not isinstance(geometry, dict):
            continue
        if geometry.get("type") == "GeometryCollection":
            if not polygons:
                continue  # points and lines, as others that are no field
            geometry = {"type": "MultiPolygon", "coordinates": polygons}
        shapes = tuple(tuple(_ring(ring, path) for ring in polygon) for polygon in polygons)
        rings = tuple(ring for shape in shapes for ring in shape)
        if not rings:
            raise BoundaryError(f"The boundary {path} has a polygon without corners: draw it anew.")
        xs, ys = zip(*(point for ring in rings for point in ring), strict=True)
        _check_degrees(xs, ys, path)
        # RFC 7946, section 3.1.9. As it stands it would reach round the earth the other way.
        if any(abs(x1 - x0) > 180 for ring in rings for (x0, _), (x1, _) in pairwise(ring)):
            raise BoundaryError(
                f"The boundary {path} has {_name(feature.get('properties')) or 'a field'} across "
                "the 180th meridian: cut it in two there."
            )
        box = (min(xs), min(ys), max(xs), max(ys))
        yield Outline(_name(feature.get("properties")), shapes, box, geometry)


def _name(properties: Any) -> str | None:
    if not isinstance(properties, dict):
        return None
    said = {str(key).lower(): value for key, value in properties.items()}
    name = next((str(said[key]) for key in NAME_KEYS if said.get(key)), "")
    # One spelling a name, as in folder names: accents may be composed in two ways (NFC).
    return " ".join(unicodedata.normalize("NFC", name).split()) or None


def _polygons(geometry: Any) -> list[Any] | None:
    if isinstance(geometry, dict) and geometry.get("type") == "GeometryCollection":
        parts = geometry.get("geometries")
        # RFC 7946, section 3.1.8: collections in collections should be avoided.
        return [
            polygon
            for part in (parts if isinstance(parts, list) else [])
            if isinstance(part, dict) and part.get("type") != "GeometryCollection"
            for polygon in _polygons(part) or ()
        ]
    if not isinstance(geometry, dict) or not isinstance(geometry.get("coordinates"), list):
        return None
    if geometry.get("type") == "Polygon":
        return [geometry["coordinates"]]
    if geometry.get("type") == "MultiPolygon":
        return [part for part in geometry["coordinates"] if isinstance(part, list)]
    return None


def _ring(points: Any, path: Path | str) -> Ring:
    try:
        ring = tuple((float(x), float(y)) for x, y, *_ in points)
    except (TypeError, ValueError, OverflowError):
        ring = ((math.nan, math.nan),)
    if not all(math.isfinite(x) and math.isfinite(y) for x, y in ring):
        raise BoundaryError(f"The boundary {path} has a ring that isn't a list of [lon, lat].")
    if ring and ring[0] != ring[-1]:
        ring = (*ring, ring[0])
    if len(ring) < 4:  # RFC 7946, section 3.1.6: the first position again at the end
        raise BoundaryError(f"The boundary {path} has a ring of fewer than three corners.")
    return ring


def _check_degrees(xs: tuple[float, ...], ys: tuple[float, ...], path: Path | str) -> None:
    widest, highest = max(map(abs, xs)), max(map(abs, ys))
    if highest > 90 >= widest:
        raise BoundaryError(
            f"The boundary {path} has latitude and longitude swapped: GeoJSON has longitude first."
        )
    if widest > 180 or highest > 90:
        raise BoundaryError(
            f"The boundary {path} isn't in degrees: export it in WGS84 (EPSG:4326)."
        )
