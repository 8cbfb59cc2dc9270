"""Ladder: leaves found, in order, set on the rungs 1, 2, 3 ... of the leaf numbers.

Counting alone reads high when one leaf is found twice and low when one isn't found at all. The
network's leaf numbers tell both: two neighbours with one number, or a number left out between
them. A chain over the leaves, bottom up, weighs every way in which the leaves found could be the
leaves there are.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from collarvision.network import STAGE_COUNT

RUNGS = 18
"""Rungs 0 .. 17: a plant has no more leaves within our stages, whorl included."""

MISSED = 0.05
"""Chance that a leaf between two others was not found at all. Read off our own validation plants,
as are the next two."""

MOST_MISSED = 2

SPURIOUS_FIT = 0.5
"""Worth of any leaf number to a peak that is no leaf, where the right one is worth 1 to a leaf."""

ALTERNATE = {1: 0.93, 2: 0.18, 3: 0.93}
"""P(two leaves show on opposite sides of the stalk) by how many leaves the upper one is above the
lower: leaves alternate at 180 degrees (CIMMYT), less where the plant is seen end on. Counted on
our own validation plants."""

LOWEST_SIGMA = 0.8
"""Error of the leaf number of a plant's lowest leaf. Those of one plant err together, so the others
tell only how far each is above the one before. Own choice, near what validation plants show."""

STRAY = 0.001
"""Worth, against 1 for the best fit, of a leaf number that fits not at all."""


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
        Error of how far one leaf number is above the one before, leaves.
    """
    state = _start(below)
    for skip, step in _steps(leaves, sigma):
        placed = np.bincount(_TO, step * state[_FROM], minlength=len(state))
        state = skip * state + placed
    folded = np.zeros(STAGE_COUNT)
    stages = state.reshape(RUNGS, RUNGS).sum(axis=1)
    np.add.at(folded, np.minimum(np.arange(RUNGS), STAGE_COUNT - 1), stages)
    return folded / folded.sum()


@dataclass(frozen=True)
class Numbers:
    """Leaf numbers of one plant.

    Attributes
    ----------
    below : int
        Leaves below the lowest one.
    ranks : tuple of (int or None)
        Number of each leaf, rising; None for what is no leaf, or another finding of one.
    """

    below: int
    ranks: tuple[int | None, ...]

    @property
    def filled(self) -> tuple[int, ...]:
        """Ranks where another finding has the number of the leaf before it, or else after it."""
        known = [rank for rank in self.ranks if rank is not None]
        last = known[0] if known else self.below + 1
        filled = []
        for rank in self.ranks:
            last = rank if rank is not None else last
            filled.append(last)
        return tuple(filled)


def number_leaves(
    leaves: list[Rung], below: np.ndarray, sigma: float, stage: int | None = None
) -> Numbers:
    """Give the leaves their numbers in the likeliest of the ways that `stage_on_ladder` weighs.

    Parameters
    ----------
    leaves, below, sigma
        As of `stage_on_ladder`.
    stage : int, optional
        Only ways that lead to this stage: then a leaf's collar is out if and only if its number is
        at most the stage. Where no way leads there, any serves.
    """
    state = _start(below)
    came_from = []
    for skip, step in _steps(leaves, sigma):
        ways = step * state[_FROM]
        placed = np.zeros_like(state)
        np.maximum.at(placed, _TO, ways)
        # -1: the leaf was none, and the state stays as it was.
        before = np.full(len(state), -1)
        chosen = (ways == placed[_TO]) & (ways > skip * state[_TO])
        before[_TO[chosen]] = _FROM[chosen]
        came_from.append(before)
        state = np.maximum(placed, skip * state)
    if stage is not None:
        stages = np.arange(RUNGS * RUNGS) // RUNGS
        there = np.where(stages == stage, state, 0.0)
        state = there if there.any() else state
    at = int(state.argmax())
    ranks: list[int | None] = []
    for before in reversed(came_from):
        ranks.append(at % RUNGS if before[at] >= 0 else None)
        at = int(before[at]) if before[at] >= 0 else at
    return Numbers(at % RUNGS, tuple(reversed(ranks)))


# --------------------------------------------------------------------------- the ways


def _start(below: np.ndarray) -> np.ndarray:
    """Weight of each state before the lowest leaf.

    A state is the highest collar out so far and the highest leaf placed so far (its stage and its
    rung), in one number, stage * RUNGS + rung. Leaves above the first one in the whorl are in the
    whorl as well.
    """
    state = np.zeros((RUNGS, RUNGS))
    np.fill_diagonal(state[: len(below), : len(below)], below)
    return state.ravel()


def _steps(leaves: list[Rung], sigma: float) -> Iterator[tuple[float, np.ndarray]]:
    """Of each leaf: the weight of its being none, and that of each step of `_FROM` to `_TO`."""
    rungs = np.arange(RUNGS)
    missed = np.arange(MOST_MISSED + 1)
    last: Rung | None = None  # the last leaf that is more likely one than not
    for leaf in leaves:
        # A density against 1: a leaf that is none may bear any number within the ladder.
        fits = np.ones(len(_TO))
        chance = MISSED**missed * (1 - MISSED)
        if last is None:
            fits = _fit(rungs - leaf.number, LOWEST_SIGMA)[_TO % RUNGS]
        else:
            chance = chance * _fit(missed + 1 - (leaf.number - last.number), sigma)
            chance = chance * [alternation(last.side, leaf.side, int(up)) for up in missed + 1]
        out = np.where(_OUT, leaf.out, (1 - leaf.out) * _SHARE)
        yield (1 - leaf.real) * SPURIOUS_FIT, leaf.real * chance[_PASSED] * out * fits
        if leaf.real > 0.5:
            last = leaf


def _fit(off: np.ndarray, sigma: float) -> np.ndarray:
    fit: np.ndarray = np.exp(-0.5 * (off / sigma) ** 2) + STRAY
    return fit


def alternation(lower: int, upper: int, up: int) -> float:
    """Worth of two leaves' sides if the upper is `up` leaves above; 1 where a side isn't known."""
    if not lower or not upper:
        return 1.0
    opposite = ALTERNATE[up]
    return 2.0 * (opposite if lower != upper else 1.0 - opposite)


def _all_steps() -> tuple[np.ndarray, ...]:
    """Every step that a leaf can take: from, to, leaves missed, collar out, share of the ways.

    A collar is out only on a plant whose leaves so far all have their collars out. Below a leaf in
    the whorl the missed ones may have had their collars out or not, as many as they are.
    """
    steps = []
    for passed in range(MOST_MISSED + 1):
        for stage in range(RUNGS):
            for rung in range(stage, RUNGS - passed - 1):
                here, there = stage * RUNGS + rung, rung + passed + 1
                if stage < rung:
                    steps.append((here, stage * RUNGS + there, passed, False, 1.0))
                    continue
                steps.append((here, there * RUNGS + there, passed, True, 1.0))
                for more in range(passed + 1):
                    to = (stage + more) * RUNGS + there
                    steps.append((here, to, passed, False, 1.0 / (passed + 1)))
    return tuple(np.array(column) for column in zip(*steps, strict=True))


_FROM, _TO, _PASSED, _OUT, _SHARE = _all_steps()
