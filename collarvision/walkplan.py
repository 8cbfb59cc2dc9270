"""Walk plan: where to stop in a field, in which order, and a page of it to take along."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from collarvision.boundary import Boundary
from collarvision.sampling import LEVEL, MOST_STOPS, SamplePlan
from collarvision.units import M2_PER, area_words, metres_words

HEADLAND_M: Final = 10.0
_CANDIDATES: Final = 3000
_ROUNDS: Final = 25
_DRAWS: Final = 30
_MOST_BEGINS: Final = 25  # first stops that are tried where no start is given
_FEET_A_METRE: Final = 1000 / 304.8


class WalkPlanError(ValueError):
    """No walk can be planned; `str` is one sentence that says what to change."""


@dataclass(frozen=True)
class WalkStop:
    """A stop: its number in walking order, degrees, and metres from the one before (or start)."""

    number: int
    lat: float
    lon: float
    from_last_m: float


@dataclass(frozen=True)
class Walk:
    """Stops in walking order, and the straight-line length in metres."""

    stops: tuple[WalkStop, ...]
    length_m: float


def plan_walk(
    boundary: Boundary,
    stops: int,
    *,
    seed: int = 0,
    headland_m: float = HEADLAND_M,
    start: tuple[float, float] | None = None,
) -> Walk:
    """Choose random but spread stops inside a field and put them in a short walking order.

    The field without its headlands is cut into as many compact parts as there are stops (k-means
    over a random cover of points), and one stop is drawn at random in each part; of thirty such
    draws the most spread is taken. No corner is left out, and no place is chosen by hand.

    Parameters
    ----------
    boundary : Boundary
    stops : int
    seed : int
        The same seed gives the same stops.
    headland_m : float
        Nearest that a stop may come to an edge.
    start : (float, float), optional
        Latitude and longitude that the walk begins at, such as the gate.

    Raises
    ------
    WalkPlanError
        When nothing of the field is left inside the headlands.
    """
    random = np.random.default_rng(seed)
    cover = random_cover(boundary, headland_m, random)
    if len(cover) < stops:
        raise WalkPlanError(
            f"Nothing of the field is left {metres_words(headland_m)} inside its edges: "
            "give a smaller --headland."
        )
    points = one_a_part(compact_parts(cover, stops, random), random)
    first = None if start is None else np.array(boundary.metres(*start))
    order = walking_order(points, first)
    placed: list[WalkStop] = []
    before = first
    for number, index in enumerate(order, start=1):
        gap = 0.0 if before is None else float(np.linalg.norm(points[index] - before))
        lat, lon = boundary.degrees(*points[index])
        placed.append(WalkStop(number, lat, lon, gap))
        before = points[index]
    return Walk(tuple(placed), sum(stop.from_last_m for stop in placed))


def random_cover(boundary: Boundary, headland_m: float, random: np.random.Generator) -> np.ndarray:
    """Give random points evenly over the field without its headlands, (n, 2) metres."""
    # Each part has a box of its own: one around parts far apart would be nearly all outside.
    low = np.array([np.concatenate(rings).min(axis=0) for rings in boundary.polygons_m])
    high = np.array([np.concatenate(rings).max(axis=0) for rings in boundary.polygons_m])
    area = (high - low).prod(axis=1)
    kept: list[np.ndarray] = []
    found = 0
    for _ in range(20):  # a thin field fills little of its box
        own = np.zeros(_CANDIDATES, int)
        if len(area) > 1:
            own = random.choice(len(area), _CANDIDATES, p=area / area.sum())
        points = random.uniform(low[own], high[own])
        points = points[boundary.inside(points)]
        if len(area) > 1:  # a place under several boxes was drawn for each of them
            boxes = ((points[:, None] >= low) & (points[:, None] <= high)).all(axis=2).sum(axis=1)
            points = points[random.random(len(points)) < 1 / boxes]
        points = points[boundary.edge_distance(points) >= headland_m]
        kept.append(points)
        found += len(points)
        if found >= _CANDIDATES:
            break
    return np.concatenate(kept)[:_CANDIDATES]


def compact_parts(cover: np.ndarray, parts: int, random: np.random.Generator) -> list[np.ndarray]:
    """Cut a cover of points into as many compact parts, each (n, 2), none empty.

    Raises
    ------
    WalkPlanError
        When the cover has fewer places than that.
    """
    if len(np.unique(cover, axis=0)) < parts:
        raise WalkPlanError(
            f"A part of the field is too small for its {parts} stops: ask for fewer stops."
        )
    # Far-apart first middles (k-means++), so that no part stays empty.
    middles = [cover[random.integers(len(cover))]]
    while len(middles) < parts:
        gap2 = ((cover[:, None] - np.array(middles)) ** 2).sum(axis=2).min(axis=1)
        middles.append(cover[random.choice(len(cover), p=gap2 / gap2.sum())])
    part = _nearest_middle(cover, np.array(middles))
    for _ in range(_ROUNDS):
        centres = np.array([cover[part == k].mean(axis=0) for k in range(parts)])
        moved = _nearest_middle(cover, centres)
        if np.bincount(moved, minlength=parts).min() == 0:
            break  # rounder parts would leave one without a place
        part = moved
    return [cover[part == k] for k in range(parts)]


def _nearest_middle(cover: np.ndarray, centres: np.ndarray) -> np.ndarray:
    nearest: np.ndarray = ((cover[:, None] - centres) ** 2).sum(axis=2).argmin(axis=1)
    return nearest


def one_a_part(parts: Sequence[np.ndarray], random: np.random.Generator) -> np.ndarray:
    """Draw one point of each part, (parts, 2).

    Stops of neighbouring parts may fall side by side: of some draws the most spread is taken.
    """
    draws = [np.array([random.choice(part) for part in parts]) for _ in range(_DRAWS)]
    return max(draws, key=_nearest_pair)


def _nearest_pair(points: np.ndarray) -> float:
    gaps = np.linalg.norm(points[:, None] - points, axis=2)
    return float(gaps[np.triu_indices(len(points), 1)].min(initial=np.inf))


def walking_order(points: np.ndarray, start: np.ndarray | None = None) -> list[int]:
    """Order (n, 2) points into a short open walk: nearest neighbour, then 2-opt.

    Without a start every point is tried as the first one, and of many points the outermost.
    """
    gaps = _gaps(points, start)
    begins = [len(points)]
    if start is None:
        out = np.linalg.norm(points - points.mean(axis=0), axis=1)
        begins = sorted(np.argsort(-out, kind="stable")[:_MOST_BEGINS].tolist())
    walks = [_two_opt(gaps, _nearest(gaps, len(points), begin)) for begin in begins]
    return min(walks, key=lambda order: walk_length(points, order, start))


def walk_length(points: np.ndarray, order: list[int], start: np.ndarray | None = None) -> float:
    """Straight-line length of a walk, from the start where there is one."""
    path = points[order]
    if start is not None:
        path = np.vstack([start, path])
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())


def _gaps(points: np.ndarray, start: np.ndarray | None) -> list[list[float]]:
    """Metres between points; last those of the start, which are 0 where a walk may begin anywhere.

    Lists: single numbers come out of them several times as fast as out of an array.
    """
    between = np.linalg.norm(points[:, None] - points, axis=2)
    begin = np.zeros(len(points)) if start is None else np.linalg.norm(points - start, axis=1)
    found: list[list[float]] = np.vstack([between, begin]).tolist()
    return found


def _nearest(gaps: list[list[float]], points: int, begin: int) -> list[int]:
    order = [begin] if begin < points else []
    left = set(range(points)) - set(order)
    here = begin
    while left:
        here = min(left, key=gaps[here].__getitem__)
        order.append(here)
        left.discard(here)
    return order


def _two_opt(gaps: list[list[float]], order: list[int]) -> list[int]:
    """Turn parts of a walk round while that makes it shorter.

    Only the two steps at a part's ends change their length: a trial costs the same in any walk.
    """
    improved = True
    while improved:
        improved = False
        for i in range(len(order) - 1):
            before = gaps[order[i - 1] if i else -1]
            for j in range(i + 1, len(order)):
                first, last = order[i], order[j]
                gain = before[first] - before[last]
                if j + 1 < len(order):
                    gain += gaps[last][order[j + 1]] - gaps[first][order[j + 1]]
                if gain > 1e-9:
                    order[i : j + 1] = order[i : j + 1][::-1]
                    improved = True
    return order


def write_plan(
    plan: SamplePlan,
    walk: Walk | None = None,
    *,
    field: str | None = None,
    area_unit: str = "ac",
    seed: int = 0,
) -> str:
    """Give a plan as a page of text, under 80 columns, to print and tick off."""
    in_acres = area_unit == "ac"
    area = area_words(plan.acres * float(M2_PER["ac"]), area_unit)
    lines = [
        f"Walking plan{': ' + field if field else ''}",
        "",
        f"Field            {area}",
        f"Stops            {plan.stops}{_why_so_many(plan)}",
        f"Plants a stop    {plan.plants_a_stop}",
        f"Plants in all    {plan.plants}  "
        f"({plan.plants_needed} are needed, were each from a place of its own)",
        f"Precision        a share of plants to +-{plan.precision * 100:.3g} in 100, "
        f"{LEVEL:.0%} sure",
        *_if_alike(plan),
        "",
        "At each stop take every third plant along the row, large and small alike: don't",
        "pick. One photo a plant, the card beside it.",
        "",
    ]
    if walk is None:
        lines += [
            "Spread the stops over the whole field, away from edges and headlands. With",
            "--boundary field.geojson the stops are chosen for you, with a walking order.",
            "",
            "Done  Stop  Plants  Notes",
            "----  ----  ------  " + "-" * 40,
        ]
        lines += [f"[  ]  {k:>4}  {plan.plants_a_stop:>6}" for k in range(1, plan.stops + 1)]
    else:
        unit, factor = ("ft", _FEET_A_METRE) if in_acres else ("m", 1.0)
        walked = f"{walk.length_m * factor:,.0f} {unit}"
        lines += [
            f"The walk is {walked} long in straight lines (seed {seed}).",
            "",
            f"Done  Stop   Latitude    Longitude  {'Walk ' + unit:>8}  Plants  Notes",
            "----  ----  ---------  -----------  --------  ------  " + "-" * 22,
        ]
        lines += [
            f"[  ]  {s.number:>4}  {s.lat:>9.5f}  {s.lon:>11.5f}  "
            f"{s.from_last_m * factor:>8,.0f}  {plan.plants_a_stop:>6}"
            for s in walk.stops
        ]
    if plan.fewest_stops == MOST_STOPS:
        lines += ["", "15 stops are the most: walk a larger field as several, each for itself."]
    lines += [
        "",
        "Before you spray: the label is the law;",
        "local rules and licensed practice decide.",
    ]
    return "\n".join(lines) + "\n"


def _why_so_many(plan: SamplePlan) -> str:
    if plan.fewest_stops < plan.stops:
        return f"  ({plan.fewest_stops} by its size; more, as plants of one stop are alike)"
    return "" if plan.published else "  (beyond 50 acres: our own rule)"


def _if_alike(plan: SamplePlan) -> list[str]:
    """What the walk gives where plants of one stop are more alike than those of the field."""
    if plan.precision_alike is None or plan.precision_alike <= plan.precision:
        return []
    return [
        f"                 (about +-{plan.precision_alike * 100:.0f} in a patchy field: then "
        "`field` asks for more)",
    ]


def plan_geojson(plan: SamplePlan, walk: Walk, field: str | None = None) -> dict[str, Any]:
    """Give a walk's stops as a GeoJSON FeatureCollection (RFC 7946) for a phone's map."""
    return {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "geometry": {
                    "type": "Point",
                    "coordinates": [round(stop.lon, 7), round(stop.lat, 7)],
                },
                "properties": {
                    "name": f"Stop {stop.number}",
                    "stop": stop.number,
                    "plants": plan.plants_a_stop,
                    **({"field": field} if field else {}),
                },
            }
            for stop in walk.stops
        ],
    }
