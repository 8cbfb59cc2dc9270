"""Zone map: zones of unlike growth, the field's outline and stops, drawn from coordinates alone.

Zones run past the field's edge, and the ground outside of it is painted over: so they end along the
true outline. Each is named by its letter, so that no meaning hangs on its shade.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from collarvision.report.svg import Drawing, Point, round_steps
from collarvision.walk.outline import middle_of, zone_rings
from collarvision.walk.zones import Zones

WIDTH: Final = 360.0
_TALLEST: Final = 440.0
_MARGIN: Final = 26.0
_FOOT: Final = 26.0
_FEET_A_METRE: Final = 1000 / 304.8

_FINE: Final = 8  # px of the raster that parts are joined on, to one of the drawing

Place = Callable[[float, float], Point]
Polygons = Sequence[Sequence[np.ndarray]]


@dataclass(frozen=True)
class Spot:
    """A stop on a map: metres, what stands in its circle, and a class of the style sheet."""

    x_m: float
    y_m: float
    words: str
    kind: str = "stop"


def draw_zone_map(
    zones: Zones,
    polygons_m: Polygons,
    spots: Sequence[Spot],
    label: str,
    *,
    walked: bool = False,
    north_up: bool = True,
) -> str:
    """Draw a field's zones with stops on them.

    Parameters
    ----------
    zones : Zones
    polygons_m : sequence of sequences of (n, 2) ndarray
        The field's outline, the rings of each of its parts, as a `Boundary` has them.
    spots : sequence of Spot
        In walking order.
    label : str
        What the drawing shows, for people who can't see it.
    walked : bool
        Join the stops by a line.
    north_up : bool
        False for a photo without a place on the earth: no arrow.
    """
    corners = np.concatenate([ring for rings in polygons_m for ring in rings])
    low, high = corners.min(axis=0), corners.max(axis=0)
    size = np.maximum(high - low, 1.0)
    scale = min((WIDTH - 2 * _MARGIN) / size[0], (_TALLEST - 2 * _MARGIN) / size[1])
    height = float(size[1] * scale + 2 * _MARGIN + _FOOT)
    middle = (low + high) / 2
    drawing = Drawing(WIDTH, height, label)

    def place(x_m: float, y_m: float) -> Point:
        return (
            float(WIDTH / 2 + (x_m - middle[0]) * scale),
            float((height - _FOOT) / 2 - (y_m - middle[1]) * scale),
        )

    draw_zones(drawing, zones, polygons_m, place, np.array([(s.x_m, s.y_m) for s in spots]))
    at = [place(spot.x_m, spot.y_m) for spot in spots]
    if walked and len(at) > 1:
        drawing.line(at, "way")
    nearest = min((math.dist(a, b) for a, b in combinations(at, 2)), default=math.inf)
    radius = min(12.0, max(0.48 * nearest, 6.0))
    for spot, (x, y) in zip(spots, at, strict=True):
        drawing.dot(x, y, radius, spot.kind)
        drawing.words(x, y + 0.36 * radius, spot.words, "stopname", "middle")
    draw_foot(drawing, scale, north_up=north_up)
    return drawing.text()


def draw_zones(
    drawing: Drawing,
    zones: Zones,
    polygons_m: Polygons,
    place: Place,
    away_m: np.ndarray,
) -> None:
    """Draw zones, cut off along the outline, with their letters off the (n, 2) places given."""
    for number in range(len(zones)):
        rings = zone_rings(zones, number, past_edges=True)
        drawing.rings([[place(x, y) for x, y in ring] for ring in rings], f"zone z{number + 1}")
    parts = [
        [[place(float(x), float(y)) for x, y in ring] for ring in rings] for rings in polygons_m
    ]
    outline = parts[0] if len(parts) == 1 else _union(parts, drawing.width, drawing.height)
    frame = [
        (-2.0, -2.0),
        (drawing.width + 2, -2.0),
        (drawing.width + 2, drawing.height + 2),
        (-2.0, drawing.height + 2),
    ]
    drawing.rings([frame, *outline], "outside")
    drawing.rings(outline, "edge")
    for number, zone in enumerate(zones.zones):
        if len(zones) > 1:
            x, y = place(*middle_of(zones, number, away_m))
            drawing.words(x, y + 6, zone.letter, "letter", "middle")


def _union(
    parts: Sequence[Sequence[Sequence[Point]]], width: float, height: float
) -> list[list[Point]]:
    """Rings around all that the parts cover: drawn by hand, they may lie over each other."""
    import cv2

    covered = np.zeros((math.ceil(height * _FINE), math.ceil(width * _FINE)), np.uint8)
    for rings in parts:
        own = np.zeros_like(covered)
        # A px stands for its middle. All rings of a part at once: its holes stay open.
        cv2.fillPoly(
            own, [np.round(np.array(one) * _FINE - 0.5).astype(np.int32) for one in rings], 1
        )
        covered |= own
    found, _ = cv2.findContours(covered, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    return [
        [(float(x), float(y)) for x, y in (cv2.approxPolyDP(ring, 1.0, True)[:, 0] + 0.5) / _FINE]
        for ring in found
    ]


def draw_foot(drawing: Drawing, scale: float, *, north_up: bool) -> None:
    """Draw a scale bar, by px a metre, and a north arrow at a map's foot."""
    metres = round_steps(0, 110 / scale, 2)[1]
    y = drawing.height - 8
    drawing.line(
        [(10, y - 4), (10, y), (10 + metres * scale, y), (10 + metres * scale, y - 4)], "axis"
    )
    feet = metres * _FEET_A_METRE
    drawing.words(16 + metres * scale, y, f"{metres:g} m ({feet:,.0f} ft)", "small")
    if not north_up:
        return
    x = drawing.width - 14
    drawing.area([(x, y - 12), (x - 6, y + 4), (x, y), (x + 6, y + 4)], "north")
    drawing.words(x - 12, y + 3, "N", "small", "end")
