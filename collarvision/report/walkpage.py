"""Walk page: a walk after a flight as one HTML file to take along on a phone or to print."""

from __future__ import annotations

from collarvision.limitwords import CAUTION
from collarvision.report.page import drawing, fill
from collarvision.report.zonemap import Spot, draw_zone_map
from collarvision.units import area_words
from collarvision.walk.page import (
    at_a_stop,
    closed_words,
    each_words,
    flown_words,
    plain_words,
    precision_words,
    range_words,
    said_notes,
    zone_area_m2,
    zone_note,
)
from collarvision.walk.stops import ZoneWalk

_FEET_A_METRE = 1000 / 304.8


def walk_page(walk: ZoneWalk, *, field: str | None = None, area_unit: str = "ac") -> str:
    """Give a walk as one HTML document."""
    flight = walk.flight
    unit, factor = ("ft", _FEET_A_METRE) if area_unit == "ac" else ("m", 1.0)
    spots = [Spot(stop.x_m, stop.y_m, str(stop.number)) for stop in walk.stops]
    name = field or "the field"
    return fill(
        "walk.html.j2",
        field=field,
        walk=walk,
        sentence=walk.zones.sentence,
        flown=flown_words(walk),
        area=area_words(flight.boundary.area_m2, area_unit),
        each=each_words(walk, "plants"),
        plain=plain_words(walk),
        precision=precision_words(walk).replace("+-", "±"),
        map=drawing(
            draw_zone_map(
                walk.zones,
                flight.boundary.polygons_m,
                spots,
                f"Map of {name}: {len(walk.zones)} zones and {len(spots)} stops"
                + (", north up" if flight.located else ""),
                walked=True,
                north_up=flight.located,
            )
        ),
        zones=[
            (
                zone,
                area_words(zone_area_m2(walk, zone), area_unit),
                range_words(walk.stages_of(zone)),
                stops,
            )
            for zone, stops in zip(walk.zones.zones, walk.allocation.stops, strict=True)
        ],
        stops=[
            (stop, range_words(stop.stages), f"{stop.from_last_m * factor:,.0f}")
            for stop in walk.stops
        ],
        unit=unit,
        length=f"{walk.length_m * factor:,.0f} {unit}",
        note=zone_note(walk),
        at_a_stop=at_a_stop(walk),
        notes=said_notes(walk),
        closed=closed_words(walk),
        caution=CAUTION,
    )
