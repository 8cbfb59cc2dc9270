"""Evidence: what one plant of a field says, whoever counted it.

The rooms that judge a field take lists of `PlantEvidence` and know nothing of photos or stores.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

from collarvision.answer import height_in_doubt

# A hand count may go past what a photo can tell; corn makes 16-22 leaves (CIMMYT).
HIGHEST_STAGE: Final = 22
READ_STAGES: Final = 13  # VE ... V12, what a reading can say

SAME_CROP_DAYS: Final = 120
"""Photos and visits up to so long before are of the same plants: young corn is young no more after
half that time, and nobody plants again sooner but after a loss. Our own choice."""


@dataclass(frozen=True)
class PlantEvidence:
    """One plant.

    Attributes
    ----------
    name : str
        How the user knows the plant, such as its photo's name.
    stage_probabilities : tuple of float
        P(VE), P(V1), ...; they may miss a little of 1, rounding and tiny ones left out.
    stage : int or None
        The reading's best stage; None when there was nothing to count.
    outcome : str
        The reading's outcome.
    confidence : float or None
        Calibrated probability that `stage` is right.
    height_mm, height_interval_mm : float, (float, float), or None
        Height, and the interval that holds it in 90 of 100 photos.
    hand_count : int or None
        Collars counted by a person, lost leaves included. It outranks the reading.
    one_more : float
        Probability that the hand count is one leaf short, as one from nodes may be.
    height_basis : str or None
        What a reading's height was taken to, as its record says it.
    taken_at : date or None
    stop : str or None

    Raises
    ------
    ValueError
        When the values contradict each other or lie outside what a plant can be.
    """

    name: str
    stage_probabilities: tuple[float, ...] = ()
    stage: int | None = None
    outcome: Literal["staged", "hand-count", "rejected"] = "staged"
    confidence: float | None = None
    height_mm: float | None = None
    height_interval_mm: tuple[float, float] | None = None
    hand_count: int | None = None
    one_more: float = 0.0
    taken_at: date | None = None
    stop: str | None = None
    height_basis: str | None = None

    def __post_init__(self) -> None:
        if any(not (math.isfinite(p) and 0 <= p <= 1) for p in self.stage_probabilities):
            raise ValueError(f"{self.name}: every stage probability is between 0 and 1")
        if sum(self.stage_probabilities) > 1.001:
            raise ValueError(f"{self.name}: the stage probabilities add up to more than 1")
        if len(self.stage_probabilities) > HIGHEST_STAGE + 1:
            raise ValueError(f"{self.name}: there are more stages than corn has leaves")
        for label, stage in (("stage", self.stage), ("hand count", self.hand_count)):
            if stage is not None and not 0 <= stage <= HIGHEST_STAGE:
                raise ValueError(f"{self.name}: the {label} {stage} isn't 0 to {HIGHEST_STAGE}")
        for label, p in (("confidence", self.confidence), ("chance of one more", self.one_more)):
            if p is not None and not 0 <= p <= 1:
                raise ValueError(f"{self.name}: the {label} is between 0 and 1")
        if self.height_mm is not None and not (
            math.isfinite(self.height_mm) and self.height_mm >= 0
        ):
            raise ValueError(f"{self.name}: the height must be a number of mm, 0 or more")
        if self.height_interval_mm is not None and (
            self.height_mm is None
            or not self.height_interval_mm[0] <= self.height_mm <= self.height_interval_mm[1]
        ):
            raise ValueError(f"{self.name}: the height must lie in its interval")
        if self.outcome == "staged" and self.stage is None and self.hand_count is None:
            raise ValueError(f"{self.name}: a staged plant needs a stage")

    @property
    def decided(self) -> bool:
        """Whether the plant has an answer that may be used: a hand count, or a safe reading."""
        return self.hand_count is not None or self.outcome == "staged"

    @property
    def waiting(self) -> bool:
        """Whether there is a plant that a person must still count."""
        return self.hand_count is None and self.outcome == "hand-count"

    @property
    def height_only(self) -> bool:
        """Whether a height by hand is all that is known: no leaf count, and none to wait for.

        A reading's height comes with its interval and is worth no more than the reading; a person's
        has none.
        """
        measured = self.height_mm is not None and self.height_interval_mm is None
        return measured and not (self.decided or self.waiting)

    @property
    def tells(self) -> bool:
        """Whether it says anything of the field, or will once it is counted."""
        return self.decided or self.waiting or self.height_only

    @property
    def height_in_doubt(self) -> bool:
        """Whether another leaf may well govern the height; never of one by hand."""
        return height_in_doubt(self.height_mm, self.height_interval_mm, self.height_basis)

    @property
    def best_stage(self) -> int | None:
        """The hand count if there is one, else the reading's stage."""
        return self.stage if self.hand_count is None else self.hand_count


def beliefs(plant: PlantEvidence) -> tuple[float, ...]:
    """Probability of each stage 0 ... `HIGHEST_STAGE`, adding up to 1.

    A hand count is taken as the truth, but for the leaf that one from nodes may miss. A reading
    keeps the shape of its own probabilities, scaled so that its stage has exactly the calibrated
    confidence: that is the figure that was checked against truth. A reading that says nothing (no
    stage, no probabilities) is level over what a photo can tell.
    """
    size = HIGHEST_STAGE + 1
    if plant.hand_count is not None:
        more = min(plant.hand_count + 1, HIGHEST_STAGE)
        found = [0.0] * size
        found[plant.hand_count] = 1 - plant.one_more
        found[more] += plant.one_more
        return tuple(found)
    # Less than a millionth is a rounding left-over, and scaling it up could overflow.
    given = [p if p >= 1e-6 else 0.0 for p in plant.stage_probabilities]
    given += [0.0] * (size - len(given))
    total = sum(given)
    if plant.stage is None:
        if total == 0:
            return tuple(1 / READ_STAGES if k < READ_STAGES else 0.0 for k in range(size))
        return tuple(p / total for p in given)
    sure = plant.confidence
    if sure is None:
        sure = given[plant.stage] / total if total else 1.0
    others = [0.0 if k == plant.stage else p for k, p in enumerate(given)]
    if sum(others) == 0:
        # Nothing says where the rest lies: the stages next to it are the likely errors.
        near = [k for k in (plant.stage - 1, plant.stage + 1) if 0 <= k < size]
        others = [float(k in near) for k in range(size)]
    scale = (1 - sure) / sum(others)
    return tuple(sure if k == plant.stage else p * scale for k, p in enumerate(others))


def plausible_stages(plant: PlantEvidence) -> tuple[int, int]:
    """Lowest and highest stage that a person might still count on a waiting plant.

    Every stage with at least 1 in 100, and one more on either side, since a plant is sent to a
    hand count just because its reading isn't to be trusted. Our own choice.
    """
    if plant.hand_count is not None:
        return plant.hand_count, min(plant.hand_count + (plant.one_more > 0), HIGHEST_STAGE)
    possible = [k for k, p in enumerate(beliefs(plant)) if p >= 0.01]
    return max(possible[0] - 1, 0), min(possible[-1] + 1, HIGHEST_STAGE)


def decided_stages(plants: Iterable[PlantEvidence]) -> list[int]:
    """Stages of the plants that have an answer."""
    return [p.best_stage for p in plants if p.decided and p.best_stage is not None]


def newest(plants: Iterable[PlantEvidence]) -> date | None:
    """Date of the latest photo or count, None when no plant has a date."""
    return max((p.taken_at for p in plants if p.taken_at is not None), default=None)
