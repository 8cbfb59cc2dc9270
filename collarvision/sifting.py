"""Sifting: which of the network's peaks are leaves of this plant, and whose tip is whose.

Peaks off the stalk, second halves of a collar and second findings of a tip fall out here; what is
left is put in order by `collarvision.plant`.
"""

from __future__ import annotations

import numpy as np

from collarvision.frame import to_map_cells
from collarvision.pairing import CollarCue, Pairing, TipCue, pair
from collarvision.parts import CollarPeak, Parts, TipPeak
from collarvision.skeleton import Axis

SAME_COLLAR_CELLS = 2.8
"""Two peaks this close along the stalk may be the two halves of one collar."""

ONE_COLLAR_CELLS = 0.8
TWIN_FROM = 0.35
"""Farther apart than the first, and with the second's score, they may as well be two collars, one
of which has just cleared: three in five of such pairs on own photos are. They are weighed, then,
and not joined."""

SAME_TIP_CELLS = 4.0
"""Two tips this close that lead to one collar are one tip."""


def on_stalk(
    peaks: tuple[CollarPeak, ...], axis: Axis | None, to_map: np.ndarray
) -> tuple[list[CollarPeak], int]:
    """Drop collars that lie off the stalk: specks on blades, collars of plants behind."""
    if axis is None or not peaks:
        return list(peaks), 0
    _, off = axis.project(to_map_cells(to_map, [(c.x, c.y) for c in peaks]))
    reach = max(4.0, 0.06 * axis.top)
    # A confident peak may stand farther out: the axis has its own error.
    kept = [
        c
        for c, d in zip(peaks, off, strict=True)
        if abs(d) <= reach * (2.0 if c.score > 0.7 else 1.0)
    ]
    return kept, len(peaks) - len(kept)


def paired(
    tips: list[TipPeak], collars: list[CollarPeak], parts: Parts, to_map: np.ndarray
) -> Pairing:
    """Give tips their collars, by their links, numbers and scores."""
    at = to_map_cells(to_map, [(t.x, t.y) for t in tips])
    ends = to_map_cells(to_map, [(t.collar_x, t.collar_y) for t in tips])
    places = to_map_cells(to_map, [(c.x, c.y) for c in collars])
    hidden_at = to_map_cells(to_map, [(c.x, c.y) for c in parts.hidden_collars])
    hidden_score = np.array([c.score for c in parts.hidden_collars])
    cues = []
    for tip, (x, y), end in zip(tips, at, ends, strict=True):
        near = np.hypot(*(hidden_at - end).T) < 4.0 + 0.05 * np.hypot(*(end - (x, y)))
        here = float(hidden_score[near].max()) if near.any() else 0.0
        cues.append(TipCue(x, y, end[0], end[1], tip.score, tip.collared, tip.rank, here))
    return pair(
        cues,
        [CollarCue(x, y, c.score, c.rank) for c, (x, y) in zip(collars, places, strict=True)],
    )


def without_halves(
    collars: list[CollarPeak], pairing: Pairing, axis: Axis | None, to_map: np.ndarray
) -> tuple[set[int], set[int]]:
    """Collars to keep, and which of them are twins: perhaps the other half of a better one.

    A collar without a tip right beside a better one is that one's other half, and isn't kept.
    """
    places = to_map_cells(to_map, [(c.x, c.y) for c in collars])
    along = axis.project(places)[0] if axis is not None and len(places) else places[:, 1]
    paired = {j for j in pairing.collar_of_tip if j is not None}
    kept = set(range(len(collars)))
    twins: set[int] = set()
    for j in sorted(kept - paired, key=lambda j: collars[j].score):
        for other in kept - {j}:
            close = abs(along[j] - along[other]) < SAME_COLLAR_CELLS and (
                np.hypot(*(places[j] - places[other])) < 2.5 * SAME_COLLAR_CELLS
            )
            same_rank = abs(collars[j].rank - collars[other].rank) < 0.6
            better = other in paired or collars[other].score > collars[j].score
            if not (close and same_rank and better):
                continue
            if abs(along[j] - along[other]) > ONE_COLLAR_CELLS and collars[j].score >= TWIN_FROM:
                twins.add(j)
                continue
            kept.discard(j)
            twins.discard(j)
            break
    return kept, twins


def without_doubles(tips: list[TipPeak], pairing: Pairing, to_map: np.ndarray) -> set[int]:
    """Tips to keep: real ones, and of two close together with one link the better."""
    at = to_map_cells(to_map, [(t.x, t.y) for t in tips])
    ends = to_map_cells(to_map, [(t.collar_x, t.collar_y) for t in tips])
    kept: set[int] = set()
    for i in sorted(
        range(len(tips)), key=lambda i: (pairing.collar_of_tip[i] is None, -tips[i].score)
    ):
        doubled = any(
            np.hypot(*(at[i] - at[k])) < SAME_TIP_CELLS
            and np.hypot(*(ends[i] - ends[k])) < 2 * SAME_TIP_CELLS
            and abs(tips[i].rank - tips[k].rank) < 0.5
            for k in kept
        )
        if pairing.real[i] and not doubled:
            kept.add(i)
    return kept
