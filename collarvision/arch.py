"""Arch: which leaf governs a plant's height, and at which point.

Two witnesses are heard together: the network's heat for the arch, which often glows on two or
three leaves, and the leaves' own traced shapes. Both published rules are applied to the shapes:
the uppermost leaf at least half out of the whorl that arches, or the uppermost whose tip points
down.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from collarvision.card import Scale
from collarvision.parallax import Stand, on_board
from collarvision.parts import BLADE, STALK, Parts, Point
from collarvision.plant import Leaf, Plant

Rule = Literal["half-out", "tip-down"]
RULES: tuple[Rule, ...] = ("half-out", "tip-down")

LEAST_DROP = 0.05
"""A leaf arches when its tip hangs this share of its length under its top."""

LEAST_DROP_MM = 4.0

LENGTH_STEP = 1.3
"""A blade is about this much longer than the one below it, up to leaf 8 or so: the published
lengths 27.7, 36.1, 45.7 cm of ranks 4-6 (Fournier & Andrieu 1998) step by 1.3."""

PLACES = {-2: 0.06, -1: 0.15, 0: 0.37, 1: 0.36, 2: 0.15, 3: 0.03}
"""How often a leaf governs by its place from the top collared one: a V4 has one or two drooping
leaves more than collars (Ohio State AGF-127), a V5 and a V6 one or two (Nebraska; Iowa State
2008), smaller plants none. The figures are our own choice."""

STRANGER = 0.15
"""Worth of a glow that lies on no traced leaf: the leaf's tip may not have been found."""

UNSEEN = 0.06
"""Worth, as heat, of a leaf's top that the network shows no glow on."""

HEAT_POWER = 2
"""Weight of the network's heat against the leaves' shapes. Read off our own validation plants."""

NO_ARCH_HEAT = 0.15
"""Heat below which no arch is the better word. Read off our own validation plants."""


@dataclass(frozen=True)
class Candidate:
    """A point that the height may be measured to, photo px, and its share of the belief."""

    point: tuple[float, float]
    share: float


@dataclass(frozen=True)
class Shape:
    """A leaf as the height rules see it.

    Attributes
    ----------
    leaf : Leaf
    place : int
        Leaves from the top collared one, which is 0; whorl leaves are 1, 2 ...
    length_px : float
    top : (x, y)
        Upper edge of its highest point, photo px.
    arches, out : float
        P(it arches), P(it is at least half out of the whorl).
    tip_down : bool
    """

    leaf: Leaf
    place: int
    length_px: float
    top: tuple[float, float]
    arches: float
    out: float
    tip_down: bool


def governing(
    parts: Parts, plant: Plant, scale: Scale, standing: Stand, foot: np.ndarray, rule: Rule
) -> list[Candidate]:
    """Points that the height may be measured to, best first; empty when no leaf arches."""
    shapes = leaf_shapes(parts, plant, scale, standing, foot)
    if rule == "tip-down":
        down = [shape for shape in shapes if shape.tip_down and shape.arches >= 0.5]
        if not down:
            return []
        chosen = max(down, key=lambda shape: shape.leaf.rank)
        glow = _glow_on(plant, chosen)
        return [Candidate((glow.x, glow.y) if glow else chosen.top, 1.0)]
    return _half_out(plant, shapes)


def _half_out(plant: Plant, shapes: list[Shape]) -> list[Candidate]:
    glows = [glow for glow in (plant.arch, *plant.other_arches) if glow is not None]
    weighed: list[tuple[tuple[float, float], float]] = []
    free = 1.0
    claimed: set[Point] = set()
    for shape in sorted(shapes, key=lambda shape: -shape.place):
        governs = shape.arches * shape.out
        glow = _glow_on(plant, shape)
        if glow is not None:
            claimed.add(glow)
        weight = free * governs * PLACES.get(shape.place, 0.02)
        point = (glow.x, glow.y) if glow else shape.top
        weighed.append((point, weight * (glow.score if glow else UNSEEN) ** HEAT_POWER))
        free *= 1.0 - governs
    for glow in glows:
        if glow not in claimed:
            weighed.append(((glow.x, glow.y), STRANGER * glow.score**HEAT_POWER))
    none = max(free, 0.1) * max(PLACES.values()) * NO_ARCH_HEAT**HEAT_POWER
    hottest = max((glow.score for glow in glows), default=0.0)
    if hottest > NO_ARCH_HEAT:
        none *= (NO_ARCH_HEAT / hottest) ** 3
    weighed.sort(key=lambda pair: -pair[1])
    if not weighed or weighed[0][1] < none:
        return []
    total = sum(weight for _, weight in weighed)
    return [Candidate(point, weight / total) for point, weight in weighed]


def leaf_shapes(
    parts: Parts, plant: Plant, scale: Scale, standing: Stand, foot: np.ndarray
) -> list[Shape]:
    """Shape of every leaf with a traced midline, bottom up."""
    shapes: list[Shape] = []
    below = 0.0
    collared = sum(leaf.counts for leaf in plant.leaves)
    for i, leaf in enumerate(plant.leaves):
        if len(leaf.midline) < 3:
            continue
        board = on_board(scale, leaf.midline)
        length = float(np.hypot(*np.diff(board, axis=0).T).sum())
        heights = standing.height_mm(foot, board)
        at = int(heights.argmax())
        drop = float(heights[at] - heights[-1])
        last = max(1, len(heights) // 7)
        expected = LENGTH_STEP * below
        share_out = 1.0 if leaf.counts or expected <= 0 else length / expected
        least = max(LEAST_DROP_MM, LEAST_DROP * length)
        shapes.append(
            Shape(
                leaf=leaf,
                place=i - collared + 1,
                length_px=float(np.hypot(*np.diff(leaf.midline, axis=0).T).sum()),
                top=_upper_edge(parts, leaf.midline, at),
                arches=_soft((drop - least) / (0.5 * least)),
                out=0.98 if leaf.counts else _soft((share_out - 0.5) / 0.1),
                tip_down=bool(heights[-1] < heights[-1 - last] - 0.02 * length) and drop > 0,
            )
        )
        below = length if leaf.counts else max(below, length)
    return shapes


def highest(
    plant: Plant, scale: Scale, standing: Stand, foot: np.ndarray
) -> tuple[float, float] | None:
    """The plant's highest point, photo px: its free-standing height."""
    lines = [leaf.midline for leaf in plant.leaves if len(leaf.midline)]
    lines += [np.array([[leaf.tip.x, leaf.tip.y]]) for leaf in plant.leaves if leaf.tip]
    if len(plant.stalk):
        lines.append(plant.stalk)
    if not lines:
        return None
    points = np.concatenate(lines)
    best = points[int(standing.height_mm(foot, on_board(scale, points)).argmax())]
    return float(best[0]), float(best[1])


def _glow_on(plant: Plant, shape: Shape) -> Point | None:
    """The network's hottest arch that lies on this leaf, near its top."""
    for glow in (plant.arch, *plant.other_arches):
        if glow is None:
            continue
        near = float(np.hypot(*(shape.leaf.midline - (glow.x, glow.y)).T).min())
        from_top = math.hypot(glow.x - shape.top[0], glow.y - shape.top[1])
        if near < 0.06 * shape.length_px and from_top < 0.25 * shape.length_px:
            return glow
    return None


def _upper_edge(parts: Parts, midline: np.ndarray, at: int) -> tuple[float, float]:
    """Move from a midline's top to the blade's upper edge: square to the midline, away from it."""
    before, after = midline[max(0, at - 2)], midline[min(len(midline) - 1, at + 2)]
    along = after - before
    length = float(np.hypot(*along))
    here = midline[at]
    if length < 1e-6:
        return float(here[0]), float(here[1])
    square = np.array([-along[1], along[0]]) / length
    if (here - (midline[0] + midline[-1]) / 2) @ square < 0:
        square = -square
    affine = parts.photo_from_map
    edge = here
    for cells in np.arange(0.5, 6.0, 0.5):
        point = here + cells * parts.px_per_map_px * square
        column, row = np.round((point - affine[:, 2]) / affine[[0, 1], [0, 1]]).astype(int)
        inside = 0 <= row < parts.classes.shape[0] and 0 <= column < parts.classes.shape[1]
        if not inside or parts.classes[row, column] not in (BLADE, STALK):
            break
        edge = point
    return float(edge[0]), float(edge[1])


def _soft(z: float) -> float:
    """A yes or no that is nearly sure a few units from zero."""
    return float(np.clip(1.0 / (1.0 + np.exp(-np.clip(z, -30, 30))), 0.03, 0.97))
