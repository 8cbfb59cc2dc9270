"""Flights over invented fields, as photos from above would tell them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import cache

import numpy as np

from collarvision.above.values import FieldAbove
from collarvision.boundary import Boundary, metres_a_degree
from collarvision.demo.invented import InventedField, Patch, invent_field
from collarvision.evidence import PlantEvidence
from collarvision.walk.cells import grid
from collarvision.walk.correction import Ground
from collarvision.walk.flight import Flight, flight_of
from collarvision.walk.zones import Zones, find_zones

ORIGIN = (41.7, -95.0)
METRES = metres_a_degree(ORIGIN[0])
FLOWN = date(2027, 6, 1)

SLOPE = replace(
    invent_field(1, even=True),
    size_m=(300.0, 240.0),
    leaves=5.5,
    patches=(
        Patch(60, 180, (110, 90), 0.4, 1.4),
        Patch(245, 50, (90, 70), -0.5, -1.7, late=0.1, missing=0.15),
    ),
    drift=0.1,
    drift_m=50.0,
    rows=0.1,
    plants=0.45,
    late=0.06,
    more_tips=2.5,
    seen_drift=0.1,
)
"""A field of 18 acres with a part ahead, in the north-west, and one behind, in the south-east."""

FLAT = replace(SLOPE, patches=())


def outline(field: InventedField, name: str | None = "Slope") -> Boundary:
    wide, deep = field.size_m
    corners = np.array([[0.0, 0.0], [wide, 0.0], [wide, deep], [0.0, deep]])
    return Boundary(name, ORIGIN, ((corners,),))


def geometry(field: InventedField) -> dict[str, object]:
    """The same as GeoJSON."""
    one = outline(field)
    ring = [one.degrees(*corner) for corner in one.rings_m[0]]
    return {"type": "Polygon", "coordinates": [[[lon, lat] for lat, lon in (*ring, ring[0])]]}


@cache
def flown(field: InventedField = SLOPE, photos: int = 40) -> FieldAbove:
    return field.fly(ORIGIN, METRES, FLOWN, photos=photos)


@cache
def zoned(field: InventedField = SLOPE, photos: int = 40) -> tuple[Flight, Zones]:
    flight = flight_of(flown(field, photos), outline(field))
    return flight, find_zones(flight, grid(flight))


def counted(
    field: InventedField, spots: list[tuple[float, float]], each: int, seed: int = 0
) -> list[Ground]:
    """Plants counted by hand at places of the field, in metres."""
    random = np.random.default_rng(seed)
    one = outline(field)
    return [
        Ground(
            PlantEvidence(
                f"IMG_{10 * number + k}.jpg",
                hand_count=int(stage),
                taken_at=FLOWN,
                stop=str(number),
            ),
            one.degrees(x, y),
        )
        for number, (x, y) in enumerate(spots, start=1)
        for k, stage in enumerate(field.walk_to(x, y, each, random))
    ]
