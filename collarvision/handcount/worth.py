"""Worth: how far a count of one waiting plant could move its field's answer.

Each answer is a probability: that half of the field is at or past a stage, or, with the user's
limits, that the field is past a maximum or at a minimum. A plant's worth is the largest change of
one of them between the lowest and the highest stage that a person might count on it, all other
plants being believed as they are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np

from collarvision.answer import stage_name
from collarvision.clusters import stop_effect
from collarvision.evidence import HIGHEST_STAGE, PlantEvidence, beliefs, plausible_stages
from collarvision.field import count_distribution, share_belief
from collarvision.limitsfile import Limits
from collarvision.standing import stand

_HALF: Final = 0.5
_LEAST: Final = 0.005
_MOST_PLANTS: Final = 400  # of a visit; beyond that one plant moves nothing by much


@dataclass(frozen=True)
class Worth:
    """What a count could move, 0 to 1, and which answer, in words; empty when none."""

    moves: float
    words: str


@dataclass(frozen=True)
class _Question:
    """An answer that plants could move.

    `belongs` is P(a plant belongs); `chances` the answer's probability by how many plants do.
    """

    words: str
    belongs: Callable[[PlantEvidence], float]
    chances: np.ndarray


def worth_of_waiting(
    plants: Sequence[PlantEvidence], limits: Limits | None = None
) -> dict[str, Worth]:
    """Worth of each waiting plant of one visit, by its name.

    Parameters
    ----------
    plants : sequence of PlantEvidence
        All of the visit.
    limits : Limits, optional
        The user's own; without them the field's stage is the answer.
    """
    seen = [plant for plant in plants if plant.decided or plant.waiting][:_MOST_PLANTS]
    waiting = [plant for plant in seen if plant.waiting]
    if not waiting:
        return {}
    decided = [plant for plant in seen if plant.decided]
    effect = stop_effect(decided).effect if decided else 1.0
    questions = _of_limits(limits, len(seen), effect) if limits else []
    questions = questions or _of_stages(seen, effect)
    best = {plant.name: Worth(0.0, "") for plant in waiting}
    for question in questions:
        shares = [question.belongs(plant) for plant in seen]
        counts = count_distribution(shares)
        steps = np.diff(question.chances)
        for plant, share in zip(seen, shares, strict=True):
            if not plant.waiting:
                continue
            low, high = (
                question.belongs(replace(plant, hand_count=stage))
                for stage in plausible_stages(plant)
            )
            if abs(high - low) < _LEAST:
                continue
            moves = abs(high - low) * float(_without(counts, share) @ steps)
            if moves > max(best[plant.name].moves, _LEAST):
                best[plant.name] = Worth(moves, question.words)
    return best


def _of_stages(seen: Sequence[PlantEvidence], effect: float) -> list[_Question]:
    highest = max(plausible_stages(plant)[1] for plant in seen)
    chances = _chances(len(seen), _HALF, effect)
    return [
        _Question(f"that the field is at {stage_name(k)}", _at_or_past(k), chances)
        for k in range(1, min(highest, HIGHEST_STAGE) + 1)
    ]


def _of_limits(limits: Limits, plants: int, effect: float) -> list[_Question]:
    found = []
    for limit in limits.limits:
        if limit.highest:
            found.append(
                _Question(
                    f"that it is past {limit.name}'s maximum",
                    lambda plant, limit=limit: stand(plant, limit).past,  # type: ignore[misc]
                    _chances(plants, limit.share_past, effect),
                )
            )
        if limit.lowest:
            found.append(
                _Question(
                    f"that it is short of {limit.name}'s minimum",
                    lambda plant, limit=limit: 1 - stand(plant, limit).reached,  # type: ignore[misc]
                    _chances(plants, limit.share_short, effect),
                )
            )
    return found


def _at_or_past(stage: int) -> Callable[[PlantEvidence], float]:
    return lambda plant: min(sum(beliefs(plant)[stage:]), 1.0)


@lru_cache(maxsize=256)
def _chances(plants: int, allowed: float, effect: float) -> np.ndarray:
    """P(more of the field than allowed belongs), by how many of the plants seen do, (n + 1,).

    Where nothing is allowed one plant seen is enough, as in `collarvision.limits`.
    """
    if allowed == 0:
        return np.array([0.0] + [1.0] * plants)
    return np.array(
        [
            share_belief([1.0] * count + [0.0] * (plants - count), effect).above(allowed)
            for count in range(plants + 1)
        ]
    )


def _without(counts: np.ndarray, p: float) -> np.ndarray:
    """Take one event of probability `p` out of a distribution of how many happen, (n + 1,) to (n,).

    From the end at which each step divides by the larger of p and 1 - p: errors then shrink.
    """
    found = np.zeros(len(counts) - 1)
    before = 0.0
    if p <= _HALF:
        for k in range(len(found)):
            before = found[k] = (counts[k] - p * before) / (1 - p)
    else:
        for k in range(len(found) - 1, -1, -1):
            before = found[k] = (counts[k + 1] - (1 - p) * before) / p
    return found
