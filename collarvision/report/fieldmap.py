"""Field map: the outline and the stops of a visit, drawn from coordinates alone, with no tiles."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from collarvision.answer import stage_name
from collarvision.boundary import metres_a_degree, within_180
from collarvision.decision import FieldAnswer
from collarvision.evidence import decided_stages
from collarvision.field import half_rule
from collarvision.report.plots import short
from collarvision.report.svg import Drawing, Point
from collarvision.report.zonemap import draw_foot, draw_zones
from collarvision.seenplants import SeenPlant

_WIDTH = 360.0
_TALLEST = 420.0
_MARGIN = 34.0


@dataclass(frozen=True)
class MapStop:
    """A stop of the visit: its name, degrees, plants with an answer, their stages, who waits."""

    name: str
    lat: float
    lon: float
    plants: int
    lowest: int | None
    stage: int | None
    highest: int | None
    waiting: int


def map_stops(plants: Sequence[SeenPlant]) -> list[MapStop]:
    """Sum plants up by stop, at the middle of their positions; those without one are left out."""
    groups: dict[str, list[SeenPlant]] = defaultdict(list)
    for plant in plants:
        if plant.gps is not None and plant.evidence.stop is not None:
            groups[plant.evidence.stop].append(plant)
    found = []
    for name, group in groups.items():
        at = [plant.gps for plant in group if plant.gps is not None]
        stages = decided_stages(plant.evidence for plant in group)
        found.append(
            MapStop(
                name,
                sum(lat for lat, _ in at) / len(at),
                sum(lon for _, lon in at) / len(at),
                len(stages),
                min(stages, default=None),
                half_rule(stages) if stages else None,
                max(stages, default=None),
                sum(p.evidence.waiting for p in group),
            )
        )
    return sorted(found, key=lambda stop: (len(stop.name), stop.name))


def draw_map(answer: FieldAnswer) -> str | None:
    """Draw the field; None without an outline and without a stop that has a position."""
    stops = map_stops(answer.plants)
    parts = _parts(answer.boundary)
    corners = [point for rings in parts for ring in rings for point in ring]
    if answer.above is not None and not parts:
        boundary = answer.above.flight.boundary
        hull = [boundary.degrees(*point) for ring in boundary.rings_m for point in ring]
        corners += [(lon, lat) for lat, lon in hull]
    corners += [(stop.lon, stop.lat) for stop in stops]
    if not corners:
        return None
    lat0 = sum(lat for _, lat in corners) / len(corners)
    lat_m, lon_m = metres_a_degree(lat0)
    lon0 = corners[0][0]

    def east(lon: float) -> float:  # over the 180th meridian too
        return within_180(lon - lon0) * lon_m

    xs, ys = [east(lon) for lon, _ in corners], [lat * lat_m for _, lat in corners]
    # A lone stop has no width of its own.
    wide, high = max(max(xs) - min(xs), 60.0), max(max(ys) - min(ys), 60.0)
    scale = min((_WIDTH - 2 * _MARGIN) / wide, (_TALLEST - 2 * _MARGIN) / high)
    height = high * scale + 2 * _MARGIN + 24
    middle_x, middle_y = (max(xs) + min(xs)) / 2, (max(ys) + min(ys)) / 2
    drawing = Drawing(_WIDTH, height, f"Map of {answer.field} with its stops, north up")

    def place(lon: float, lat: float) -> Point:
        return (
            _WIDTH / 2 + (east(lon) - middle_x) * scale,
            (height - 24) / 2 - (lat * lat_m - middle_y) * scale,
        )

    if answer.above is not None:
        flight = answer.above.flight

        def place_m(x_m: float, y_m: float) -> Point:
            lat, lon = flight.boundary.degrees(x_m, y_m)
            return place(lon, lat)

        away = np.array([flight.boundary.metres(stop.lat, stop.lon) for stop in stops])
        draw_zones(drawing, answer.above.layout, flight.boundary.polygons_m, place_m, away)
    else:
        for rings in parts:
            drawing.rings([[place(lon, lat) for lon, lat in ring] for ring in rings], "outline")
    spots = [place(stop.lon, stop.lat) for stop in stops]
    nearest = min((math.dist(a, b) for a, b in combinations(spots, 2)), default=math.inf)
    # Stops close together get small circles, so that none hides another.
    radius = min(15.0, max(0.45 * nearest, 3.5))
    for stop, (x, y) in zip(stops, spots, strict=True):
        drawing.dot(x, y, radius, "stop" if stop.stage is not None else "stop empty")
        if radius > 11:
            words = "?" if stop.stage is None else stage_name(stop.stage)
            drawing.words(x, y + 4, words, "stopname", "middle")
            drawing.words(x, y + radius + 12, short(stop.name, 14), "small", "middle")
        elif nearest > 11:
            drawing.words(x + radius + 3, y + 4, short(stop.name, 14), "small")
    draw_foot(drawing, scale, north_up=True)
    return drawing.text()


def _parts(geometry: dict[str, Any] | None) -> list[list[list[tuple[float, float]]]]:
    """Rings of each part of a field as (lon, lat); what is no Polygon or MultiPolygon has none."""
    if not isinstance(geometry, dict):
        return []
    shape = geometry.get("coordinates")
    kind = geometry.get("type")
    polygons: Any = [shape] if kind == "Polygon" else shape if kind == "MultiPolygon" else []
    try:
        parts = [
            [[(float(position[0]), float(position[1])) for position in ring] for ring in polygon]
            for polygon in polygons
        ]
    except (TypeError, ValueError, IndexError):
        return []
    sound = all(
        math.isfinite(v) for rings in parts for ring in rings for point in ring for v in point
    )
    return parts if sound else []
