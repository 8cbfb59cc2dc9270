"""The 180th meridian: a flight on both sides of it is one field, and places on it are degrees."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from drawn_field import FixedNetwork, draw, jpeg, level_notes, plant, seen_maps
from flights import FLOWN, SLOPE, outline

from collarvision.above.calibration import AboveCalibration
from collarvision.above.frames import read_frame
from collarvision.above.overlap import apart_share
from collarvision.above.values import FieldAbove, FrameAbove
from collarvision.boundary import (
    Boundary,
    BoundaryError,
    boundary_of,
    metres_a_degree,
    read_boundary,
)
from collarvision.photo import load_photo
from collarvision.walk.cells import grid
from collarvision.walk.flight import flight_of
from collarvision.walk.outline import zone_polygon
from collarvision.walk.page import walk_geojson
from collarvision.walk.stops import plan_zone_walk
from collarvision.walk.zones import find_zones
from collarvision.walkplan import plan_walk

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


def cut_in_two(field: Boundary) -> dict[str, Any]:
    """The outline of a field across the meridian as RFC 7946, section 3.1.9, has it."""
    ring = [field.degrees(x, y) for x, y in field.rings_m[0]]
    south, north = ring[0][0], ring[2][0]
    west, east = ring[0][1], ring[1][1]
    assert east < 0 < west

    def box(left: float, right: float) -> list[list[list[float]]]:
        return [[[left, south], [right, south], [right, north], [left, north], [left, south]]]

    return {"type": "MultiPolygon", "coordinates": [box(west, 180.0), box(-180.0, east)]}


def test_an_outline_cut_in_two_at_the_meridian_is_one_field(tmp_path: Path) -> None:
    """As its reader advises for one that isn't cut."""
    corner = (LAT, 180.0 - 150.0 / METRES[1])
    drawn = Boundary("Slope", corner, outline(SLOPE).polygons_m)
    path = tmp_path / "field.geojson"
    path.write_text(json.dumps(cut_in_two(drawn)))
    field = read_boundary(path)
    assert field.area_m2 == pytest.approx(drawn.area_m2, rel=1e-3)
    assert abs(field.origin[1]) <= 180
    for lon in (179.9999, -179.9999, 180.0, -180.0):
        assert field.outside_m(field.origin[0], lon) == 0
    assert field.outside_m(field.origin[0], 0.0) > 1e6
    walk = plan_walk(field, 10)
    east = sum(stop.lon > 0 for stop in walk.stops)
    assert east == pytest.approx(5, abs=1)
    over = flown_at(corner[1])
    inside, whole = flight_of(over, field), flight_of(over, drawn)
    assert len(inside) == pytest.approx(len(whole), rel=0.01)
    far = {"type": "MultiPolygon", "coordinates": []}
    for lon in (170.0, -170.0):
        far["coordinates"].append([[[lon, 1], [lon + 0.1, 1], [lon, 2], [lon, 1]]])  # type: ignore[attr-defined]
    path.write_text(json.dumps(far))
    with pytest.raises(BoundaryError, match="more than 1 degree wide"):
        read_boundary(path)


def test_zones_are_cut_in_two_at_the_meridian() -> None:
    """RFC 7946, section 3.1.9: as one piece they would reach round the earth the other way."""
    for corner, sides in ((180.0 - 150.0 / METRES[1], {180.0, -180.0}), (170.0, set())):
        flight = flight_of(flown_at(corner))
        zones = find_zones(flight, grid(flight))
        ends: set[float] = set()
        for number, zone in enumerate(zones.zones):
            shape = zone_polygon(flight, zones, number)
            for polygon in shape["coordinates"]:
                lons = [lon for ring in polygon for lon, _ in ring]
                assert max(lons) - min(lons) < 0.01
                ends |= {lon for lon in lons if abs(lon) == 180.0}
            read = boundary_of(shape, zone.letter)
            assert read.area_m2 == pytest.approx(zone.area_m2, rel=1e-3)
        assert ends == sides


def test_a_photo_that_looks_across_the_meridian_lies_beyond_it() -> None:
    mm, wide, tall = 3.0, 1200, 900
    planted = plant(wide * mm / 1000, tall * mm / 1000, seed=8)
    notes = {**level_notes(mm, wide, tall), "GimbalPitchDegree": -80.0, "GimbalYawDegree": 90.0}
    data = jpeg(draw(planted, wide, tall, mm), gps=(LAT, 180.0 - 0.1 / METRES[1]), **notes)
    maps = FixedNetwork(seen_maps(planted, wide, tall, mm))
    place = read_frame(load_photo(data, "f.jpg"), maps, AboveCalibration()).georeference
    assert place is not None
    assert -180.0 <= place.lon < -179.99
