"""Stops: where to walk in a field that was flown over, in walking order.

Each zone is cut into as many compact parts as it has stops, and one stop is drawn at random in each
(`collarvision.walkplan`), among places that were seen from above where there are enough. Where
leaves close over the rows nothing could be told, and the oldest corn stands there: each such place
is a stop beside those, and the walk begins with them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from collarvision.units import metres_words
from collarvision.walk.allocation import FEWEST_AHEAD, Allocation, allocate
from collarvision.walk.flight import HULL_M, Flight
from collarvision.walk.growth import grown, prior_of
from collarvision.walk.rowplaces import RowPlace, row_places
from collarvision.walk.zones import Zone, Zones, range_seen
from collarvision.walkplan import (
    HEADLAND_M,
    WalkPlanError,
    compact_parts,
    one_a_part,
    random_cover,
    walk_length,
    walking_order,
)

_FEWEST_SPOTS: Final = 4  # places of the cover a stop must have to choose from


@dataclass(frozen=True)
class ZonedStop:
    """A stop.

    Attributes
    ----------
    number : int
        In walking order.
    zone : str or None
        Letter of its zone; None where leaves close over the rows, older than any zone.
    x_m, y_m : float
        On the flight's plane.
    lat, lon : float or None
        None for a flight without a place.
    plants : int
        To photograph there.
    from_last_m : float
        From the stop before, or from the start.
    stages : (int, int) or None
        Range that 90 in 100 of the plants around it should lie in on the day of the walk, by their
        tips; None where leaves close.
    place : RowPlace or None
        For a flight without a place.
    """

    number: int
    zone: str | None
    x_m: float
    y_m: float
    lat: float | None
    lon: float | None
    plants: int
    from_last_m: float
    stages: tuple[int, int] | None
    place: RowPlace | None = None


@dataclass(frozen=True, eq=False)
class ZoneWalk:
    """A walk: its stops in order, its straight-line length, and what it is for.

    `days` is how long it is after the flight.
    """

    flight: Flight
    zones: Zones
    allocation: Allocation
    stops: tuple[ZonedStop, ...]
    length_m: float
    seed: int
    days: int = 0

    @property
    def plants(self) -> int:
        """In all."""
        return sum(stop.plants for stop in self.stops)

    @property
    def closed(self) -> tuple[ZonedStop, ...]:
        """Stops where leaves close over the rows, which come first."""
        return tuple(stop for stop in self.stops if stop.zone is None)

    def zone_of(self, stop: ZonedStop) -> int | None:
        """Index of a stop's zone; None where leaves close."""
        return next((k for k, one in enumerate(self.zones.zones) if one.letter == stop.zone), None)

    def stages_of(self, zone: Zone) -> tuple[int, int]:
        """Range that 90 in 100 of a zone's plants should lie in on the day of the walk."""
        return range_seen(grown(zone.stages, self.days))


def plan_zone_walk(
    flight: Flight,
    zones: Zones,
    *,
    precision: float = 0.15,
    stops: int | None = None,
    days: int = 0,
    seed: int = 0,
    headland_m: float = HEADLAND_M,
    start: tuple[float, float] | None = None,
) -> ZoneWalk:
    """Choose stops over a field's zones and put them in a short walking order.

    Parameters
    ----------
    flight : Flight
    zones : Zones
        Of the same flight.
    precision : float
        Half-width of the interval of the shares that decide the field's stage.
    stops : int, optional
        As many stops in the zones; else what the area and the zones ask for.
    days : int
        From flight to walk.
    seed : int
        The same seed gives the same stops.
    headland_m : float
        Nearest that a stop may come to the field's edge; not used without an outline or a place.
    start : (float, float), optional
        Latitude and longitude that the walk begins at.

    Raises
    ------
    WalkPlanError
        When nothing of the field is left inside the headlands.
    ValueError
        When precision or stops make no sense; a sentence says what to give.
    """
    random = np.random.default_rng(seed)
    allocation = allocate(prior_of(zones, days), flight.boundary.area_m2, precision, stops)
    off = headland_m if flight.outlined else HULL_M
    cover = random_cover(flight.boundary, off, random)
    if len(cover) == 0:
        raise WalkPlanError(
            f"Nothing of the field is left {metres_words(off)} inside its edges: "
            "give a smaller --headland."
        )
    parts = [
        part
        for number, count in enumerate(allocation.stops)
        for part in compact_parts(_spots(zones, cover, number, count), count, random)
    ]
    points = one_a_part(parts, random)
    zone = np.repeat(np.arange(len(zones)), allocation.stops)
    first = None if start is None else np.array(flight.boundary.metres(*start))
    closed = np.array([place[0] for place in flight.closed_m]).reshape(-1, 2)
    ahead = walking_order(closed, first) if len(closed) else []
    after = closed[ahead[-1]] if ahead else first
    order = [*ahead, *(len(closed) + k for k in walking_order(points, after))]
    points = np.concatenate([closed, points])
    placed: list[ZonedStop] = []
    tell = None if flight.located else row_places(flight)
    before = first
    for number, index in enumerate(order, start=1):
        x, y = (float(v) for v in points[index])
        gap = 0.0 if before is None else float(np.linalg.norm(points[index] - before))
        before = points[index]
        lat, lon = flight.boundary.degrees(x, y) if flight.located else (None, None)
        cell = int(zones.cells.at(points[index][None])[0])
        own = None if index < len(closed) else int(zone[index - len(closed)])
        placed.append(
            ZonedStop(
                number=number,
                zone=None if own is None else zones.zones[own].letter,
                x_m=x,
                y_m=y,
                lat=lat,
                lon=lon,
                plants=FEWEST_AHEAD if own is None else allocation.plants_a_stop[own],
                from_last_m=gap,
                stages=None if own is None else range_seen(grown(zones.cells.stages[cell], days)),
                place=None if tell is None else tell(x, y),
            )
        )
    return ZoneWalk(
        flight, zones, allocation, tuple(placed), walk_length(points, order, first), seed, days
    )


def _spots(zones: Zones, cover: np.ndarray, number: int, count: int) -> np.ndarray:
    """Places of a zone to choose from, (n, 2): seen ones, off its border, where there are some."""
    cells = zones.cells
    cell = cells.at(cover)
    own = zones.zone[cell] == number
    inner = _inner(zones)[cell]
    for wanted in (own & inner & cells.seen[cell], own & cells.seen[cell], own & inner, own):
        spots = np.unique(cover[wanted], axis=0)
        if len(spots) >= _FEWEST_SPOTS * count:
            return spots
    # A zone within the headlands, or hardly more: its own cells, the furthest inside first.
    middles = cells.points_m[zones.zone == number]
    return np.concatenate([cover[own], middles]) if own.any() else middles


def _inner(zones: Zones) -> np.ndarray:
    """Cells that don't touch another zone, (c,): near a border a stop may be in either."""
    pairs = zones.cells.neighbours()
    touching = pairs[zones.zone[pairs[:, 0]] != zones.zone[pairs[:, 1]]]
    inner = np.ones(len(zones.cells), bool)
    inner[touching.ravel()] = False
    return inner
