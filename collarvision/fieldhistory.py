"""Field history: what a field's other visits say beside the one that is judged.

A stage rests on one visit, as a plant has no name by which two visits could tell it again. What
the others hold is told in short, and where they speak against the answer that is said. Only past
holds for good: a limit that an earlier visit was past stays past.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from collarvision.answer import count_of, stage_name
from collarvision.evidence import SAME_CROP_DAYS, PlantEvidence
from collarvision.field import FieldStage, summarise
from collarvision.fieldvisits import FieldVisits

SAME_WALK_DAYS: Final = 2
"""Visits so near to each other may be one walk that took two days. Our own choice."""


@dataclass(frozen=True)
class PastVisit:
    """An earlier visit in short; `plants` have an answer, `waiting` ask for a hand count."""

    day: date
    plants: int
    stage: int | None
    waiting: int = 0
    mean_height_mm: float | None = None


def past_visits(visits: FieldVisits) -> tuple[PastVisit, ...]:
    """Every dated visit before the chosen one in short, the first one first."""
    found = []
    for one in visits.earlier:
        if one.day is not None:
            said = summarise(one.evidence)
            mean = None if said.heights is None else said.heights.mean_mm
            found.append(PastVisit(one.day, said.plants, said.stage, said.waiting, mean))
    return tuple(found)


def same_crop(visits: FieldVisits) -> tuple[tuple[date, tuple[PlantEvidence, ...]], ...]:
    """Day and plants of each other visit to the same crop, the first one first.

    Those after the chosen one too: what they were past by the day of an answer, the field is.
    """
    chosen = visits.chosen.day
    return tuple(
        (one.day, one.evidence)
        for one in (*visits.earlier, *visits.later)
        if one.day is not None
        and chosen is not None
        and abs((chosen - one.day).days) <= SAME_CROP_DAYS
    )


def remarks(visits: FieldVisits, past: Sequence[PastVisit], stage: FieldStage) -> tuple[str, ...]:
    """Give sentences where another visit should be minded with the chosen one's answer."""
    day = visits.chosen.day
    if day is None:
        return ()
    told = []
    for one in past:
        if (day - one.day).days <= SAME_WALK_DAYS and one.plants + one.waiting:
            more = count_of(one.plants + one.waiting, "more plant")
            told.append(
                f"The visit of {one.day} has {more}: this answer rests on the visit of {day} alone."
            )
    # Plants lose no stage, but those of another season are others.
    reached = [
        (one.stage, one.day)
        for one in past
        if one.stage is not None and (day - one.day).days <= SAME_CROP_DAYS
    ]
    if reached and stage.stage is not None and stage.stage < max(reached)[0]:
        highest, then = max(reached)
        told.append(
            f"The field was at {stage_name(highest)} on {then} and is at "
            f"{stage_name(stage.stage)} now, and plants lose no stage: look whether lower leaves "
            "were counted as lost, whether photos are filed under the right field, and whether "
            "the plants are enough."
        )
    return tuple(told)
