"""Standing: one plant held against one limit, as probabilities."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import Final, Literal

from collarvision.evidence import PlantEvidence, beliefs
from collarvision.leafwords import LeafMeaning, leaves_at_least
from collarvision.limitsfile import Bound, Limit

Part = Literal["leaves", "height"]

# One leaf before the last allowed one, or over 4/5 of the greatest height: our own choice.
_NEAR_LEAVES: Final = 1
_NEAR_HEIGHT: Final = 0.8
# The record's height interval holds 90 of 100; a height without one, by tape, is taken as good to
# 5 %, with no tails but the normal's.
_SIGMAS_HALF_INTERVAL: Final = NormalDist().inv_cdf(0.95)
_HEIGHT_ERROR: Final = 0.05
# Heights read from a photo err far more often than a normal allows, where another leaf governs than
# the one measured to. Of 1,544 own validation plants (standing) 3 in 100 lie more than 2.3 sigmas
# from what was told, 1.5 in 100 more than 3, 0.9 more than 4; off they are by shares of the height,
# not by sigmas. Fitted by log likelihood, which is flat from 0.25 to 0.4.
_STRAY_SHARE: Final = 0.02
_STRAY_ERROR: Final = 0.3

TRACE: Final = 0.02
"""Smaller differences say nothing of what decides: so many heights stray."""


@dataclass(frozen=True)
class PlantStanding:
    """One plant against one limit.

    Attributes
    ----------
    plant : PlantEvidence
    past, near, reached : float
        Probability that it is past the maximum; that one more leaf takes it to the last allowed
        one, or it stands over 4/5 of the greatest height, or is past; that it is at the minimum.
    past_soundly, reached_soundly : float
        The same as `past` and `reached`, were a height in doubt (shown with "?") no reason.
    past_by, short_by : str or None
        Part that says most of that; None without a maximum, or a minimum.
    height_unknown : bool
        A height that the limit asks for is missing, and leaves alone were judged.
    reached_at_most : float
        The same as `reached`, were a missing height over the minimum.
    past_leaves, past_height : float or None
        Probability to be past each part of the maximum by itself; None without that part, or where
        the plant's own is unknown.
    waits : bool
        For a hand count: `plant` stands as if a person had counted what it may be at one end.
    """

    plant: PlantEvidence
    past: float
    near: float
    reached: float
    past_by: Part | None
    short_by: Part | None
    height_unknown: bool
    past_soundly: float = 0.0
    reached_soundly: float = 0.0
    reached_at_most: float = 0.0
    past_leaves: float | None = None
    past_height: float | None = None
    waits: bool = False


def height_ends(limit: Limit) -> bool:
    """Whether a plant over the greatest height is past the maximum, whatever its leaves say."""
    highest = limit.highest
    both = limit.highest_when == "both" and highest.leaves is not None
    return highest.height_mm is not None and not both


def answers(plant: PlantEvidence, limit: Limit) -> bool:
    """Whether a plant has, or waits for, an answer to all of a limit.

    Where the limit is by height alone that is a height: one by hand, or of a reading that wasn't
    rejected. Elsewhere a plant known by its height only has none.
    """
    if limit.by_height_alone:
        return plant.tells and plant.height_mm is not None
    return plant.decided or plant.waiting


def awaits_count(plant: PlantEvidence, limit: Limit) -> bool:
    """Whether a plant waits for a hand count that a limit needs: by height alone it needs none."""
    return plant.waiting and not limit.by_height_alone


def stand(plant: PlantEvidence, limit: Limit) -> PlantStanding:
    """Hold one plant against one limit. Errors of stage and height are taken as independent.

    A missing height, or leaves of a plant known by its height only, count as the more cautious
    answer where leaves and height must both be met, and say nothing where one of them is enough.
    """
    highest, lowest = limit.highest, limit.lowest
    past = _sides(plant, limit.leaf, highest, more_leaves=1)
    near = _sides(plant, limit.leaf, highest, more_leaves=-_NEAR_LEAVES, of_height=_NEAR_HEIGHT)
    reached = _sides(plant, limit.leaf, lowest, careful=min)
    # "Both" of one part alone asks no more than that part: there a missing height says nothing.
    first = limit.highest_when == "whichever first" or None in (highest.leaves, highest.height_mm)
    either = limit.lowest_when == "either"

    def told(sides: _Sides, one: bool, missing: float) -> float:
        return sides.one() if one else sides.both(missing)

    def at_least(sides: _Sides) -> float:
        return told(sides, either, 0.0) if lowest else 1.0

    highest_known = None if reached.height is None else 1.0
    at_most = reached if plant.height_mm is not None else replace(reached, height=highest_known)
    by_leaves, by_height = past.known()

    return PlantStanding(
        plant=plant,
        past=told(past, first, 1.0),
        near=told(near, first, 1.0),
        reached=at_least(reached),
        past_by=past.stronger(near) if first else past.weaker(near),
        short_by=reached.weaker(),
        height_unknown=plant.height_mm is None
        and (highest.height_mm is not None or lowest.height_mm is not None),
        # That a plant is past both is no fact while one of them is unknown.
        past_soundly=told(_sound(past, plant), first, 0.0),
        reached_soundly=at_least(_sound(reached, plant)),
        reached_at_most=at_least(at_most),
        past_leaves=by_leaves,
        past_height=by_height,
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
        leaves, height = self.known()
        if leaves is None or height is None:
            return self._only()
        if abs(leaves - height) >= TRACE:
            return "leaves" if leaves > height else "height"
        return "height" if (then.height or 0) > (then.leaves or 0) + TRACE else "leaves"

    def weaker(self, then: _Sides | None = None) -> Part | None:
        """The side with the lower probability; where they are level, `then` says."""
        leaves, height = self.known()
        if leaves is None or height is None:
            return self._only()
        if then is not None and abs(leaves - height) < TRACE:
            return "height" if (then.leaves or 0) > (then.height or 0) + TRACE else "leaves"
        return "leaves" if leaves <= height else "height"

    def known(self) -> tuple[float | None, float | None]:
        """By leaves and by height; None without such a bound, and where unknown."""
        leaves, height = (
            None if p is None or math.isnan(p) else p for p in (self.leaves, self.height)
        )
        return leaves, height

    def _only(self) -> Part | None:
        leaves, height = self.known()
        if leaves is not None:
            return "leaves"
        return None if self.height is None else "height"


def _sound(sides: _Sides, plant: PlantEvidence) -> _Sides:
    """The sides without what a height in doubt says."""
    in_doubt = plant.height_in_doubt and sides.height is not None
    return replace(sides, height=0.0) if in_doubt else sides


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
    there = (
        p * leaves_at_least(count, collars, meaning or "collars")
        for collars, p in enumerate(belief)
        if p > 0
    )
    return min(sum(there), 1.0)


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
        _read_over(bound_mm, plant.height_mm, half / _SIGMAS_HALF_INTERVAL),
        _read_over(bound_mm, plant.height_mm, (high - low) / 2 / _SIGMAS_HALF_INTERVAL),
    )


def _read_over(bound_mm: float, middle_mm: float, sigma_mm: float) -> float:
    """Chance that a height read from a photo is over a bound, the few that stray far counted in."""
    near = _over(bound_mm, middle_mm, sigma_mm)
    if sigma_mm <= 0:
        return near
    stray = _over(bound_mm, middle_mm, max(sigma_mm, _STRAY_ERROR * middle_mm))
    return (1 - _STRAY_SHARE) * near + _STRAY_SHARE * stray


def _over(bound_mm: float, middle_mm: float, sigma_mm: float) -> float:
    if sigma_mm <= 0:
        return float(middle_mm > bound_mm)
    return 1 - NormalDist(middle_mm, sigma_mm).cdf(bound_mm)
