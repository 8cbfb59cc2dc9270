"""Habit: how one plant carries its leaves, drawn so that posture doesn't tell a collar."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Habit:
    """How one plant carries its leaves; angles in degrees.

    Whorl leaves and young collared leaves are drawn from ranges that overlap widely, and size
    goes its own way, so that neither a leaf's posture nor its size tells that its collar is out:
    only the collar does. Field corn varies this much between hybrids, densities and weather [M].
    Most plants have a leaf that hangs one to two above the top collar (Ohio State Univ. AGF-127).
    """

    laxness: float  # erect .. lax, about 0..1
    collared_insertion: float  # of the youngest collared leaf
    insertion_a_leaf: float  # added a leaf of age
    collared_reach: float  # added to the angle that a collared blade's end reaches
    whorl_opening: float  # insertion of a whorl leaf that is all out
    whorl_reach: float  # added to the angle that a whorl leaf's end reaches, all out
    whorl_tube: float  # see `Leaf.tube`
    length_trend: float  # log length a rank, over the published profile


def draw_habit(rng: np.random.Generator) -> Habit:
    """Draw one plant's habit."""
    return Habit(
        laxness=float(rng.uniform(-0.2, 1.2)),
        collared_insertion=float(rng.uniform(9.0, 34.0)),
        insertion_a_leaf=float(rng.uniform(3.0, 9.0)),
        collared_reach=float(np.clip(rng.normal(18, 14), -12, 48)),
        whorl_opening=float(rng.uniform(8.0, 42.0)),
        whorl_reach=float(np.clip(rng.normal(18, 18), -22, 58)),
        whorl_tube=float(rng.uniform(0.05, 0.30)),
        length_trend=float(np.clip(rng.normal(0, 0.05), -0.1, 0.1)),
    )
