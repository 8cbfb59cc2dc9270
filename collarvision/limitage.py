"""Limit age: what plants of a visit say that are older than a verdict may rest on.

A camera may date some of a visit's photos before the others. Such plants have only grown since, so
they may make an answer stricter and never bolder: one that was near the maximum isn't farther from
it for being old. Of the minimum, which they may have reached since, they say nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from collarvision.evidence import PlantEvidence
from collarvision.limitpast import word_by_plants
from collarvision.limitsfile import Limit
from collarvision.limitwords import VerdictWord
from collarvision.standing import PlantStanding


def word_of_cases(
    each: Sequence[Sequence[PlantStanding]], limit: Limit
) -> tuple[VerdictWord, bool]:
    """The word by plants that hold in every case, and whether the cases differ: can't tell then."""
    words = {word_by_plants(case, limit) for case in each}
    if words == {"open", "closing"}:
        words = {"closing"}  # inside either way: no need to wait, only to hurry
    return (next(iter(words)), False) if len(words) == 1 else ("can't tell", True)


def since(plants: Sequence[PlantEvidence], day: date) -> list[PlantEvidence]:
    """The plants from that day on; those without a date are the oldest."""
    return [p for p in plants if (p.taken_at or date.min) >= day]


def with_older(plants: Sequence[PlantEvidence], oldest: date) -> list[list[PlantEvidence]]:
    """The plants since each of the days before `oldest`: what was judged on the days between.

    Empty where no plant is from before that day.
    """
    days = sorted({p.taken_at or date.min for p in plants})
    return [since(plants, day) for day in days if day < oldest]


def maximum_of(limit: Limit) -> Limit:
    """The same limit where any plant may be short of the minimum."""
    return replace(limit, share_short=1.0)
