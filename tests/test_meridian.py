"""The 180th meridian: a flight on both sides of it is one field, and places on it are degrees."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from flights import FLOWN, SLOPE, outline

from collarvision.above.overlap import apart_share
from collarvision.above.values import FieldAbove, FrameAbove
from collarvision.boundary import Boundary, metres_a_degree
from collarvision.walk.cells import grid
from collarvision.walk.flight import flight_of
from collarvision.walk.page import walk_geojson
from collarvision.walk.stops import plan_zone_walk
from collarvision.walk.zones import find_zones

LAT = -16.8
METRES = metres_a_degree(LAT)


def flown_at(lon: float) -> FieldAbove:
    """The field's flight, the field's south-western corner at a longitude."""
    field = SLOPE.fly((LAT, lon), METRES, FLOWN, photos=40)
    return replace(field, frames=tuple(map(told, field.frames)))


def told(frame: FrameAbove) -> FrameAbove:
    """With longitudes as receivers tell them, -180 to 180."""

    def degrees(lon: Any) -> Any:
        return (np.asarray(lon) + 180) % 360 - 180

    assert frame.plants is not None
    assert frame.georeference is not None
    gaps = tuple(
        replace(
            gap,
            start_lat_lon=(gap.start_lat_lon[0], float(degrees(gap.start_lat_lon[1]))),
            end_lat_lon=(gap.end_lat_lon[0], float(degrees(gap.end_lat_lon[1]))),
        )
        for gap in frame.gaps
        if gap.start_lat_lon is not None and gap.end_lat_lon is not None
    )
    place = replace(frame.georeference, lon=float(degrees(frame.georeference.lon)))
    plants = replace(frame.plants, lon=degrees(frame.plants.lon))
    return replace(frame, plants=plants, georeference=place, gaps=gaps)


def test_photos_on_both_sides_are_one_field() -> None:
    elsewhere, over = flown_at(170.0), flown_at(180.0 - 150.0 / METRES[1])
    places = [one.georeference.lon for one in over.frames if one.georeference is not None]
    assert min(places) < -179
    assert max(places) > 179
    flight, same = flight_of(over), flight_of(elsewhere)
    assert flight.boundary.area_m2 == pytest.approx(same.boundary.area_m2, rel=1e-3)
    assert apart_share(over.frames) == pytest.approx(apart_share(elsewhere.frames))
    zones = find_zones(flight, grid(flight))
    assert len(zones) == len(find_zones(same, grid(same)))
    walk = plan_zone_walk(flight, zones)
    lons = [stop.lon for stop in walk.stops if stop.lon is not None]
    assert all(abs(lon) <= 180 for lon in lons)
    assert min(lons) < 0 < max(lons)
    text = json.dumps([one["geometry"]["coordinates"] for one in walk_geojson(walk)["features"]])
    told_deg = np.array(re.findall(r"\[(-?[\d.]+), -?[\d.]+\]", text), float)
    assert len(told_deg) > len(walk.stops)
    assert np.abs(told_deg).max() <= 180


def test_a_place_is_near_from_either_side() -> None:
    field = Boundary(None, (LAT, 179.9999), outline(SLOPE).polygons_m)
    for x_m in (-50.0, 5.0, 50.0):
        lat, lon = field.degrees(x_m, 0.0)
        assert -180 <= lon <= 180
        assert field.metres(lat, lon) == pytest.approx((x_m, 0.0), abs=1e-6)
    both = field.metres(np.array([LAT, LAT]), np.array([179.9999, -179.9999]))  # type: ignore[arg-type]
    assert both[0] == pytest.approx([0.0, 0.0002 * METRES[1]], abs=1e-6)
