"""Window: the dates between which a limit opens and closes for a field."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Final

from collarvision.evidence import PlantEvidence
from collarvision.field import summarise
from collarvision.heat import (
    Clamp,
    DateSpan,
    HeatError,
    LeafPace,
    Visit,
    height_reached,
    leaf_pace,
    leaves_reached,
)
from collarvision.leafwords import LeafMeaning, collars_from_leaves
from collarvision.limits import CAUTION
from collarvision.limitsfile import Limit
from collarvision.temperatures import Temperatures

# A single plant's mean has no spread to tell its error from: one leaf, our own choice.
_LONE_ERROR: Final = 1.0


@dataclass(frozen=True)
class Window:
    """When a limit opens and closes.

    Attributes
    ----------
    name : str
    opens, closes : DateSpan or None
        None without such a bound, or when it can't be told; `reasons` says which.
    last_harvest_day : date or None
        Last day that leaves the days before the planned harvest.
    reasons : tuple of str
    caution : str
    """

    name: str
    opens: DateSpan | None
    closes: DateSpan | None
    last_harvest_day: date | None
    reasons: tuple[str, ...] = ()
    caution: str = CAUTION


def visit_of(plants: Sequence[PlantEvidence], day: date) -> Visit:
    """Sum up one visit's plants for the pace of leaves and the growth in height.

    Raises
    ------
    HeatError
        When no plant has an answer.
    """
    stages = [p.best_stage for p in plants if p.decided and p.best_stage is not None]
    if not stages:
        raise HeatError(f"No plant of {day} has an answer yet.")
    mean = sum(stages) / len(stages)
    error = _LONE_ERROR
    if len(stages) > 1:
        variance = sum((s - mean) ** 2 for s in stages) / (len(stages) - 1)
        error = math.sqrt(variance / len(stages))
    heights = summarise(plants).heights
    if heights is None:
        return Visit(day, mean, error)
    # A single height has no spread to tell its error from: a tenth of it, our own choice.
    error_mm = heights.standard_error_mm or heights.mean_mm * 0.1
    # The tallest tenth is fewer plants than all: its error is larger by about the root of ten.
    tallest_error_mm = error_mm * math.sqrt(10)
    return Visit(
        day, mean, error, heights.mean_mm, error_mm, heights.tallest_tenth_mm, tallest_error_mm
    )


def window(
    limit: Limit,
    plants: Sequence[PlantEvidence],
    visits: Sequence[Visit],
    temperatures: Temperatures,
    *,
    planned_harvest: date | None = None,
    clamp: Clamp = "each",
) -> Window:
    """Tell when a limit opens for half of a field, and closes for its most advanced plants.

    Parameters
    ----------
    plants : sequence of PlantEvidence
        Of the last visit: they tell how far the most advanced are ahead of the mean.
    visits : sequence of Visit
        Made with `visit_of`, the last one of these plants.
    temperatures : Temperatures
        From the first visit to well beyond the last.
    """
    reasons: list[str] = []
    try:
        pace = leaf_pace(visits, temperatures, clamp)
    except HeatError as error:
        return Window(limit.name, None, None, None, (str(error),))
    if pace.visits == 1:
        reasons.append("One visit: the pace is the published range alone. A second narrows it.")
    lead = _lead(plants, limit.share_past)
    last_leaves = None if limit.highest.leaves is None else limit.highest.leaves + 1
    opens = _span(
        _by_leaves(pace, limit.lowest.leaves, limit.leaf, temperatures, 0.0, clamp, reasons),
        _by_height(visits, limit.lowest.height_mm, False, temperatures, clamp, reasons),
        first=limit.lowest_when == "either",
    )
    closes = _span(
        _by_leaves(pace, last_leaves, limit.leaf, temperatures, lead, clamp, reasons),
        _by_height(visits, limit.highest.height_mm, True, temperatures, clamp, reasons),
        first=limit.highest_when == "whichever first",
    )
    harvest = None
    if planned_harvest is not None and limit.days_before_harvest is not None:
        harvest = planned_harvest - timedelta(days=limit.days_before_harvest)
    return Window(limit.name, opens, closes, harvest, tuple(dict.fromkeys(reasons)))


def _lead(plants: Sequence[PlantEvidence], share_past: float) -> float:
    """Leaves by which the plant that closes the limit is ahead of the mean."""
    stages = sorted(
        (p.best_stage for p in plants if p.decided and p.best_stage is not None), reverse=True
    )
    if not stages:
        return 0.0
    allowed = min(int(share_past * len(stages)), len(stages) - 1)
    return stages[allowed] - sum(stages) / len(stages)


def _by_leaves(
    pace: LeafPace,
    leaves: int | None,
    meaning: LeafMeaning | None,
    temperatures: Temperatures,
    lead: float,
    clamp: Clamp,
    reasons: list[str],
) -> DateSpan | None:
    """Dates of a leaf count by the label's meaning."""
    if leaves is None:
        return None
    collars = collars_from_leaves(leaves, meaning or "collars")
    try:
        first, last = (
            leaves_reached(pace, target, temperatures, lead=lead, clamp=clamp)
            for target in (collars.low, collars.high)
        )
    except HeatError as error:
        reasons.append(str(error))
        return None
    # Where leaves aren't collars, either end of the conversion may be true.
    return replace(first, late=last.late)


def _by_height(
    visits: Sequence[Visit],
    height_mm: float | None,
    tallest: bool,
    temperatures: Temperatures,
    clamp: Clamp,
    reasons: list[str],
) -> DateSpan | None:
    if height_mm is None:
        return None
    try:
        return height_reached(visits, height_mm, temperatures, tallest=tallest, clamp=clamp)
    except HeatError as error:
        reasons.append(f"By height nothing is foretold: {error}")
        return None


def mix_window(name: str, members: Sequence[Window]) -> Window:
    """Window of a tank mix: it opens with its last member and closes with its first.

    What can't be told of a member can't be told of the mix: its reasons come along.
    """
    opens = closes = harvest = None
    reasons: list[str] = []
    for member in members:
        reasons += [f"{member.name}: {reason}" for reason in member.reasons]
        if member.reasons and member.closes is None:
            reasons.append(f"{name} may close earlier than its other members say.")
        opens = _span(opens, member.opens, first=False)
        closes = _span(closes, member.closes, first=True)
        last = member.last_harvest_day
        harvest = last if harvest is None or (last is not None and last < harvest) else harvest
    return Window(name, opens, closes, harvest, tuple(dict.fromkeys(reasons)))


def _span(a: DateSpan | None, b: DateSpan | None, *, first: bool) -> DateSpan | None:
    """The earlier of two spans, or the later."""
    if a is None or b is None:
        return a or b
    choose: Callable[..., date] = min if first else max

    def one(x: date | None, y: date | None) -> date | None:
        chosen = choose(x or date.max, y or date.max)
        return None if chosen == date.max else chosen

    return DateSpan(
        one(a.early, b.early),
        one(a.middle, b.middle),
        one(a.late, b.late),
        min(a.horizon, b.horizon),
    )
