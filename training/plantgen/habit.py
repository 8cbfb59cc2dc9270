"""Habit: how one plant carries its leaves, drawn so that posture doesn't tell a collar."""

from __future__ import annotations

from dataclasses import dataclass, replace

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
    whorl_furl: float  # see `Leaf.furl`
    length_trend: float  # log length a rank, over the published profile


FURLS = (0.5, 1.1)
"""Over which share of the usual way a whorl leaf unrolls: at the least it lies open right above the
rim that it comes out of, as a collared blade does [M]."""


def draw_habit(rng: np.random.Generator) -> Habit:
    """Draw one plant's habit."""
    habit = Habit(
        laxness=float(rng.uniform(-0.2, 1.2)),
        collared_insertion=float(rng.uniform(9.0, 34.0)),
        insertion_a_leaf=float(rng.uniform(3.0, 9.0)),
        collared_reach=float(np.clip(rng.normal(18, 14), -12, 48)),
        whorl_opening=float(rng.uniform(8.0, 42.0)),
        whorl_reach=float(np.clip(rng.normal(18, 18), -22, 58)),
        whorl_tube=float(rng.uniform(0.05, 0.30)),
        whorl_furl=1.0,
        length_trend=float(np.clip(rng.normal(0, 0.05), -0.1, 0.1)),
    )
    # Dice of its own: all else of a seed's plant is as it was before.
    dice = np.random.default_rng(int(1e9 * habit.whorl_tube))
    return replace(habit, whorl_furl=float(dice.uniform(*FURLS)))
