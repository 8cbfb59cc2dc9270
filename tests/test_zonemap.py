"""Maps of zones: what is painted over as outside of the field, by a raster of our own."""

from __future__ import annotations

import re
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from flights import SLOPE, flown, geometry, outline

from collarvision.boundary import Boundary
from collarvision.report.fieldmap import draw_map
from collarvision.report.walkpage import walk_page
from collarvision.report.zonemap import WIDTH
from collarvision.walk.cells import grid
from collarvision.walk.flight import flight_of
from collarvision.walk.stops import plan_zone_walk
from collarvision.walk.zones import find_zones


def box(west: float, south: float, east: float, north: float) -> np.ndarray:
    return np.array([(west, south), (east, south), (east, north), (west, north)], float)


POND = box(60, 60, 100, 100)
PARTS = {
    "over each other": ((box(0, 0, 180, 240), POND), (box(120, 40, 300, 240),)),
    "side by side": ((box(0, 0, 150, 240), POND), (box(150, 0, 300, 240),)),
    "apart": ((box(0, 0, 140, 240),), (box(160, 0, 300, 240),)),
    "one": ((box(0, 0, 300, 240), POND),),
}


def painted_over(svg: str, at: np.ndarray) -> np.ndarray:
    """Which of (n, 2) px of a drawing lie in its shape \"outside\", by the even-odd rule."""
    (data,) = re.findall(r'class="outside" fill-rule="evenodd" d="([^"]+)"', svg)
    found = np.zeros(len(at), bool)
    for ring in data.split("Z")[:-1]:
        points = [tuple(map(float, p.split(","))) for p in re.findall(r"[-\d.]+,[-\d.]+", ring)]
        for (x0, y0), (x1, y1) in pairwise([*points, points[0]]):
            spans = (y0 > at[:, 1]) != (y1 > at[:, 1])
            with np.errstate(divide="ignore", invalid="ignore"):
                found ^= spans & (at[:, 0] < x0 + (at[:, 1] - y0) * (x1 - x0) / (y1 - y0))
    return found


@pytest.mark.parametrize("parts", PARTS)
def test_only_ground_outside_every_part_is_painted_over(parts: str) -> None:
    field = Boundary("Slope", outline(SLOPE).origin, PARTS[parts])
    flight = flight_of(flown(), field)
    walk = plan_zone_walk(flight, find_zones(flight, grid(flight)))
    spots = np.random.default_rng(0).uniform((-5, -5), (305, 245), (4000, 2))
    spots = spots[field.edge_distance(spots) > 1.5]
    inside = field.inside(spots)
    # The map is 300 m wide, in its margins; its upper edge is the field's northern one.
    scale = (WIDTH - 2 * 26) / 300
    px = np.column_stack([26 + spots[:, 0] * scale, 26 + (240 - spots[:, 1]) * scale])
    svg = walk_page(walk)
    assert (painted_over(svg, px) == ~inside).all()
    # The same field on the map of a visit: 34 px of margin, where its own outline is given too.
    answer: Any = SimpleNamespace(
        plants=(), boundary=geometry(SLOPE), field="Slope", above=_above(flight, walk)
    )
    drawn = draw_map(answer)
    assert drawn is not None
    scale = (360 - 2 * 34) / 300
    px = np.column_stack([34 + spots[:, 0] * scale, 34 + (240 - spots[:, 1]) * scale])
    assert (painted_over(drawn, px) == ~inside).all()


def _above(flight: Any, walk: Any) -> Any:
    return SimpleNamespace(flight=flight, layout=walk.zones)
