"""Correction: what plants counted on the ground make of the ranges from above.

The ground is the authority: a flight only says how the places nobody walked to compare with those
that somebody did. What a flight made likely is the prior, the plants at the stops are the data, and
Bayes' rule in `collarvision.walk.growth` gives each zone's stages afterwards. Limits are judged on
the plants of the ground alone; nothing here changes that.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np

from collarvision.evidence import PlantEvidence, beliefs
from collarvision.limitwords import plants_of
from collarvision.sampling import FEWEST_PLANTS
from collarvision.walk.allocation import FEWEST_AHEAD, expected_half_width
from collarvision.walk.closed import unwalked
from collarvision.walk.flight import Flight, FlightError, age_words, far_words
from collarvision.walk.growth import Draws, GroundStop, Prior, draw, prior_of
from collarvision.walk.spans import (
    StageSpan,
    ZoneShare,
    at_each,
    ground_span,
    half_rule_of,
    half_width_of,
    probability_of,
    seen_span,
    shares_of,
)
from collarvision.walk.zones import Zone, Zones

OUTSIDE_M: Final = 30.0
"""A phone's place may be that far off."""

_STRANGE: Final = 2.5  # shifts by that many standard errors are asked about
_SEEN: Final = 0.05  # share of a zone that is worth a word on its most advanced plants


@dataclass(frozen=True)
class Ground:
    """A plant on the ground and where it was photographed or counted."""

    evidence: PlantEvidence
    gps: tuple[float, float] | None


@dataclass(frozen=True)
class ZoneAnswer:
    """A zone before and after the walk.

    Attributes
    ----------
    zone : Zone
    before, after : StageSpan
        From above alone; corrected by the ground.
    stage : int
        Highest that at least half of its plants have reached, corrected.
    shares : tuple of ZoneShare
        Corrected, for stages where the share isn't almost nothing or all.
    advanced : int
        Highest stage that at least 1 in 20 plants has reached, corrected.
    plants, stops : int
        Counted on the ground in it.
    counts : dict of int to int
        Stage to number of plants among them.
    """

    zone: Zone
    before: StageSpan
    after: StageSpan
    stage: int
    shares: tuple[ZoneShare, ...]
    advanced: int
    plants: int
    stops: int
    counts: dict[int, int]


@dataclass(frozen=True)
class ZonedField:
    """A field flown and walked.

    Attributes
    ----------
    flown : date or None
    plants_seen : int
        From above.
    zones : tuple of ZoneAnswer
        The most advanced first, by the view from above.
    before, after : StageSpan
        Of the whole field.
    stage : int
        Highest that at least half of the field's plants have reached, all zones by their size.
    probability : float
        That it is `stage`.
    shares : tuple of ZoneShare
        Of the whole field.
    precision : float
        Half-width that was asked for.
    half_width : float
        Of the interval of the worse known of the two shares that decide the stage.
    enough : bool
        Never while a place with closed leaves, older than any zone, has no plants.
    more : int
        Plants still to be counted for the precision asked for.
    more_in : str or None
        Letter of the zone where they tell most.
    shift : (float, float, float)
        Leaves that plants are ahead (or behind) of what the flight made likely: low, middle, high.
    plants, stops : int
        Counted on the ground with a place.
    notes : tuple of str
    unwalked : tuple of (float, float)
        Latitude and longitude of places where leaves close over the rows and nobody counted.
    positions : tuple of (name, letter)
        Zone of each stop, or plant without a stop.
    layout : Zones
        For the map.
    flight : Flight
    """

    flown: date | None
    plants_seen: int
    zones: tuple[ZoneAnswer, ...]
    before: StageSpan
    after: StageSpan
    stage: int
    probability: float
    shares: tuple[ZoneShare, ...]
    precision: float
    half_width: float
    enough: bool
    more: int
    more_in: str | None
    shift: tuple[float, float, float]
    plants: int
    stops: int
    notes: tuple[str, ...]
    unwalked: tuple[tuple[float, float], ...]
    positions: tuple[tuple[str, str], ...]
    layout: Zones
    flight: Flight


def correct(
    flight: Flight,
    zones: Zones,
    ground: Sequence[Ground],
    *,
    visit: date | None = None,
    precision: float = 0.15,
    draws: int = 2000,
) -> ZonedField:
    """Correct a flight's ranges by the plants of a visit.

    Parameters
    ----------
    flight : Flight
    zones : Zones
        Of the same flight.
    ground : sequence of Ground
        Plants without an answer, or without a place, are left out, and that is said.
    visit : date, optional
        Day of the walk.
    precision : float
        Half-width of the 95 % interval of the deciding shares that is enough.

    Raises
    ------
    FlightError
        When flight and visit are too far apart, in days or on the ground, or the flight has no
        place on the earth.
    """
    if not flight.located:
        raise FlightError(
            "The flight has no place on the earth, so plants on the ground can't be told to its "
            "zones: give photos with GPS or an orthomosaic."
        )
    old = age_words(flight, visit)
    if old is not None:
        raise FlightError(old)
    _check_walked(flight, [one.gps for one in ground if one.gps is not None])
    days = 0 if flight.day is None or visit is None else (visit - flight.day).days
    prior = prior_of(zones, days)
    notes = list(flight.notes)
    placed, places = _placed(flight, zones, ground, notes)
    stops = [stop for stop, _, _ in places]
    found = draw(prior, stops, draws)
    shares = shares_of(found.shares)
    stage = half_rule_of(found.shares)
    wide = half_width_of(found.shares, stage)
    plants = len(placed)
    closed = unwalked(flight.closed_m, [middle for _, _, middle in places], OUTSIDE_M)
    enough = (
        wide <= precision
        and plants >= FEWEST_PLANTS
        and any(s.zone == 0 for s in stops)
        and not closed
    )
    notes += _strange(prior, found, stops, flight, visit)
    counts = [
        [p.best_stage for k, p in placed if k == n and p.best_stage is not None]
        for n in range(len(zones))
    ]
    answers = tuple(
        _zone_answer(zone, found.zone_shares[n], counts[n], sum(s.zone == n for s in stops))
        for n, zone in enumerate(zones.zones)
    )
    unseen = [one.zone.letter for one in answers if not one.plants and len(answers) > 1]
    if unseen and plants:
        notes.append(
            f"No plant was counted in zone {', '.join(unseen)}: what is said of it rests on the "
            "flight and the other zones."
        )
    if flight.closed_m and plants:
        notes.append(
            "Zones take the ground under closed leaves for like the photos around it: more of the "
            "field is further on than their shares say."
        )
    low, middle, high = (float(v) for v in np.quantile(found.shift, [0.025, 0.5, 0.975]))
    return ZonedField(
        flown=flight.day,
        plants_seen=len(flight),
        zones=answers,
        before=seen_span(
            np.average([z.stages for z in zones.zones], axis=0, weights=prior.zone_share)
        ),
        after=ground_span(at_each(found.shares)),
        stage=stage,
        probability=probability_of(found.shares, stage),
        shares=shares,
        precision=precision,
        half_width=wide,
        enough=enough,
        more=0
        if enough
        else max(_more(prior, stops, plants, wide, precision), FEWEST_AHEAD * len(closed)),
        more_in=None if enough else _worst(prior, found, stops, stage, zones),
        shift=(low, middle, high),
        plants=plants,
        stops=len(stops),
        notes=tuple(notes),
        unwalked=tuple(flight.boundary.degrees(*place[0]) for place in closed),
        positions=tuple((name, zones.zones[stop.zone].letter) for stop, name, _ in places),
        layout=zones,
        flight=flight,
    )


def _check_walked(flight: Flight, places: Sequence[tuple[float, float]]) -> None:
    """Refuse a flight where nobody walked: its zones would send a scout to another field.

    Raises
    ------
    FlightError
        When each of the plants' places (latitude, longitude) lies outside.
    """
    outside = [flight.boundary.outside_m(*place) for place in places]
    if not outside or min(outside) <= OUTSIDE_M:
        return
    which = "the one plant" if len(outside) == 1 else f"the nearest of {len(outside)} plants"
    where = "the field's outline" if flight.outlined else "what was flown over"
    raise FlightError(
        f"The visit's plants aren't where the flight was: {which} with a place lies "
        f"{far_words(min(outside))} outside {where}. Give the flight of this field"
        + (", or check the outline." if flight.outlined else ".")
    )


def _placed(
    flight: Flight, zones: Zones, ground: Sequence[Ground], notes: list[str]
) -> tuple[list[tuple[int, PlantEvidence]], list[tuple[GroundStop, str, np.ndarray]]]:
    """Plants with their zones, and stops with their plants; what is left out goes to the notes."""
    decided = [one for one in ground if one.evidence.decided]
    nowhere = sum(one.gps is None for one in decided)
    if nowhere:
        notes.append(_left_out(nowhere, "without a place") + ".")
    groups: dict[str, list[Ground]] = {}
    outside = 0
    for one in decided:
        if one.gps is None:
            continue
        if flight.boundary.outside_m(*one.gps) > OUTSIDE_M:
            outside += 1
            continue
        # A plant without a stop stands for itself.
        stop = one.evidence.stop
        groups.setdefault(one.evidence.name if stop is None else f"stop {stop}", []).append(one)
    if outside:
        notes.append(
            _left_out(outside, "outside the field") + ": check their place, or the outline."
        )
    plants: list[tuple[int, PlantEvidence]] = []
    places: list[tuple[GroundStop, str, np.ndarray]] = []
    for name, group in groups.items():
        spots = [flight.boundary.metres(*one.gps) for one in group if one.gps is not None]
        middle = np.mean(spots, axis=0)
        zone = int(zones.at(middle[None])[0])
        belief = np.array([beliefs(one.evidence) for one in group])
        seen = float(zones.cells.collars[zones.cells.at(middle[None])[0]])
        places.append((GroundStop(zone, seen, belief), name, middle))
        plants += [(zone, one.evidence) for one in group]
    return plants, places


def _zone_answer(zone: Zone, shares: np.ndarray, counts: list[int], stops: int) -> ZoneAnswer:
    return ZoneAnswer(
        zone=zone,
        before=seen_span(np.array(zone.stages)),
        after=ground_span(at_each(shares)),
        stage=half_rule_of(shares),
        shares=shares_of(shares),
        advanced=int((shares.mean(axis=0) >= _SEEN).sum()) - 1,
        plants=len(counts),
        stops=stops,
        counts=dict(sorted(Counter(counts).items())),
    )


def _more(
    prior: Prior, stops: Sequence[GroundStop], plants: int, wide: float, precision: float
) -> int:
    """Plants still needed, if those to come are spread as those so far."""
    lacking = max(FEWEST_PLANTS - plants, 1)
    if plants == 0:
        zones = len(prior.bins)
        each = 1
        while each < 20 and expected_half_width(prior, (2,) * zones, (each,) * zones) > precision:
            each += 1
        return max(2 * zones * each, FEWEST_PLANTS)
    return max(lacking, math.ceil(plants * ((wide / precision) ** 2 - 1)))


def _worst(
    prior: Prior, found: Draws, stops: Sequence[GroundStop], stage: int, zones: Zones
) -> str:
    """Zone in which more plants tell most: the most advanced if nobody has been there."""
    if not any(stop.zone == 0 for stop in stops):
        return zones.zones[0].letter
    doubt = found.zone_shares[:, :, stage : stage + 2].std(axis=1).max(axis=1)
    return zones.zones[int((doubt * prior.zone_share).argmax())].letter


def _strange(
    prior: Prior, found: Draws, stops: Sequence[GroundStop], flight: Flight, visit: date | None
) -> list[str]:
    """Say it when the ground is further from the flight than both can be of one field."""
    if not stops:
        return []
    off = float(np.median(found.shift)) - prior.shift
    if abs(off) <= _STRANGE * prior.shift_sd:
        return []
    word = "ahead of" if off > 0 else "behind"
    days = "" if visit is None or flight.day is None else f" of {flight.day}"
    return [
        f"The plants on the ground are {abs(off):.1f} leaves {word} what the flight{days} makes "
        "likely: check that flight, visit and field belong together."
    ]


def _left_out(number: int, why: str) -> str:
    """Beginning of a sentence on plants that no zone has."""
    return f"{plants_of(number)} {why} {'is' if number == 1 else 'are'} left out of the zones"
