"""Enough plan: stops and plants for a walk that a field is told by, without being sent back.

`collarvision.sampling` counts plants as if each were from a place of its own, and `field` doesn't:
it takes plants of one stop to be somewhat alike until they tell how alike they are
(`collarvision.clusters`). Over few stops that makes no number of plants enough. So the plan takes
more stops than the published ones where that is needed, and as many plants that nine of ten fields
whose share is one half are settled, if their plants are no more alike within stops than over the
field. Where they are, `field` asks for more, and the plan says what it then gives.
"""

from __future__ import annotations

import math
from typing import Final

from collarvision.clusters import PRIOR_LIKENESS, effect_ahead
from collarvision.sampling import (
    FEWEST_PLANTS,
    MOST_STOPS,
    SamplePlan,
    half_width,
    plan_sample,
)

MOST_WALKED: Final = 300
"""Plants that a person walks for: a photo a minute makes it five hours. Our own choice."""

_FEWEST_A_STOP: Final = 3
_A_STOP_IN_PLANTS: Final = 3  # what the way to one more stop is worth: our own choice


def plan_to_settle(acres: float, precision: float = 0.15) -> SamplePlan:
    """Plan stops and plants a stop by which `field` comes to a share as exactly as asked.

    Parameters
    ----------
    acres : float
    precision : float
        Half-width of the interval of a share, 0.15 for plus or minus 15 in 100.

    Raises
    ------
    ValueError
        When the area or the precision makes no sense, or asks for more plants than anybody walks
        for; a sentence says what to give.
    """
    plain = plan_sample(acres, precision)
    found = []
    for stops in range(plain.stops, MOST_STOPS + 1):
        fewest = max(_FEWEST_A_STOP, math.ceil(FEWEST_PLANTS / stops))
        for each in range(fewest, MOST_WALKED // stops + 1):
            if _expected(stops, each) <= precision:
                found.append((stops * each + _A_STOP_IN_PLANTS * stops, stops, each))
                break
    if not found:
        most = MOST_WALKED // MOST_STOPS
        reached = math.ceil(_expected(MOST_STOPS, most) * 1000) / 1000
        raise ValueError(
            f"A precision of {precision:g} asks for more than {MOST_WALKED} plants, and nobody "
            f"walks for so many: {MOST_STOPS * most} at {MOST_STOPS} stops give {reached:g}. Ask "
            "for that or less, such as 0.15."
        )
    _, stops, each = min(found)
    alike = half_width(0.5, stops * each / effect_ahead(stops, each, PRIOR_LIKENESS))
    return SamplePlan(
        acres,
        precision,
        plain.plants_needed,
        stops,
        each,
        plain.published and stops == plain.stops,
        fewest_stops=plain.stops,
        precision_alike=alike,
    )


def _expected(stops: int, each: int) -> float:
    """Half-width of the interval of a share of one half, after a walk of independent plants."""
    return half_width(0.5, stops * each / effect_ahead(stops, each))
