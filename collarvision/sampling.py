"""Sampling: how many plants, at how many stops, and whether those seen are enough.

Plants are taken as drawn at random and independent. Plants of one stop are more alike than that,
so the same number of plants is worth more when it is spread over more stops: a walk that reckons
with it is planned by `collarvision.enoughplan`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final, Literal

LEVEL: Final = 0.95
"""Share of intervals that hold the truth, in every answer."""

Z: Final = NormalDist().inv_cdf(0.5 + LEVEL / 2)
"""The two-sided normal quantile, 1.96."""

# Stops by acres: North Carolina State Univ., stand counts. Beyond 50 acres it is our own rule: two
# more stops for each further 25 acres begun, up to 15.
STOPS_TO_ACRES: Final = ((15.0, 3), (30.0, 5), (50.0, 7))
FURTHER_ACRES: Final = 25.0
MOST_STOPS: Final = 15

# "10 random plants, fewer when emergence is even": North Dakota State Univ., 2007.
FEWEST_PLANTS: Final = 10


@dataclass(frozen=True)
class SamplePlan:
    """How much to walk for.

    Attributes
    ----------
    acres : float
    precision : float
        Half-width of the interval for a share of plants, 0.15 for plus or minus 15 in 100.
    plants_needed : int
    stops, plants_a_stop : int
    published : bool
        Whether the number of stops is a published one, not our own rule beyond 50 acres or one of
        more stops.
    fewest_stops : int
        Stops for a field of that size without regard to how alike plants of a stop are.
    precision_alike : float or None
        Half-width where plants of one stop are as alike as `collarvision.clusters` takes them to
        be before they tell; None where that wasn't asked.
    """

    acres: float
    precision: float
    plants_needed: int
    stops: int
    plants_a_stop: int
    published: bool
    fewest_stops: int
    precision_alike: float | None = None

    @property
    def plants(self) -> int:
        """Plants in all, at least those needed."""
        return self.stops * self.plants_a_stop


def plants_for(precision: float) -> int:
    """Number of plants for any share to be known to plus or minus `precision`.

    n = z^2 p (1 - p) / d^2, rounded up; p = 0.5 asks for the most plants.

    Raises
    ------
    ValueError
        When `precision` isn't between 0 and 0.5.
    """
    if not 0 < precision < 0.5:
        raise ValueError(
            f"The precision must lie between 0 and 0.5, such as 0.15, not {precision:g}."
        )
    return math.ceil(Z**2 * 0.5 * 0.5 / precision**2)


def stops_for(acres: float) -> tuple[int, bool]:
    """Number of stops for a field, and whether that number is published or our own rule."""
    if not (math.isfinite(acres) and acres > 0):
        raise ValueError(f"The area must be above zero, not {acres:.1f} acres.")
    for most_acres, stops in STOPS_TO_ACRES:
        if acres <= most_acres:
            return stops, True
    last_acres, last_stops = STOPS_TO_ACRES[-1]
    further = math.ceil((acres - last_acres) / FURTHER_ACRES)
    return min(last_stops + 2 * further, MOST_STOPS), False


def plan_sample(acres: float, precision: float = 0.15) -> SamplePlan:
    """Plan stops and plants a stop for a field of that many acres.

    Raises
    ------
    ValueError
        When the area or the precision makes no sense; a sentence says what to give.
    """
    needed = max(plants_for(precision), FEWEST_PLANTS)
    stops, published = stops_for(acres)
    each = math.ceil(needed / stops)
    return SamplePlan(acres, precision, needed, stops, each, published, fewest_stops=stops)


def wilson(successes: float, plants: float) -> tuple[float, float]:
    """Wilson's score interval for a share (Wilson 1927; formula from memory).

    Neither number need be whole once a design effect divides them.

    Raises
    ------
    ValueError
        When there are no plants or more successes than plants.
    """
    if not (plants > 0 and 0 <= successes <= plants):
        raise ValueError(f"{successes} of {plants} plants isn't a share")
    share = successes / plants
    centre = share + Z * Z / (2 * plants)
    spread = Z * math.sqrt(share * (1 - share) / plants + Z * Z / (4 * plants * plants))
    scale = 1 + Z * Z / plants
    low, high = (centre - spread) / scale, (centre + spread) / scale
    # The ends are exactly 0 and 1 there; rounding must not take them past.
    return (0.0 if share == 0 else max(low, 0.0)), (1.0 if share == 1 else min(high, 1.0))


@dataclass(frozen=True)
class SequentialTest:
    """Wald's sequential test of a share: stop as soon as the plants seen decide.

    Attributes
    ----------
    low, high : float
        Shares to tell apart: at or under `low`, at or over `high`.
    alpha, beta : float
        Chance to say "high" when it is low, and "low" when it is high.
    """

    low: float = 0.4
    high: float = 0.6
    alpha: float = 0.1
    beta: float = 0.1

    def __post_init__(self) -> None:
        if not 0 < self.low < self.high < 1:
            raise ValueError("the two shares must be in order, between 0 and 1")
        if not (0 < self.alpha < 0.5 and 0 < self.beta < 0.5):
            raise ValueError("alpha and beta must lie between 0 and 0.5")

    @property
    def _weight(self) -> float:
        return math.log(self.high / self.low) + math.log((1 - self.low) / (1 - self.high))

    @property
    def slope(self) -> float:
        """Slope of both boundary lines in plants counted as successes a plant."""
        return math.log((1 - self.low) / (1 - self.high)) / self._weight

    @property
    def upper(self) -> float:
        """Say "high" when successes - slope * plants is at least this."""
        return math.log((1 - self.beta) / self.alpha) / self._weight

    @property
    def lower(self) -> float:
        """Say "low" when successes - slope * plants is at most minus this."""
        return math.log((1 - self.alpha) / self.beta) / self._weight

    def decide(
        self, successes: int, plants: int, effect: float = 1.0
    ) -> Literal["high", "low", "go on"]:
        """Decide from the plants so far, divided by a design effect where there is one.

        Raises
        ------
        ValueError
            When there are more successes than plants.
        """
        if not 0 <= successes <= plants:
            raise ValueError(f"{successes} of {plants} plants isn't a share")
        score = (successes - self.slope * plants) / effect
        if score >= self.upper:
            return "high"
        return "low" if score <= -self.lower else "go on"


@dataclass(frozen=True)
class Enough:
    """Whether the plants seen so far are enough.

    Attributes
    ----------
    enough : bool
    plants : int
        Seen so far.
    more : int
        Plants still to be seen if the share stays as it is; 0 when enough.
    interval : (float, float) or None
        Of the share: Wilson's, unless another is known; None before the first plant.
    sentence : str
    """

    enough: bool
    plants: int
    more: int
    interval: tuple[float, float] | None
    sentence: str


def enough_plants(
    successes: int,
    plants: int,
    precision: float = 0.15,
    *,
    test: SequentialTest | None = None,
    effect: float = 1.0,
    known: tuple[float, float] | None = None,
) -> Enough:
    """Say whether enough plants are in, or how many more.

    Enough is a Wilson interval no wider than plus or minus `precision`, or, with `test`, a decided
    sequential test. Under 10 plants are never enough (North Dakota State Univ. 2007 asks for 10).
    A design effect over 1 divides the plants seen and those still to come. Where the share's
    interval is `known` otherwise, that one is told, and must be no wider either: an answer has one
    interval for a share, and the reading's doubt is in it. A width falls with the root of plants.
    """
    if plants == 0:
        more = max(math.ceil(plants_for(precision) * effect), FEWEST_PLANTS)
        return Enough(False, 0, more, None, f"No plants yet: {more} are to be seen.")
    interval = known or wilson(successes / effect, plants / effect)
    seen = "plant" if plants == 1 else "plants"
    said = f"{successes} of {plants} {seen} ({interval[0]:.0%} to {interval[1]:.0%} of the field)"
    if test is not None and plants >= FEWEST_PLANTS:
        word = test.decide(successes, plants, effect)
        if word != "go on":
            half = "at least half" if word == "high" else "under half"
            return Enough(True, plants, 0, interval, f"Enough: {said}; the test says {half}.")
    share = successes / plants
    most = max(math.ceil(plants_for(precision) * effect), FEWEST_PLANTS)
    total = max(plants, FEWEST_PLANTS)
    while total < most and half_width(share, total / effect) > precision:
        total += 1
    if known is not None and (width := (known[1] - known[0]) / 2) > precision:
        total = max(total, math.ceil(plants * (width / precision) ** 2))
    more = total - plants
    if more == 0:
        return Enough(True, plants, 0, interval, f"Enough: {said}.")
    noun = "plant" if more == 1 else "plants"
    return Enough(False, plants, more, interval, f"{said}: about {more} more {noun}.")


def half_width(share: float, plants: float) -> float:
    """Half the width of Wilson's interval; `plants` need not be whole."""
    low, high = wilson(share * plants, plants)
    return (high - low) / 2
