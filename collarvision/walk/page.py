"""Page: a walk over zones as text to print, as GeoJSON for a phone's map, and as JSON."""

from __future__ import annotations

import textwrap
from typing import Any, Final

from collarvision.answer import count_of, stage_name
from collarvision.enoughplan import plan_to_settle
from collarvision.table import CAUTION
from collarvision.units import M2_PER, area_number, area_words
from collarvision.walk.growth import LEAVES_A_DAY
from collarvision.walk.outline import zone_polygon
from collarvision.walk.stops import ZonedStop, ZoneWalk
from collarvision.walk.zones import Zone

_FEET_A_METRE: Final = 1000 / 304.8
_WIDTH: Final = 80

OLDER: Final = "older"
"""What is expected where leaves close over the rows: older than in any zone."""


def write_walk(walk: ZoneWalk, *, field: str | None = None, area_unit: str = "ac") -> str:
    """Give a walk as a page of text, under 80 columns, to print and tick off."""
    zones, allocation = walk.zones, walk.allocation
    lines = [
        f"Walk after a flight{': ' + field if field else ''}",
        "",
        f"Field            {area_words(walk.flight.boundary.area_m2, area_unit)}",
        f"Flown            {flown_words(walk)}",
        f"Stops            {len(walk.stops)}{_of_closed(walk)}",
        f"Plants a stop    {each_words(walk)}",
        f"Plants in all    {walk.plants}  ({plain_words(walk)})",
        f"Precision        {precision_words(walk)}",
        "",
        *textwrap.wrap(zones.sentence, _WIDTH),
        "",
        "Zone  Of plants  "
        + f"{'Area ' + area_unit:>8}  By leaf tips  Collars  Missing  Stops  Plants",
        "----  ---------  --------  ------------  -------  -------  -----  ------",
    ]
    for zone, stops, each in zip(
        zones.zones, allocation.stops, allocation.plants_a_stop, strict=True
    ):
        lines.append(
            f"{zone.letter:<4}  {zone.share:>9.0%}  "
            f"{area_number(zone_area_m2(walk, zone), area_unit):>8}  "
            f"{range_words(walk.stages_of(zone)):<12}  {zone.collars:>7.1f}  "
            f"{zone.missing:>7.0%}  {stops:>5}  {stops * each:>6}"
        )
    if walk.closed:
        plants = sum(stop.plants for stop in walk.closed)
        lines.append(
            f"{'–':<4}  {'–':>9}  {'–':>8}  {OLDER:<12}  {'–':>7}  {'–':>7}  "
            f"{len(walk.closed):>5}  {plants:>6}"
        )
    lines += [
        "",
        *textwrap.wrap(zone_note(walk), _WIDTH),
        "",
        *textwrap.wrap(at_a_stop(walk), _WIDTH),
    ]
    lines += ["", *_stops(walk, area_unit)]
    for note in said_notes(walk):
        lines += ["", *textwrap.wrap(note, _WIDTH)]
    lines += ["", *textwrap.wrap(CAUTION, _WIDTH)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _stops(walk: ZoneWalk, area_unit: str) -> list[str]:
    unit, factor = ("ft", _FEET_A_METRE) if area_unit == "ac" else ("m", 1.0)
    if not walk.flight.located:
        lines = [
            f"Stops in the photo {walk.flight.photos[0]}; count your paces, about 2.5 ft each.",
            "",
            "Done  Stop  Zone  Expect    Plants  Where",
            "----  ----  ----  --------  ------  " + "-" * 44,
        ]
        for s in walk.stops:
            where = (
                s.place.words
                if s.place is not None
                else f"{s.x_m:.0f} m right, {s.y_m:.0f} m up from the photo's middle"
            )
            first, *more = textwrap.wrap(where, 44)
            lines.append(
                f"[  ]  {s.number:>4}  {s.zone or '–':<4}  {range_words(s.stages):<8}  "
                f"{s.plants:>6}  {first}"
            )
            lines += [" " * 36 + rest for rest in more]
        return lines
    lines = [
        f"The walk is {walk.length_m * factor:,.0f} {unit} long in straight lines "
        f"(seed {walk.seed}).",
        "",
        f"Done  Stop  Zone  Expect     Latitude    Longitude  {'Walk ' + unit:>7}  Plants  Notes",
        "----  ----  ----  --------  ---------  -----------  -------  ------  ------",
    ]
    lines += [
        f"[  ]  {s.number:>4}  {s.zone or '–':<4}  {range_words(s.stages):<8}  {s.lat:>9.5f}  "
        f"{s.lon:>11.5f}  {s.from_last_m * factor:>7,.0f}  {s.plants:>6}"
        for s in walk.stops
    ]
    return lines


def flown_words(walk: ZoneWalk) -> str:
    """Day, photos and plants of the flight."""
    flight = walk.flight
    day = "day unknown" if flight.day is None else str(flight.day)
    return f"{day}, {count_of(len(flight.photos), 'photo')}, {len(flight):,} plants seen"


def plain_words(walk: ZoneWalk) -> str:
    """What the plan without a flight asks for."""
    return f"the plan without a flight asks for {_without_flight(walk)}"


def _without_flight(walk: ZoneWalk) -> int:
    """Plants that `plan` asks for; past what anybody walks, as many as independent plants would."""
    allocation = walk.allocation
    try:
        acres = walk.flight.boundary.area_m2 / float(M2_PER["ac"])
        return plan_to_settle(acres, allocation.precision).plants
    except ValueError:
        return allocation.plain_plants


def precision_words(walk: ZoneWalk) -> str:
    """How well the deciding share will be known, and how well it was asked."""
    asked, expected = walk.allocation.precision * 100, walk.allocation.expected * 100
    if expected <= asked + 0.5:
        return f"a share of plants to about +-{asked:.3g} in 100, 95% sure"
    return f"a share of plants to about +-{expected:.0f} in 100, 95% sure; {asked:.3g} were asked"


def zone_note(walk: ZoneWalk) -> str:
    """What the zones mean for the walk."""
    if walk.closed:
        return (
            "Stages are told by leaf tips alone and are only a range: the plants on the ground "
            "decide. Where leaves close over the rows the corn is older than in any zone and "
            f"decides a maximum: begin with {_stops_closed(walk)}, and don't leave zone A out."
        )
    if len(walk.zones) == 1:
        return (
            "Stages are told by leaf tips alone and are only a range. In an even field the flight "
            "saves few plants: the stops are spread as without it."
        )
    return (
        "Stages are told by leaf tips alone and are only a range: the plants on the ground "
        "decide. Zone A is the most advanced and decides a maximum; don't leave it out."
    )


def each_words(walk: ZoneWalk, noun: str = "") -> str:
    """Plants at a stop, such as ``3 plants (5 in zone A)``."""
    first, *others = walk.allocation.plants_a_stop
    usual = others[0] if others else first
    plain = f"{usual} {noun}".rstrip()
    more = [] if usual == first else [f"{first} in zone A"]
    if walk.closed and walk.closed[0].plants != usual:
        more.append(f"{walk.closed[0].plants} where leaves close")
    return f"{plain} ({', '.join(more)})" if more else plain


def closed_words(walk: ZoneWalk) -> str | None:
    """Which stops lie where leaves close over the rows; None without any."""
    return f"{_stops_closed(walk).capitalize()}: leaves closed" if walk.closed else None


def _stops_closed(walk: ZoneWalk) -> str:
    """The stops where leaves close, such as ``stops 1 to 3``: the walk begins with them."""
    count = len(walk.closed)
    return "stop 1" if count == 1 else f"stops 1 {'and' if count == 2 else 'to'} {count}"


def _of_closed(walk: ZoneWalk) -> str:
    count = len(walk.closed)
    return f"  ({count} where leaves close over the rows, first)" if count else ""


def at_a_stop(walk: ZoneWalk) -> str:
    """What to do at each stop."""
    return (
        f"At each stop take {each_words(walk, 'plants')}, every third along the row, "
        "large and small alike: don't pick. One photo a plant, the card beside it."
    )


def zone_area_m2(walk: ZoneWalk, zone: Zone) -> float:
    """Area of a zone, m2: its cells' share of the field, whose edge cells stand out over."""
    cells_m2 = sum(one.area_m2 for one in walk.zones.zones)
    return zone.area_m2 / cells_m2 * walk.flight.boundary.area_m2


def range_words(stages: tuple[int, int] | None) -> str:
    """Such as ``V3 to V5``; `OLDER` where leaves close over the rows."""
    if stages is None:
        return OLDER
    low, high = (stage_name(k) for k in stages)
    return low if low == high else f"{low} to {high}"


def walk_geojson(walk: ZoneWalk, field: str | None = None) -> dict[str, Any]:
    """Give stops and zones as a GeoJSON FeatureCollection (RFC 7946).

    Raises
    ------
    ValueError
        For a flight without a place on the earth.
    """
    if not walk.flight.located:
        raise ValueError("a flight without a place on the earth has no degrees")
    named = {"field": field} if field else {}
    zones = [
        {
            "type": "Feature",
            "geometry": zone_polygon(walk.flight, walk.zones, number),
            "properties": {"name": f"Zone {zone.letter}", **_zone_values(walk, zone), **named},
        }
        for number, zone in enumerate(walk.zones.zones)
    ]
    stops = [
        {
            "type": "Feature",
            "geometry": {
                "type": "Point",
                "coordinates": [round(stop.lon or 0.0, 7), round(stop.lat or 0.0, 7)],
            },
            "properties": {"name": f"Stop {stop.number}", **_stop_values(stop), **named},
        }
        for stop in walk.stops
    ]
    return {
        "type": "FeatureCollection",
        # Members of our own, which the standard allows (RFC 7946, section 6.1).
        "caution": CAUTION,
        "notes": _notes(walk),
        "features": [*stops, *zones],
    }


def walk_record(walk: ZoneWalk, field: str | None = None) -> dict[str, Any]:
    """Give a walk as JSON values."""
    allocation = walk.allocation
    return {
        "field": field,
        "flown": None if walk.flight.day is None else walk.flight.day.isoformat(),
        "days_since": None if walk.flight.day is None else walk.days,
        "photos": len(walk.flight.photos),
        "plants_seen": len(walk.flight),
        "area_m2": round(walk.flight.boundary.area_m2, 1),
        "plants": walk.plants,
        "plants_without_flight": _without_flight(walk),
        "precision": allocation.precision,
        "precision_expected": round(allocation.expected, 4),
        "length_m": round(walk.length_m, 1),
        "seed": walk.seed,
        "zones": [
            {**_zone_values(walk, zone), "stops": stops}
            for zone, stops in zip(walk.zones.zones, allocation.stops, strict=True)
        ],
        "stops": [
            {
                **_stop_values(stop),
                "lat": None if stop.lat is None else round(stop.lat, 7),
                "lon": None if stop.lon is None else round(stop.lon, 7),
                "from_last_m": round(stop.from_last_m, 1),
                "place": None if stop.place is None else stop.place.words,
            }
            for stop in walk.stops
        ],
        "notes": _notes(walk),
        "caution": CAUTION,
    }


def _notes(walk: ZoneWalk) -> list[str]:
    return [walk.zones.sentence, *said_notes(walk)]


def said_notes(walk: ZoneWalk) -> tuple[str, ...]:
    """What is to be said of the flight, and of what has grown since."""
    if walk.days == 0:
        return walk.flight.notes
    return (
        *walk.flight.notes,
        f"Stages are those to expect on the walk's day, {count_of(abs(walk.days), 'day')} "
        f"{'after' if walk.days > 0 else 'before'} the flight: about "
        f"{abs(walk.days) * LEAVES_A_DAY:.1f} leaves {'more' if walk.days > 0 else 'fewer'} than "
        "were seen. Collars of zones are those of the flight.",
    )


def _zone_values(walk: ZoneWalk, zone: Zone) -> dict[str, Any]:
    low, high = walk.stages_of(zone)
    return {
        "zone": zone.letter,
        "share_of_plants": round(zone.share, 4),
        "area_m2": round(zone_area_m2(walk, zone), 1),
        "stage_low": stage_name(low),
        "stage_high": stage_name(high),
        "collars_by_tips": round(zone.collars, 2),
        "tips": round(zone.tips, 2),
        "canopy_mm2": round(zone.canopy_mm2),
        "missing": round(zone.missing, 4),
    }


def _stop_values(stop: ZonedStop) -> dict[str, Any]:
    return {
        "stop": stop.number,
        "zone": stop.zone,
        "plants": stop.plants,
        "closed": stop.zone is None,
        "stage_low": None if stop.stages is None else stage_name(stop.stages[0]),
        "stage_high": None if stop.stages is None else stage_name(stop.stages[1]),
    }
