"""Field: from single plants to what the field is at, and how sure that is.

A field is at the highest stage that at least half of its plants have reached (P. Thomison, Ohio
State Univ. Extension, AGF-127; "majority" in R. L. Nielsen, Purdue Univ., 2019).

Intervals carry two doubts. Reading: how many of the plants seen are at or past a stage is a sum of
unequal coin tosses, one a plant with its own probability (the Poisson-binomial distribution, here
exactly, by convolution). Sampling: for each such count K of n plants the field's share follows
Jeffreys' Beta(K + 1/2, n - K + 1/2) (Brown, Cai & DasGupta 2001, Stat. Sci. 16:101-133, from
memory). The share's distribution is the mixture of the second by the first. Where no plant was
seen there, Jeffreys' upper end is too near, and so is the lower where all were: there an interval
ends where it exactly does, as in that paper. That is 1 - p^(1/n) of n plants, with p = 0.025 for
95 in 100, or 0.05 for an upper end alone. Plants of few stops are worth less than as many drawn
independently: `collarvision.clusters` says how much less.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import numpy as np

from collarvision.answer import stage_name
from collarvision.clusters import ALONE, StopEffect, share_effect
from collarvision.evidence import (
    HIGHEST_STAGE,
    PlantEvidence,
    beliefs,
    decided_stages,
    newest,
    plausible_stages,
)
from collarvision.sampling import LEVEL

_GRID: Final = 4000
_EVEN_SHARE: Final = 0.9  # our own choice of words: even, somewhat uneven, uneven
_UNEVEN_SHARE: Final = 0.75


@dataclass(frozen=True)
class Share:
    """Share of plants at or past a stage: what was seen, and where the field's own share lies."""

    stage: int
    seen: float
    interval: tuple[float, float]
    at_least_half: float  # probability that half or more of the field's plants are there
    stop_effect: StopEffect = ALONE


@dataclass(frozen=True)
class Heights:
    """Heights in mm: how many, mean, its standard error, spread, and the tallest tenth.

    `tallest_tenth_mm` is the mean of the tallest tenth of the plants, one plant at least.
    """

    plants: int
    mean_mm: float
    standard_error_mm: float | None
    spread_mm: float | None
    tallest_tenth_mm: float


@dataclass(frozen=True)
class FieldStage:
    """What a field's plants say together.

    Attributes
    ----------
    plants : int
        Plants with an answer: hand counts and safe readings.
    hand_counted, waiting, rejected : int
    height_only : int
        Plants of which a person told the height and no leaves: they count in `heights` alone.
    stage : int or None
        Highest stage reached by at least half of those plants; None without any.
    probability : float or None
        That the field's own stage, not only that of the plants seen, is `stage`.
    distribution : dict of int to float
        Stage to share of plants, by their best stages.
    shares : tuple of Share
        At or past V1, V2, ... up to the most advanced plant and one more.
    heights : Heights or None
    late, ahead : float
        Share of plants two stages or more behind, and ahead of, the field's stage.
    evenness : str
    waiting_names : tuple of str
    stage_if_waiting : (int, int) or None
        Field stage if the waiting plants were as far behind, or ahead, as a person may find, and
        those that pull the other way no plants.
    stops : int
        Different stops that the plants came from; 0 when none is known.
    stop_effect : StopEffect
        Of the share that decides the stage: at or past it, or the next, whichever is larger. Each
        share has its own.
    newest : date or None
    """

    plants: int
    hand_counted: int
    waiting: int
    rejected: int
    stage: int | None
    probability: float | None
    distribution: dict[int, float]
    shares: tuple[Share, ...]
    heights: Heights | None
    late: float
    ahead: float
    evenness: str
    waiting_names: tuple[str, ...]
    stage_if_waiting: tuple[int, int] | None
    stops: int
    stop_effect: StopEffect
    newest: date | None
    height_only: int = 0

    @property
    def settled(self) -> bool:
        """Whether the stage stays as it is told, whatever the plants that wait turn out to be."""
        return self.stage_if_waiting in (None, (self.stage, self.stage))

    @property
    def stop_words(self) -> str | None:
        """What plants of one stop cost, in a sentence; None where there is nothing true to say."""
        of_others = self.stops > 0 and self.stop_effect.stops == 0  # only who waits has a stop
        return None if self.stage is None or of_others else self.stop_effect.sentence


def count_distribution(probabilities: Sequence[float]) -> np.ndarray:
    """Distribution of how many of independent events happen, (n + 1,): Poisson-binomial."""
    found = np.ones(1)
    for p in probabilities:
        found = np.append(found, 0.0) * (1 - p) + np.append(0.0, found) * p
    return found


@dataclass(frozen=True)
class ShareBelief:
    """Where the field's own share lies: mid-points of cells, and the probability of each cell.

    `for_low` and `for_high` are those that an interval's lower and upper end are taken from: exact
    where all plants are there, and where none is.
    """

    shares: np.ndarray
    weights: np.ndarray
    for_low: np.ndarray
    for_high: np.ndarray

    def interval(self, level: float = LEVEL) -> tuple[float, float]:
        """Equal-tailed interval."""
        low = int(np.searchsorted(np.cumsum(self.for_low), (1 - level) / 2))
        high = int(np.searchsorted(np.cumsum(self.for_high), (1 + level) / 2))
        return float(self.shares[low]), float(self.shares[min(high, len(self.shares) - 1)])

    def above(self, share: float) -> float:
        """Probability that the field's share is over `share`."""
        return float(self.weights[self.shares > share].sum())


def share_belief(probabilities: Sequence[float], effect: float = 1.0) -> ShareBelief:
    """Belief over the field's share, from each seen plant's probability to belong to it.

    Parameters
    ----------
    probabilities : sequence of float
    effect : float
        Design effect: that many plants tell as much as one alone.

    Raises
    ------
    ValueError
        Without a plant, or with an effect under 1.
    """
    if effect < 1:
        raise ValueError(f"a design effect is 1 or more, not {effect}")
    plants = len(probabilities)
    if plants == 0:
        raise ValueError("there is no share of no plants")
    counts = count_distribution(probabilities)
    # With share = sin^2(angle) Jeffreys' prior is level in the angle, so that the density is
    # smooth to both ends, where Beta(1/2, ...) itself is infinite.
    angles = (np.arange(_GRID) + 0.5) * (math.pi / 2 / _GRID)
    log_sin, log_cos = np.log(np.sin(angles)), np.log(np.cos(angles))
    weights, for_low, for_high = np.zeros((3, _GRID))
    for k in np.flatnonzero(counts > 1e-9):
        log_density = (2 * k * log_sin + 2 * (plants - k) * log_cos) / effect
        part = counts[k] * _scaled(log_density)
        weights += part
        # By the angle Beta(a, b) goes with sin^(2a - 1) cos^(2b - 1). Where no plant is there
        # Beta(1, n) has the exact upper end, and where all are Beta(n, 1) the lower one.
        tilt = log_sin - log_cos
        for_low += counts[k] * _scaled(log_density - tilt) if k == plants else part
        for_high += counts[k] * _scaled(log_density + tilt) if k == 0 else part
    weights, for_low, for_high = (one / one.sum() for one in (weights, for_low, for_high))
    return ShareBelief(np.sin(angles) ** 2, weights, for_low, for_high)


def _scaled(log_density: np.ndarray) -> np.ndarray:
    """The density over the grid, adding up to 1."""
    density = np.exp(log_density - log_density.max())
    return density / density.sum()


def half_rule(stages: Sequence[int]) -> int:
    """Highest stage reached by at least half of the plants.

    Raises
    ------
    ValueError
        Without a plant.
    """
    if not stages:
        raise ValueError("a field stage needs at least one plant")
    return sorted(stages, reverse=True)[(len(stages) + 1) // 2 - 1]


def summarise(plants: Sequence[PlantEvidence]) -> FieldStage:
    """Sum up a field. Hand counts outrank readings; rejected photos count for nothing.

    Plants that wait for a hand count are left out of the stage and the shares, and it is said how
    far they could move the stage. A height by hand counts in the heights, whatever its photo.
    """
    decided = [plant for plant in plants if plant.decided]
    waiting = [plant for plant in plants if plant.waiting]
    tall = [plant for plant in plants if plant.height_only]
    stages = decided_stages(plants)
    stage = half_rule(stages) if stages else None
    shares, probability = _shares(decided, stages, stage)
    late = ahead = 0.0
    if stage is not None:
        late = sum(s <= stage - 2 for s in stages) / len(stages)
        ahead = sum(s >= stage + 2 for s in stages) / len(stages)
    return FieldStage(
        plants=len(decided),
        hand_counted=sum(plant.hand_count is not None for plant in decided),
        waiting=len(waiting),
        rejected=len(plants) - len(decided) - len(waiting) - len(tall),
        stage=stage,
        probability=probability,
        distribution={k: n / len(stages) for k, n in sorted(Counter(stages).items())},
        shares=shares,
        heights=heights(decided + waiting + tall),
        late=late,
        ahead=ahead,
        evenness=_evenness(stages, stage, late, ahead),
        waiting_names=tuple(plant.name for plant in waiting),
        stage_if_waiting=_stage_if_waiting(stages, waiting),
        stops=len({p.stop for p in decided + waiting if p.stop is not None}),
        stop_effect=_deciding_effect(shares, stage),
        newest=newest(decided + waiting),
        height_only=len(tall),
    )


def _shares(
    decided: Sequence[PlantEvidence],
    stages: Sequence[int],
    stage: int | None,
) -> tuple[tuple[Share, ...], float | None]:
    """Shares at or past each stage, and the probability of the field's stage."""
    if stage is None:
        return (), None
    belief = np.array([beliefs(plant) for plant in decided])
    at_or_past = belief[:, ::-1].cumsum(axis=1)[:, ::-1].clip(0, 1)
    stops = [plant.stop for plant in decided]
    shares = []
    for k in range(1, min(max(stages) + 1, HIGHEST_STAGE) + 1):
        there = [s >= k for s in stages]
        effect = share_effect(there, stops)
        found = share_belief(at_or_past[:, k].tolist(), effect.effect)
        seen = sum(there) / len(stages)
        shares.append(Share(k, seen, found.interval(), found.above(0.5), effect))
    shares = _falling(shares)
    half = {0: 1.0, **{share.stage: share.at_least_half for share in shares}}
    return tuple(shares), max(half[stage] - half.get(stage + 1, 0.0), 0.0)


def _falling(shares: Sequence[Share]) -> list[Share]:
    """Shares that only fall with the stage.

    Plants past V5 are past V4 too, but each share's effect is estimated apart and may say else.
    """
    found: list[Share] = []
    for share in shares:
        before = found[-1] if found else share
        high = min(share.interval[1], before.interval[1])
        half = min(share.at_least_half, before.at_least_half)
        found.append(replace(share, interval=(share.interval[0], high), at_least_half=half))
    for k in range(len(found) - 2, -1, -1):
        low = max(found[k].interval[0], found[k + 1].interval[0])
        found[k] = replace(found[k], interval=(low, found[k].interval[1]))
    return found


def _deciding_effect(shares: Sequence[Share], stage: int | None) -> StopEffect:
    """The larger effect of the two shares that decide the field's stage."""
    asked = [s.stop_effect for s in shares if stage is not None and s.stage in (stage, stage + 1)]
    return max(asked, key=lambda one: one.effect, default=ALONE)


def heights(plants: Sequence[PlantEvidence]) -> Heights | None:
    """Heights of those that have one; a waiting plant's is as good as another's."""
    found = np.sort([p.height_mm for p in plants if p.height_mm is not None])
    if len(found) == 0:
        return None
    tenth = max(round(len(found) / 10), 1)
    spread = float(found.std(ddof=1)) if len(found) > 1 else None
    return Heights(
        plants=len(found),
        mean_mm=float(found.mean()),
        standard_error_mm=None if spread is None else spread / math.sqrt(len(found)),
        spread_mm=spread,
        tallest_tenth_mm=float(found[-tenth:].mean()),
    )


def _evenness(stages: Sequence[int], stage: int | None, late: float, ahead: float) -> str:
    """Say how even the field is and what that means for it."""
    if stage is None:
        return "No plant has an answer yet."
    if len(stages) < 2:
        return "One plant says nothing of evenness."
    near = 1 - late - ahead
    lowest, highest = min(stages), max(stages)
    if near >= _EVEN_SHARE:
        return f"Even: {near:.0%} of the plants are within one stage of {stage_name(stage)}."
    word = "Somewhat uneven" if near >= _UNEVEN_SHARE else "Uneven"
    return (
        f"{word}: plants run from {stage_name(lowest)} to {stage_name(highest)}, "
        f"{late:.0%} two stages or more behind {stage_name(stage)}, the stage of all "
        f"together, {ahead:.0%} two or more ahead of it. "
        "One stage hides that: the most advanced plants decide a maximum, "
        "the least advanced a minimum."
    )


def _stage_if_waiting(
    stages: Sequence[int], waiting: Sequence[PlantEvidence]
) -> tuple[int, int] | None:
    """Lowest, and highest, field stage that the waiting plants may leave.

    Each is at its lowest, or highest, plausible stage, or no plant: those that pull the other way
    are left out.
    """
    if not waiting:
        return None
    low, high = zip(*(plausible_stages(plant) for plant in waiting), strict=True)
    behind = [[*stages, *(k for k in low if k <= most)] for most in {-1, *low}]
    ahead = [[*stages, *(k for k in high if k >= least)] for least in {HIGHEST_STAGE + 1, *high}]
    return min(half_rule(some) for some in behind if some), max(
        half_rule(some) for some in ahead if some
    )
