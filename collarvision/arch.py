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

import cv2
import numpy as np

from collarvision.card import Scale
from collarvision.closer import inverse
from collarvision.frame import length_of, to_map_cells, to_photo_px
from collarvision.network import BLADE, STALK
from collarvision.parallax import Stand, on_board
from collarvision.parts import Parts, Point
from collarvision.plant import Leaf, Plant

Rule = Literal["half-out", "tip-down"]
RULES: tuple[Rule, ...] = ("half-out", "tip-down")

LEAST_DROP = 0.06
LEAST_DROP_MM = 4.0
"""A leaf arches when its tip hangs under its top by both: a share of its length, and mm.

The share is that of a leaf which bends evenly from 60 degrees over to 25 below the horizontal. Our
own choice: the published rules don't say how far a tip must point down."""

DROP_ERROR = 0.015
DROP_ERROR_CELLS = 0.8
"""Error of a measured drop: share of the leaf's length (leaves lean to the camera or away), and map
cells. Read off plants of our own generator, traced without a network's error."""

LENGTH_STEP = 1.3
"""A blade is about this much longer than the one below it, up to leaf 8 or so: the published
lengths 27.7, 36.1, 45.7 cm of ranks 4-6 (Fournier & Andrieu 1998) step by 1.3."""

LONGEST_RANK = 9
"""Blades above it are taken as no longer. Our own choice, for plants to V10."""

GOVERNS_FROM = 0
"""Lowest leaf that can govern, counted from the top collared one. The uppermost leaf that hangs is
one to two above it (Ohio State Univ. AGF-127; Univ. of Nebraska); a lower leaf that hangs from an
erect plant says nothing of its height."""

ONE_BELOW = 0.5
"""Worth of the leaf below that one against it: it may be the top collared one after all, if a
collar was found that isn't there. Best of 0, 0.15, 0.3, 0.5 and 1 on our own validation plants."""

HALF_OUT = 0.44
HALF_OUT_ERROR = 0.4
"""A whorl leaf is taken as half out from this share of the length expected of it, with this error
(natural log units): leaves are seen foreshortened. Read off the same plants."""

ARCHES_POOLED = (-0.5, 0.4, 0.5)
OUT_POOLED = (0.1, 0.25, 0.9)
"""Constant, weight of the traced shape and weight of the network, in logits, of the chance that a
leaf arches and that it is half out. Fitted to 3,215 upper leaves of our own validation plants."""

STRANGER = 1.0
"""Worth of a glow that lies on no traced leaf: the leaf's tip may not have been found."""

UNSEEN = 0.02
"""Worth, as heat, of a leaf's top that the network shows no glow on."""

SHARE_POWER = 0.6
"""Flattens the shares of the leaves that may govern. Read off our own validation plants."""

HEAT_POWER = 1.0
"""Weight of the network's heat against the leaves' shapes. Read off our own validation plants."""


@dataclass(frozen=True)
class Candidate:
    """A point that the height may be measured to, photo px, and its share of the belief.

    `point` is None for the chance that no leaf arches, and the plant's highest point counts.
    `collar` is where its leaf leaves the stalk; None where the leaf isn't known.
    """

    point: tuple[float, float] | None
    share: float
    collar: tuple[float, float] | None = None


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
    real : float
        P(it is a leaf), from its tip's score.
    """

    leaf: Leaf
    place: int
    length_px: float
    top: tuple[float, float]
    arches: float
    out: float
    tip_down: bool
    real: float


def governing(
    parts: Parts, plant: Plant, scale: Scale, standing: Stand, foot: np.ndarray, rule: Rule
) -> list[Candidate]:
    """Points that the height may be measured to, best first."""
    shapes = leaf_shapes(parts, plant, scale, standing, foot)
    if rule == "tip-down":
        return _tip_down(plant, shapes)
    return _half_out(plant, shapes)


def _tip_down(plant: Plant, shapes: list[Shape]) -> list[Candidate]:
    """Weigh the leaves whose tips point down, from the top down, each by how surely it arches."""
    weighed: list[tuple[tuple[float, float] | None, float, tuple[float, float] | None]] = []
    free = 1.0
    for shape in sorted(shapes, key=lambda shape: -shape.place):
        if shape.place < GOVERNS_FROM or not shape.tip_down:
            continue
        glow = _glow_on(plant, shape)
        point = (glow.x, glow.y) if glow else shape.top
        governs = shape.arches * shape.real
        weighed.append((point, free * governs, _collar(shape)))
        free *= 1.0 - governs
    weighed.append((None, free, None))
    return _shared(weighed)


def _half_out(plant: Plant, shapes: list[Shape]) -> list[Candidate]:
    """Weigh the leaves from the top down, each by its shape and by the network's heat.

    A leaf governs when it is out and arches and none above it does; the plant has no arch when
    none of them does. Heat then speaks for a leaf, or, by its absence, for none.
    """
    glows = [glow for glow in (plant.arch, *plant.other_arches) if glow is not None]
    weighed: list[tuple[tuple[float, float] | None, float, tuple[float, float] | None]] = []
    free = 1.0
    claimed: set[Point] = set()
    for shape in sorted(shapes, key=lambda shape: -shape.place):
        governs = shape.arches * shape.out * shape.real
        glow = _glow_on(plant, shape)
        if glow is not None:
            claimed.add(glow)
        if shape.place < GOVERNS_FROM - 1:
            continue
        if shape.place < GOVERNS_FROM:
            governs *= ONE_BELOW
        heat = max(glow.score if glow else 0.0, UNSEEN)
        weighed.append((shape.top, free * governs * heat**HEAT_POWER, _collar(shape)))
        free *= 1.0 - governs
    for glow in glows:
        if glow not in claimed:
            weighed.append(((glow.x, glow.y), STRANGER * glow.score**HEAT_POWER, None))
    hottest = max((glow.score for glow in glows), default=0.0)
    none = free * max(1.0 - hottest, UNSEEN) ** HEAT_POWER
    weighed.append((None, none, None))
    return _shared(weighed)


def _shared(
    weighed: list[tuple[tuple[float, float] | None, float, tuple[float, float] | None]],
) -> list[Candidate]:
    """Candidates from points, their weights and their leaves' collars, best first."""
    weighed = sorted(weighed, key=lambda one: -one[1])
    # The signs of one plant err together, so the shares are less unequal than their product says.
    shares = np.array([weight for _, weight, _ in weighed]) ** SHARE_POWER
    shares = shares / shares.sum()
    return [
        Candidate(point, float(share), collar)
        for (point, _, collar), share in zip(weighed, shares, strict=True)
    ]


def _collar(shape: Shape) -> tuple[float, float]:
    x, y = shape.leaf.midline[0]
    return float(x), float(y)


def leaf_shapes(
    parts: Parts, plant: Plant, scale: Scale, standing: Stand, foot: np.ndarray
) -> list[Shape]:
    """Shape of every leaf with a traced midline, bottom up."""
    shapes: list[Shape] = []
    collared = sum(leaf.counts for leaf in plant.leaves)
    at_base = (plant.base.x, plant.base.y) if plant.base else (0.0, 0.0)
    cell_mm = parts.px_per_map_px * scale.mm_per_px_at(*at_base)
    known: list[tuple[float, float]] = []
    for i, leaf in enumerate(plant.leaves):
        if len(leaf.midline) < 3:
            continue
        board = on_board(scale, leaf.midline)
        length = length_of(board)
        heights = standing.height_mm(foot, board)
        at = int(heights.argmax())
        top = _upper_edge(parts, leaf.midline, at)
        last = max(1, len(heights) // 7)
        if at < len(heights) - last:
            edge = float(standing.height_mm(foot, on_board(scale, np.array([top])))[0])
            drop = max(edge, float(heights[at])) - float(heights[-1])
        else:
            # The tip is (almost) the top: what it still climbs at its end speaks against an arch.
            drop = float(heights[at] - heights[-1]) - float(heights[-1] - heights[-1 - last])
        told = parts.leaf_top(*top)
        least = max(LEAST_DROP_MM, LEAST_DROP * length)
        error = float(np.hypot(DROP_ERROR * length, DROP_ERROR_CELLS * cell_mm))
        arches = _chance((drop - least) / error)
        out = 0.99 if leaf.counts else _out(leaf.network_rank, length, known)
        if told is not None:
            arches = _pooled(ARCHES_POOLED, arches, told.arches)
            out = _pooled(OUT_POOLED, out, told.half_out)
        shapes.append(
            Shape(
                leaf=leaf,
                place=i - collared + 1,
                length_px=length_of(leaf.midline),
                top=top,
                arches=arches,
                out=out,
                tip_down=bool(heights[-1] < heights[-1 - last] - 0.02 * length) and drop > 0,
                real=min(0.97, 2.0 * leaf.tip.score) if leaf.tip and not leaf.counts else 0.97,
            )
        )
        known.append((leaf.network_rank, length))
    return shapes


def _out(rank: float, length: float, below: list[tuple[float, float]]) -> float:
    """P(a whorl leaf is at least half out), from the lengths of the leaves below it.

    Each of the nearest three foretells the full length; the longest forecast counts, since a leaf
    can look shorter than it is but not longer.
    """
    forecasts = [
        size * LENGTH_STEP ** (min(rank, LONGEST_RANK) - min(other, LONGEST_RANK))
        for other, size in below[-3:]
        if rank > other + 0.5
    ]
    if not forecasts or length <= 0:
        return 0.5
    share = length / max(forecasts)
    return _chance(math.log(share / HALF_OUT) / HALF_OUT_ERROR)


def highest(
    parts: Parts, plant: Plant, scale: Scale, standing: Stand, foot: np.ndarray
) -> tuple[float, float] | None:
    """The plant's highest point, photo px: its free-standing height.

    Of all that hangs together with what was traced of it: a leaf whose tip wasn't found is there
    all the same, and where nothing arches the topmost leaf is the one that is wanted.
    """
    lines = [leaf.midline for leaf in plant.leaves if len(leaf.midline)]
    lines += [np.array([[leaf.tip.x, leaf.tip.y]]) for leaf in plant.leaves if leaf.tip]
    if len(plant.stalk):
        lines.append(plant.stalk)
    if not lines:
        return None
    points = np.concatenate(lines)
    points = np.concatenate([points, _hanging_together(parts, points)])
    best = points[int(standing.height_mm(foot, on_board(scale, points)).argmax())]
    return float(best[0]), float(best[1])


def _hanging_together(parts: Parts, points: np.ndarray) -> np.ndarray:
    """Photo px (m, 2) of all blade and stalk cells that hang together with points (n, 2)."""
    green = np.isin(parts.classes, (BLADE, STALK)).astype(np.uint8)
    _, pieces = cv2.connectedComponents(green, connectivity=8)
    cells = to_map_cells(inverse(parts.photo_from_map), points)
    columns, rows = np.round(cells).astype(int).T
    inside = (rows >= 0) & (rows < green.shape[0]) & (columns >= 0) & (columns < green.shape[1])
    own = np.unique(pieces[rows[inside], columns[inside]])
    rows, columns = np.nonzero(np.isin(pieces, own[own > 0]))
    return to_photo_px(parts, np.column_stack([columns, rows]))


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


def _pooled(weights: tuple[float, float, float], shape: float, told: float) -> float:
    """One chance from two, by `weights` in logits, kept off 0 and 1 like each of them."""
    first, second = (math.log(p / (1 - p)) for p in (shape, min(max(told, 0.005), 0.995)))
    logit = weights[0] + weights[1] * first + weights[2] * second
    return min(max(1.0 / (1.0 + math.exp(-logit)), 0.01), 0.99)


def _chance(z: float) -> float:
    """Normal distribution function, kept off 0 and 1: no measurement is that sure."""
    return float(np.clip(0.5 * math.erfc(-z / math.sqrt(2)), 0.01, 0.99))
