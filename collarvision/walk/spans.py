"""Spans: what probabilities, or draws of shares, say of a zone's or a field's stages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from collarvision.above.values import stage_range
from collarvision.answer import stage_name
from collarvision.sampling import LEVEL
from collarvision.walk.zones import range_seen

RANGE_LEVEL: Final = 0.9
"""Of a plant's stage range once the ground corrected it; before, `range_seen` tells it."""


@dataclass(frozen=True)
class StageSpan:
    """Stages that 90 in 100 plants should lie in, and the probability of each.

    Attributes
    ----------
    low, high : int
    probabilities : tuple of float
        P(VE), P(V1) ... of a plant drawn at random.
    """

    low: int
    high: int
    probabilities: tuple[float, ...]

    @property
    def words(self) -> str:
        """Such as ``V3 to V5``."""
        low, high = stage_name(self.low), stage_name(self.high)
        return low if low == high else f"{low} to {high}"


@dataclass(frozen=True)
class ZoneShare:
    """Share of plants at or past a stage, corrected: its mean, and the 95 % interval."""

    stage: int
    share: float
    interval: tuple[float, float]


def half_rule_of(shares: np.ndarray) -> int:
    """Highest stage that at least half of the plants have reached, from draws of shares."""
    return max(int((shares.mean(axis=0) >= 0.5).sum()) - 1, 0)


def probability_of(shares: np.ndarray, stage: int) -> float:
    """Share of draws whose own field stage is `stage`."""
    return float(((shares[:, stage] >= 0.5) & (shares[:, stage + 1] < 0.5)).mean())


def half_width_of(shares: np.ndarray, stage: int) -> float:
    """Half-width of the interval of the worse known of the two shares that decide a stage."""
    low, high = np.quantile(
        shares[:, stage : stage + 2], [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0
    )
    return float(((high - low) / 2).max())


def at_each(shares: np.ndarray) -> np.ndarray:
    """Probability of each stage of a plant drawn at random, from draws of shares at or past."""
    mean = shares.mean(axis=0)
    return np.asarray(mean - np.append(mean[1:], 0.0))


def seen_span(probabilities: np.ndarray) -> StageSpan:
    """What is told from above alone."""
    return _span_of(range_seen(probabilities), probabilities)


def ground_span(probabilities: np.ndarray) -> StageSpan:
    """What is told with the ground."""
    return _span_of(stage_range(probabilities, RANGE_LEVEL), probabilities)


def _span_of(ends: tuple[int, int], probabilities: np.ndarray) -> StageSpan:
    return StageSpan(*ends, tuple(round(float(p), 6) for p in probabilities))


def shares_of(shares: np.ndarray) -> tuple[ZoneShare, ...]:
    """Shares at or past the stages where they aren't almost nothing or all."""
    mean = shares.mean(axis=0)
    low, high = np.quantile(shares, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0)
    return tuple(
        ZoneShare(k, float(mean[k]), (float(low[k]), float(high[k])))
        for k in range(1, shares.shape[1])
        if high[k] > 0.01 and low[k] < 0.99
    )
