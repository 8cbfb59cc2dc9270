"""Standing: one plant held against one limit, as probabilities."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import Final, Literal

from collarvision.evidence import PlantEvidence, beliefs
from collarvision.leafwords import LeafMeaning, leaf_probabilities
from collarvision.limitsfile import Bound, Limit

Part = Literal["leaves", "height"]

# One leaf before the last allowed one, or over 4/5 of the greatest height: our own choice.
_NEAR_LEAVES: Final = 1
_NEAR_HEIGHT: Final = 0.8
# The record's height interval holds 90 of 100; a height without one is taken as good to 5 %.
_SIGMAS_HALF_INTERVAL: Final = NormalDist().inv_cdf(0.95)
_HEIGHT_ERROR: Final = 0.05
_TRACE: Final = 0.005  # smaller differences say nothing of what decides


@dataclass(frozen=True)
class PlantStanding:
    """One plant against one limit.

    Attributes
    ----------
    plant : PlantEvidence
    past, near, reached : float
        Probability that it is past the maximum; that one more leaf takes it to the last allowed
        one, or it stands over 4/5 of the greatest height, or is past; that it is at the minimum.
    past_soundly : float
        The same as `past`, were a height in doubt (shown with "?") no reason.
    past_by, short_by : str or None
        Part that says most of that; None without a maximum, or a minimum.
    height_unknown : bool
        A height that the limit asks for is missing, and leaves alone were judged.
    """

    plant: PlantEvidence
    past: float
    near: float
    reached: float
    past_by: Part | None
    short_by: Part | None
    height_unknown: bool
    past_soundly: float = 0.0


def answers(plant: PlantEvidence, limit: Limit) -> bool:
    """Whether a plant has, or waits for, an answer to all of a limit.

    Where the limit is by height alone that is a height: one by hand, or of a reading that wasn't
    rejected. Elsewhere a plant known by its height only has none.
    """
    if limit.by_height_alone:
        usable = plant.decided or plant.waiting or plant.height_only
        return usable and plant.height_mm is not None
    return plant.decided or plant.waiting


def stand(plant: PlantEvidence, limit: Limit) -> PlantStanding:
    """Hold one plant against one limit. Errors of stage and height are taken as independent.

    A missing height, or leaves of a plant known by its height only, count as the more cautious
    answer where leaves and height must both be met, and say nothing where one of them is enough.
    """
    highest, lowest = limit.highest, limit.lowest
    past = _sides(plant, limit.leaf, highest, more_leaves=1)
    sound = past
    if plant.height_in_doubt and past.height is not None:
        sound = replace(past, height=0.0)
    near = _sides(plant, limit.leaf, highest, more_leaves=-_NEAR_LEAVES, of_height=_NEAR_HEIGHT)
    reached = _sides(plant, limit.leaf, lowest, careful=min)
    first = limit.highest_when == "whichever first"
    either = limit.lowest_when == "either"
    return PlantStanding(
        plant=plant,
        past=past.one() if first else past.both(missing=1.0),
        near=near.one() if first else near.both(missing=1.0),
        reached=1.0 if not lowest else reached.one() if either else reached.both(missing=0.0),
        past_by=past.stronger(near),
        short_by=reached.weaker(),
        height_unknown=plant.height_mm is None
        and (highest.height_mm is not None or lowest.height_mm is not None),
        past_soundly=sound.one() if first else sound.both(missing=1.0),
    )


def advance(standing: PlantStanding, limit: Limit) -> tuple[int, float]:
    """How far on a plant is, for sorting: stage and height in mm, the stage 0 where it is moot."""
    plant = standing.plant
    by_height = limit.by_height_alone or plant.height_only
    return 0 if by_height else plant.best_stage or 0, plant.height_mm or 0.0


@dataclass(frozen=True)
class _Sides:
    """Probabilities by leaves and by height; None without such a bound, NaN where unknown."""

    leaves: float | None
    height: float | None

    def one(self) -> float:
        """At least one side; a missing one says nothing."""
        known = [p for p in (self.leaves, self.height) if p is not None and not math.isnan(p)]
        return 1 - math.prod(1 - p for p in known)

    def both(self, missing: float) -> float:
        """All sides there are."""
        sides = [p for p in (self.leaves, self.height) if p is not None]
        return math.prod(missing if math.isnan(p) else p for p in sides) if sides else 0.0

    def stronger(self, then: _Sides) -> Part | None:
        """The side with the higher probability; where they are level, `then` says."""
        leaves, height = self._known()
        if leaves is None or height is None:
            return self._only()
        if abs(leaves - height) >= _TRACE:
            return "leaves" if leaves > height else "height"
        return "height" if (then.height or 0) > (then.leaves or 0) else "leaves"

    def weaker(self) -> Part | None:
        """The side with the lower probability."""
        leaves, height = self._known()
        if leaves is None or height is None:
            return self._only()
        return "leaves" if leaves <= height else "height"

    def _known(self) -> tuple[float | None, ...]:
        return tuple(None if p is None or math.isnan(p) else p for p in (self.leaves, self.height))

    def _only(self) -> Part | None:
        leaves, height = self._known()
        if leaves is not None:
            return "leaves"
        return None if self.height is None else "height"


def _sides(
    plant: PlantEvidence,
    meaning: LeafMeaning | None,
    bound: Bound,
    *,
    more_leaves: int = 0,
    of_height: float = 1.0,
    careful: Callable[[float, float], float] = max,
) -> _Sides:
    """Probabilities of at least the bound's leaves and so many more, and of over its height.

    Of two ways to read a height's interval the `careful` one counts: the most for a maximum.
    """
    leaves = None
    if bound.leaves is not None:
        # What a rejected photo was read as is no knowledge of its leaves.
        leaves = math.nan
        if not plant.height_only:
            leaves = _leaves(beliefs(plant), meaning, bound.leaves + more_leaves)
    return _Sides(
        leaves,
        None if bound.height_mm is None else _taller(plant, bound.height_mm * of_height, careful),
    )


def _leaves(belief: Sequence[float], meaning: LeafMeaning | None, count: int) -> float:
    """Probability of at least `count` leaves by the label's meaning."""
    total = 0.0
    for collars, p in enumerate(belief):
        leaves = leaf_probabilities(collars, meaning or "collars") if p > 0 else {}
        total += p * sum(q for n, q in leaves.items() if n >= count)
    return min(total, 1.0)


def _taller(
    plant: PlantEvidence, bound_mm: float, careful: Callable[[float, float], float]
) -> float:
    """Probability that the plant is over a height; NaN when it has no height.

    A height in doubt may be far taller and hardly shorter: each half of its interval has a sigma
    of its own. A short half takes nothing from the safe answer, which one sigma for both may give.
    """
    if plant.height_mm is None:
        return math.nan
    if plant.height_interval_mm is None:
        return _over(bound_mm, plant.height_mm, plant.height_mm * _HEIGHT_ERROR)
    low, high = plant.height_interval_mm
    half = high - plant.height_mm if bound_mm > plant.height_mm else plant.height_mm - low
    return careful(
        _over(bound_mm, plant.height_mm, half / _SIGMAS_HALF_INTERVAL),
        _over(bound_mm, plant.height_mm, (high - low) / 2 / _SIGMAS_HALF_INTERVAL),
    )


def _over(bound_mm: float, middle_mm: float, sigma_mm: float) -> float:
    if sigma_mm <= 0:
        return float(middle_mm > bound_mm)
    return 1 - NormalDist(middle_mm, sigma_mm).cdf(bound_mm)
