"""Ladder: leaves found, in order, set on the rungs 1, 2, 3 ... of the leaf numbers.

Counting alone reads high when one leaf is found twice and low when one isn't found at all. The
network's leaf numbers tell both: two neighbours with one number, or a number left out between
them. A chain over the leaves, bottom up, weighs every way in which the leaves found could be the
leaves there are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from collarvision.network import STAGE_COUNT

RUNGS = 18
"""Rungs 0 .. 17: a plant has no more leaves within our stages, whorl included."""

MISSED = 0.03
"""Chance that a leaf between two others was not found at all. Read off our own validation plants,
as are the next two."""

MOST_MISSED = 2

SPURIOUS_FIT = 0.5
"""Worth of any leaf number to a peak that is no leaf, where the right one is worth 1 to a leaf."""

ALTERNATE = {1: 0.93, 2: 0.18, 3: 0.93}
"""P(two leaves show on opposite sides of the stalk) by how many leaves the upper one is above the
lower: leaves alternate at 180 degrees (CIMMYT), less where the plant is seen end on. Counted on
our own validation plants."""

SHIFTS = ((0, 0.7), (-1, 0.15), (1, 0.15))
"""The network's leaf numbers of one plant may all be off by one together, with these chances."""


@dataclass(frozen=True)
class Rung:
    """What is known of one leaf found.

    Attributes
    ----------
    real : float
        P(it is a leaf that no other leaf found is).
    out : float
        P(its collar is out), given that it is real.
    number : float
        The network's leaf number.
    side : int
        -1 left of the stalk, 1 right of it, 0 not known.
    """

    real: float
    out: float
    number: float
    side: int = 0


def stage_on_ladder(leaves: list[Rung], below: np.ndarray, sigma: float) -> np.ndarray:
    """Distribution over VE, V1 .. V12 of the number of the highest leaf whose collar is out.

    Parameters
    ----------
    leaves : list of Rung
        Bottom up.
    below : ndarray, (m,)
        P(0, 1, 2 ... leaves below the lowest one, lost or not found).
    sigma : float
        Error of a leaf number, leaves.
    """
    total = np.zeros(RUNGS)
    for shift, chance in SHIFTS:
        total += chance * _climb(leaves, below, sigma, shift)
    folded = np.zeros(STAGE_COUNT)
    np.add.at(folded, np.minimum(np.arange(RUNGS), STAGE_COUNT - 1), total)
    return folded / folded.sum()


def _climb(leaves: list[Rung], below: np.ndarray, sigma: float, shift: int) -> np.ndarray:
    """Weight (RUNGS,) of each stage if all leaf numbers are off by `shift`.

    `state[stage, rung]`: the highest collar out so far, and the highest leaf placed so far. Leaves
    above the first one in the whorl are in the whorl as well.
    """
    state = np.zeros((RUNGS, RUNGS))
    for count, chance in enumerate(below):
        state[count, count] = chance
    rungs = np.arange(RUNGS)
    side = 0  # of the last leaf that is more likely one than not
    for leaf in leaves:
        # A density against 1: a leaf that is none may bear any number within the ladder.
        fits = np.exp(-0.5 * ((rungs - leaf.number + shift) / sigma) ** 2) + 1e-3
        placed = np.zeros_like(state)
        for missed in range(MOST_MISSED + 1):
            up = missed + 1
            chance = MISSED**missed * (1 - MISSED) * alternation(side, leaf.side, up)
            in_order = np.diagonal(state)[:-up]
            # Collar out: only onto a plant whose leaves so far all have their collars out.
            at = np.arange(len(in_order)) + up
            placed[at, at] += leaf.out * chance * in_order * fits[at]
            # Still in the whorl: leaves missed below it may have had their collars out or not.
            moved = state[:, :-up] * (1 - leaf.out) * chance * fits[up:]
            for more in range(missed + 1):
                if more == 0:
                    share = np.ones_like(moved)
                    diagonal = np.arange(len(in_order))
                    share[diagonal, diagonal] = 1.0 / (missed + 1)
                    placed[:, up:] += share * moved
                else:
                    stages = np.arange(len(in_order))
                    placed[stages + more, stages + up] += np.diagonal(moved) / (missed + 1)
        state = (1 - leaf.real) * SPURIOUS_FIT * state + leaf.real * placed
        if leaf.real > 0.5:
            side = leaf.side
    return state.sum(axis=1)


def alternation(lower: int, upper: int, up: int) -> float:
    """Worth of two leaves' sides if the upper is `up` leaves above; 1 where a side isn't known."""
    if not lower or not upper:
        return 1.0
    opposite = ALTERNATE[up]
    return 2.0 * (opposite if lower != upper else 1.0 - opposite)


def number_leaves(numbers: list[float], below: np.ndarray, sigma: float = 0.5) -> list[int]:
    """Give every leaf its most likely number, never falling from one leaf to the next.

    Parameters
    ----------
    numbers : list of float
        The network's leaf numbers, bottom up.
    below : ndarray, (m,)
        P(0, 1, 2 ... leaves below the lowest one, lost or not found).
    sigma : float
        Error of a leaf number.

    Returns
    -------
    list of int
        Two leaves with one number are one leaf found twice.
    """
    if not numbers:
        return []
    rungs = np.arange(RUNGS)
    # Cost of each step up from rung to rung: none is a leaf found twice, two is one missed.
    rise = rungs[None, :] - rungs[:, None]
    unlikely = -np.log(MISSED)
    step = np.select([rise == 1, rise == 0, rise > 1], [0.0, unlikely, unlikely * (rise - 1)], 99.0)
    start = np.full(RUNGS, 99.0)
    for count, chance in enumerate(below):
        start[count] = -np.log(max(float(chance), 1e-4))
    best = start
    came_from = []
    for place, number in enumerate(numbers):
        # The first leaf can't be a second finding of a lost one.
        ways = best[:, None] + (np.where(rise == 0, 99.0, step) if place == 0 else step)
        came_from.append(ways.argmin(axis=0))
        best = ways.min(axis=0) + np.minimum(0.5 * ((rungs - number) / sigma) ** 2, 6.0)
    at = int(best.argmin())
    path = [at]
    for before in reversed(came_from[1:]):
        at = int(before[at])
        path.append(at)
    return path[::-1]
