"""Worth: how far a count of one waiting plant could move its field's answer.

Each answer is a probability: that half of the field is at or past a stage, or, with the user's
limits, that the field is past a maximum or at a minimum. A plant's worth is the largest change of
one of them between the lowest and the highest stage that a person might count on it, all other
plants being believed as they are.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np

from collarvision.answer import stage_name
from collarvision.clusters import stop_effect
from collarvision.evidence import HIGHEST_STAGE, PlantEvidence, beliefs, plausible_stages
from collarvision.field import count_distribution
from collarvision.limitsfile import Limits
from collarvision.standing import PlantStanding, stand

_HALF: Final = 0.5
_LEAST: Final = 0.005
_MOST_PLANTS: Final = 400  # of those waiting and of those decided
_GRID: Final = 1000


@dataclass(frozen=True)
class Worth:
    """What a count could move, 0 to 1, and which answer, in words; empty when none."""

    moves: float
    words: str


@dataclass(frozen=True)
class _Question:
    """An answer that plants could move.

    Attributes
    ----------
    words : str
    now : ndarray, (n,)
        P(each plant belongs).
    low, high : ndarray, (n,)
        The same if it were counted at the lowest, and highest, stage that a person might count.
    chances : ndarray, (n + 1,)
        The answer's probability by how many plants belong.
    """

    words: str
    now: np.ndarray
    low: np.ndarray
    high: np.ndarray
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
    seen = [plant for plant in plants if plant.decided or plant.waiting]
    # Of a very large visit a part is weighed: there one plant moves nothing by much.
    waiting = [plant for plant in seen if plant.waiting][:_MOST_PLANTS]
    if not waiting:
        return {}
    decided = [plant for plant in seen if plant.decided][:_MOST_PLANTS]
    seen = [*waiting, *decided]
    effect = round(stop_effect(decided).effect, 1) if decided else 1.0
    questions = _of_limits(limits, seen, effect) if limits else []
    questions = questions or _of_stages(seen, effect)
    best = {plant.name: Worth(0.0, "") for plant in waiting}
    for question in questions:
        span = np.abs(question.high - question.low)[: len(waiting)]
        if span.max() < _LEAST:
            continue
        rest = _without(count_distribution(question.now.tolist()), question.now[: len(waiting)])
        moves = span * (rest @ np.diff(question.chances))
        for plant, move in zip(waiting, moves.tolist(), strict=True):
            if move > max(best[plant.name].moves, _LEAST):
                best[plant.name] = Worth(move, question.words)
    return best


def _of_stages(seen: Sequence[PlantEvidence], effect: float) -> list[_Question]:
    chances = _chances(len(seen), _HALF, effect)
    belief = np.array([beliefs(plant) for plant in seen])
    at_or_past = belief[:, ::-1].cumsum(axis=1)[:, ::-1].clip(0, 1)
    low, high = np.array([plausible_stages(plant) for plant in seen]).T
    return [
        _Question(
            f"of being at {stage_name(k)}",
            at_or_past[:, k],
            (low >= k).astype(float),
            (high >= k).astype(float),
            chances,
        )
        for k in range(1, min(int(high.max()), HIGHEST_STAGE) + 1)
    ]


def _of_limits(limits: Limits, seen: Sequence[PlantEvidence], effect: float) -> list[_Question]:
    def asked(words: str, share: Callable[[PlantStanding], float], allowed: float) -> _Question:
        spans = [plausible_stages(plant) for plant in seen]
        ends = [
            np.array(
                [
                    share(stand(replace(plant, hand_count=span[end]), limit))
                    for plant, span in zip(seen, spans, strict=True)
                ]
            )
            for end in (0, 1)
        ]
        now = np.array([share(stand(plant, limit)) for plant in seen]).clip(0, 1)
        return _Question(words, now, ends[0], ends[1], _chances(len(seen), allowed, effect))

    found = []
    for limit in limits.limits:
        if limit.highest:
            words = f'of being past the maximum of "{limit.name}"'
            found.append(asked(words, lambda one: one.past, limit.share_past))
        if limit.lowest:
            words = f'of being short of the minimum of "{limit.name}"'
            found.append(asked(words, lambda one: 1 - one.reached, limit.share_short))
    return found


@lru_cache(maxsize=256)
def _chances(plants: int, allowed: float, effect: float) -> np.ndarray:
    """P(more of the field than allowed belongs), by how many of the plants seen do, (n + 1,).

    As `collarvision.field.share_belief` gives it, on a coarser grid and for all counts at once.
    Where nothing is allowed one plant seen is enough, as in `collarvision.limits`.
    """
    if allowed == 0:
        return np.array([0.0] + [1.0] * plants)
    angles = (np.arange(_GRID) + 0.5) * (math.pi / 2 / _GRID)
    counts = np.arange(plants + 1)[:, None]
    weights = 2 * (counts * np.log(np.sin(angles)) + (plants - counts) * np.log(np.cos(angles)))
    weights /= effect
    weights = np.exp(weights - weights.max(axis=1, keepdims=True))
    above = np.sin(angles) ** 2 > allowed
    found: np.ndarray = weights[:, above].sum(axis=1) / weights.sum(axis=1)
    return found


def _without(counts: np.ndarray, shares: np.ndarray) -> np.ndarray:
    """Take one event out of a distribution of how many happen, (n + 1,), for each of m events.

    From the end at which each step divides by the larger of p and 1 - p: errors then shrink.
    Gives (m, n): row i is the distribution without the event of probability `shares[i]`.
    """
    found = np.zeros((len(shares), len(counts) - 1))
    rare = shares <= _HALF
    small, large = shares[rare], shares[~rare]
    before = np.zeros(len(small))
    for k in range(found.shape[1]):
        before = (counts[k] - small * before) / (1 - small)
        found[rare, k] = before
    before = np.zeros(len(large))
    for k in range(found.shape[1] - 1, -1, -1):
        before = (counts[k + 1] - (1 - large) * before) / large
        found[~rare, k] = before
    return found
