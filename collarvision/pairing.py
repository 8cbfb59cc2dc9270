"""Pairing: which collar belongs to which tip.

Every tip ends in one of four ways: at a collar that was seen, at a collar that another blade
hides, in the whorl with no collar yet, or it is no tip at all. Each way costs its negative
log-likelihood, and the cheapest assignment over all tips and collars at once is taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LINK_SIGMA = (1.8, 0.05)
"""Error of a link's end: map cells, and share of the link's length. Read off our own validation
plants, whose links err by more than a normal distribution would now and then."""

RANK_SIGMA = 0.75
"""Difference of the network's leaf numbers at a tip and at its collar. Read off likewise."""

HIDDEN_COST = 2.5
"""Cost of a collar that wasn't seen: about one in twelve. Our own choice."""

MOST_WITHOUT_COLLAR = 0.85
"""The most that a tip's word alone counts for its leaf's collar being out. Our own choice."""

TIPLESS_COST = 2.0
"""Cost of a collar whose leaf shows no tip (torn, or pointing at the camera). Our own choice."""


REAL_TIP = (1.1, 2.4)
"""P(a tip is one) is logistic in its score's log odds: intercept and slope, read off our own
validation plants."""


@dataclass(frozen=True)
class TipCue:
    """What pairing needs of a tip; positions in map cells."""

    x: float
    y: float
    end_x: float
    end_y: float
    score: float
    collared: float
    rank: float
    hidden_here: float
    """Score of a hidden collar near the link's end."""


@dataclass(frozen=True)
class CollarCue:
    """What pairing needs of a collar; positions in map cells."""

    x: float
    y: float
    score: float
    rank: float


@dataclass(frozen=True)
class Pairing:
    """For each tip: the index of its collar, or None; whether a collar is hidden there; whether
    it is a tip at all, more likely than not."""

    collar_of_tip: tuple[int | None, ...]
    hidden: tuple[bool, ...]
    real: tuple[bool, ...]


def pair(tips: list[TipCue], collars: list[CollarCue]) -> Pairing:
    """Assign collars to tips at least total cost."""
    if not tips:
        return Pairing((), (), ())
    count, size = len(tips), len(tips) + len(collars)
    # A collar seen with confidence makes every leaf below it a collared one.
    top_rank = max((c.rank for c in collars if c.score > 0.6), default=-np.inf)
    cost = np.zeros((size, size))
    hidden, real = [], []
    for i, tip in enumerate(tips):
        for j, collar in enumerate(collars):
            cost[i, j] = _pair_cost(tip, collar)
        # A tip alone is a weak witness: without a collar seen, the whorl stays likely enough.
        collared = np.clip(tip.collared, 0.02, MOST_WITHOUT_COLLAR)
        if tip.rank < top_rank - 0.7:
            collared = max(collared, 0.97)
        whorl = -np.log(1 - collared)
        behind = -np.log(collared) + HIDDEN_COST * (1 - min(1.0, 1.5 * tip.hidden_here))
        hidden.append(bool(behind < whorl))
        is_one = _real(tip)
        real.append(bool(min(whorl, behind) - np.log(is_one) < -np.log(1 - is_one)))
        cost[i, len(collars) :] = min(min(whorl, behind) - np.log(is_one), -np.log(1 - is_one))
    for j, collar in enumerate(collars):
        # Rows past the tips: this collar stays without a tip, or is no collar.
        false_peak = -np.log(1 - np.clip(collar.score, 0.02, 0.98))
        cost[count:, j] = min(TIPLESS_COST - np.log(max(collar.score, 0.02)), false_peak)
    chosen = cheapest_assignment(cost)[:count]
    taken = tuple(int(j) if j < len(collars) else None for j in chosen)
    return Pairing(
        taken,
        tuple(h and j is None for h, j in zip(hidden, taken, strict=True)),
        tuple(r or j is not None for r, j in zip(real, taken, strict=True)),
    )


def _real(tip: TipCue) -> float:
    score = np.clip(tip.score, 0.01, 0.99)
    z = REAL_TIP[0] + REAL_TIP[1] * np.log(score / (1 - score))
    return float(np.clip(1 / (1 + np.exp(-z)), 0.01, 0.99))


def _pair_cost(tip: TipCue, collar: CollarCue) -> float:
    sigma = LINK_SIGMA[0] + LINK_SIGMA[1] * np.hypot(tip.x - tip.end_x, tip.y - tip.end_y)
    distance = np.hypot(tip.end_x - collar.x, tip.end_y - collar.y) / sigma
    rank = (tip.rank - collar.rank) / RANK_SIGMA
    return float(
        2.5 * np.log1p(distance**2 / 5.0)
        + min(0.5 * rank**2, 4.0)
        - np.log(_real(tip))
        - np.log(np.clip(tip.collared, 0.02, 0.98))
        - np.log(np.clip(collar.score, 0.02, 0.98))
    )


def cheapest_assignment(cost: np.ndarray) -> np.ndarray:
    """Solve the assignment problem for a square matrix: the column of each row.

    The shortest augmenting path form of the Hungarian method (R. Jonker and A. Volgenant, 1987,
    Computing 38:325-340; cited from memory). Written out because the library that has it takes
    half a second to import, and a plant has at most some thirty rows.

    Parameters
    ----------
    cost : ndarray, (n, n)

    Returns
    -------
    ndarray, (n,) int
    """
    n = len(cost)
    row_price, column_price = np.zeros(n + 1), np.zeros(n + 1)
    row_of = np.zeros(n + 1, dtype=int)  # row_of[j]: the row that holds column j; 0 is nobody
    came_from = np.zeros(n + 1, dtype=int)
    for row in range(1, n + 1):
        row_of[0] = row
        column = 0
        shortest = np.full(n + 1, np.inf)
        used = np.zeros(n + 1, dtype=bool)
        while row_of[column]:
            used[column] = True
            holder = row_of[column]
            free = np.nonzero(~used[1:])[0] + 1
            reduced = cost[holder - 1, free - 1] - row_price[holder] - column_price[free]
            better = reduced < shortest[free]
            shortest[free[better]] = reduced[better]
            came_from[free[better]] = column
            following = int(free[shortest[free].argmin()])
            step = shortest[following]
            row_price[row_of[used]] += step
            column_price[used] -= step
            shortest[~used] -= step
            column = following
        while column:
            row_of[column] = row_of[came_from[column]]
            column = int(came_from[column])
    columns = np.zeros(n, dtype=int)
    columns[row_of[1:] - 1] = np.arange(n)
    return columns
