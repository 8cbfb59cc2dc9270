"""Plant: from parts to a stalk with its leaves, bottom up, and how many leaves are lost below.

Knows that leaves stand in order along a stalk, that they alternate in side, that the first leaf is
rounded, and that a leaf below a collared one has a collar as well, seen or not.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from collarvision.closer import inverse
from collarvision.frame import cropped, length_of, to_map_cells, to_photo_px
from collarvision.ladder import Rung, number_leaves
from collarvision.lost import Signs, first_leaf_present, lost_leaves
from collarvision.pairing import Pairing
from collarvision.parts import CollarPeak, Parts, Point, TipPeak
from collarvision.sifting import on_stalk, paired, without_doubles, without_halves
from collarvision.skeleton import Axis, Ways, blade_costs, midlines, stalk_axis

if TYPE_CHECKING:
    from collarvision.card import Scale

Shape = Literal["rounded", "pointed"]
Side = Literal["left", "right"]
Kind = Literal["paired", "tipless", "twin", "hidden", "whorl"]

TRUSTED = 0.5
"""Score from which a collar may shape the stalk's axis."""

PRIOR = 0.95
"""P(a leaf is one), and P(its collar is as its kind says), before the calibration is heard."""

RANK_SIGMA = 0.5
"""Error of the network's leaf numbers, leaves, likewise."""

SURE = 0.55
"""Score of its collar or tip from which a leaf is surely one. Our own choice."""


@dataclass(frozen=True)
class Leaf:
    """One leaf; positions in photo px.

    Attributes
    ----------
    rank : int
        Leaf number from leaf 1, lost leaves counted; a first guess until the stage is known
        (`collarvision.stage.numbered`).
    collar : Point or None
        Its collar where it was seen.
    hidden_collar : Point or None
        Where its collar must lie behind a blade.
    tip : Point or None
    shape : 'rounded', 'pointed' or None
        None without a tip.
    side : 'left', 'right' or None
        Side of the stalk, looking up the stalk; None where the blade runs along it.
    midline : ndarray, (n, 2)
        Stalk first, tip last; empty without a tip.
    kind : str
        ``paired`` (collar and tip seen), ``tipless`` (collar only), ``twin`` (collar only, and
        perhaps the other half of the one beside it), ``hidden`` (tip, collar behind a blade) or
        ``whorl`` (tip, no collar yet).
    collar_score, tip_collared : float
        Two separate opinions that its collar shows; 0.5 where there is none.
    rounded : float
        P(tip is rounded); 0.5 without a tip.
    network_rank : float
        The network's own leaf number, lost leaves counted.
    along_px : float
        Length along the stalk from the base to its collar, or to where it leaves the whorl.
    """

    rank: int
    collar: Point | None
    hidden_collar: Point | None
    tip: Point | None
    shape: Shape | None
    side: Side | None
    midline: np.ndarray
    kind: Kind
    collar_score: float
    tip_collared: float
    rounded: float
    network_rank: float
    along_px: float

    @property
    def counts(self) -> bool:
        """Whether its collar has cleared the whorl, seen or hidden."""
        return self.kind != "whorl"

    @property
    def turn(self) -> int:
        """Its side as a number: -1 left, 1 right, 0 not known."""
        return {"left": -1, "right": 1}.get(self.side or "", 0)


@dataclass(frozen=True)
class Plant:
    """A plant assembled from parts; positions in photo px.

    Attributes
    ----------
    leaves : tuple of Leaf
        Bottom up; whorl leaves last.
    stalk : ndarray, (n, 2)
        Axis from the base to the end of the uppermost sheath; empty when none was found.
    base : Point or None
        Where the stalk meets the soil.
    arch, other_arches : Point, tuple of Point
        The network's candidates for the arch.
    laid : float
        P(the plant lies on the board).
    lost : ndarray, (4,)
        P(0, 1, 2, 3 or more lower leaves lost).
    anchor : int
        Index in `leaves` of the lowest leaf that is surely one; counting starts there.
    below : ndarray, (6,)
        P(0 .. 5 leaves below the anchor, lost or hardly seen).
    first_leaf : float
        P(leaf 1 is still there).
    merged, stray : int
        Collar peaks taken as the other half of a collar, and as lying off the stalk.
    side_breaks : int
        Neighbouring collared leaves on one side: leaves alternate, so one may be missing between.
    length_px : float
        Size of the plant, for judging whether a collar can be made out.
    evidence : tuple of str
    """

    leaves: tuple[Leaf, ...]
    stalk: np.ndarray
    base: Point | None
    arch: Point | None
    other_arches: tuple[Point, ...]
    laid: float
    lost: np.ndarray
    anchor: int
    below: np.ndarray
    first_leaf: float
    merged: int
    stray: int
    side_breaks: int
    length_px: float
    evidence: tuple[str, ...]

    @property
    def collared(self) -> tuple[Leaf, ...]:
        """The leaves that count, bottom up."""
        return tuple(leaf for leaf in self.leaves if leaf.counts)


def assemble(parts: Parts, scale: Scale | None = None, ways: Ways | None = None) -> Plant:
    """Assemble a plant from its parts.

    Parameters
    ----------
    parts : Parts
    scale : Scale, optional
        With it the height of the lowest collar over the soil helps to tell lost leaves.
    ways : Ways, optional
        Those searched for when this plant was assembled before; they aren't searched for again.
    """
    parts, ways = cropped(parts), ways or Ways()
    to_map = inverse(parts.photo_from_map)
    axis = _trusted_axis(parts, to_map, ways)
    tips = list(parts.tips)
    collars, stray = on_stalk(parts.collars, axis, to_map)
    pairing = paired(tips, collars, parts, to_map)
    keep_collars, twins = without_halves(collars, pairing, axis, to_map)
    keep_tips = without_doubles(tips, pairing, to_map)
    leaves = _leaves(
        parts, axis, to_map, tips, collars, pairing, keep_tips, keep_collars, twins, ways
    )
    leaves = sorted(leaves, key=_order)
    base = parts.base or _axis_base(axis, parts)
    anchor = _anchor(leaves)
    lost, below, lost_evidence = lost_leaves(_signs(parts, leaves, anchor, base, scale))
    ranks = _ranks(leaves, anchor, below)
    leaves = [replace(leaf, rank=rank) for leaf, rank in zip(leaves, ranks, strict=True)]
    stalk = np.empty((0, 2))
    if axis is not None:
        stalk = to_photo_px(parts, axis.line[axis.along <= axis.top + 1e-6])
    return Plant(
        leaves=tuple(leaves),
        stalk=stalk,
        base=base,
        arch=parts.arch,
        other_arches=parts.other_arches,
        laid=parts.laid,
        lost=lost,
        anchor=anchor,
        below=below,
        first_leaf=first_leaf_present(parts.first_leaf, float(lost[0])),
        merged=len(collars) - len(keep_collars),
        stray=stray,
        side_breaks=_side_breaks(leaves),
        length_px=_length(leaves, base, stalk),
        evidence=lost_evidence,
    )


# --------------------------------------------------------------------------- stalk and collars


def _trusted_axis(parts: Parts, to_map: np.ndarray, ways: Ways) -> Axis | None:
    base = None if parts.base is None else to_map_cells(to_map, [(parts.base.x, parts.base.y)])[0]
    trusted = to_map_cells(to_map, [(c.x, c.y) for c in parts.collars if c.score >= TRUSTED])
    return stalk_axis(parts.classes, base, trusted, ways, laid=parts.laid >= 0.5)


# --------------------------------------------------------------------------- leaves


def _leaves(
    parts: Parts,
    axis: Axis | None,
    to_map: np.ndarray,
    tips: list[TipPeak],
    collars: list[CollarPeak],
    pairing: Pairing,
    keep_tips: set[int],
    keep_collars: set[int],
    twins: set[int],
    ways: Ways,
) -> list[Leaf]:
    order = sorted(keep_tips)
    at = to_map_cells(to_map, [(tips[i].x, tips[i].y) for i in order])
    goals = []
    for i in order:
        j = pairing.collar_of_tip[i]
        tip = tips[i]
        goals.append((tip.collar_x, tip.collar_y) if j is None else (collars[j].x, collars[j].y))
    ends = to_map_cells(to_map, goals)
    if axis is not None and order:
        lines = midlines(blade_costs(parts.classes), axis, at, ends, ways)
        along = axis.project(ends)[0] * parts.px_per_map_px
    else:
        lines = [np.stack([end, tip]) for end, tip in zip(ends, at, strict=True)]
        along = _without_axis(goals, parts)
    leaves = []
    for n, i in enumerate(order):
        j = pairing.collar_of_tip[i]
        tip = tips[i]
        collar = None if j is None else Point(collars[j].x, collars[j].y, collars[j].score)
        hidden = pairing.hidden[i]
        leaves.append(
            Leaf(
                rank=0,
                collar=collar,
                hidden_collar=Point(*goals[n], tip.collared) if hidden else None,
                tip=Point(tip.x, tip.y, tip.score),
                shape="rounded" if tip.rounded >= 0.5 else "pointed",
                side=_side(axis, lines[n]),
                midline=to_photo_px(parts, lines[n]),
                kind="paired" if collar else "hidden" if hidden else "whorl",
                collar_score=collar.score if collar else 0.5,
                tip_collared=tip.collared,
                rounded=tip.rounded,
                network_rank=(tip.rank + collars[j].rank) / 2 if j is not None else tip.rank,
                along_px=float(along[n]),
            )
        )
    paired = {j for j in pairing.collar_of_tip if j is not None}
    for j in sorted(keep_collars - paired):
        peak = collars[j]
        place = to_map_cells(to_map, [(peak.x, peak.y)])
        up = (
            axis.project(place)[0] * parts.px_per_map_px
            if axis
            else _without_axis([(peak.x, peak.y)], parts)
        )
        leaves.append(
            Leaf(
                rank=0,
                collar=Point(peak.x, peak.y, peak.score),
                hidden_collar=None,
                tip=None,
                shape=None,
                side=None,
                midline=np.empty((0, 2)),
                kind="twin" if j in twins else "tipless",
                collar_score=peak.score,
                tip_collared=0.5,
                rounded=0.5,
                network_rank=peak.rank,
                along_px=float(up[0]),
            )
        )
    return leaves


def _order(leaf: Leaf) -> tuple[bool, float]:
    """Collared leaves by their place on the stalk; whorl leaves by the network's leaf number.

    The number also settles the order of collars that stand almost at one height.
    """
    if leaf.kind == "whorl":
        return True, leaf.network_rank
    return False, leaf.along_px


def _side(axis: Axis | None, line: np.ndarray) -> Side | None:
    if axis is None or len(line) < 2:
        return None
    _, off = axis.project(line)
    mean = float(off.mean())
    length = float(np.hypot(*(line[-1] - line[0])))
    if abs(mean) < max(1.5, 0.12 * length):
        return None
    return "right" if mean > 0 else "left"


def _side_breaks(leaves: list[Leaf]) -> int:
    sides = [leaf.side for leaf in leaves if leaf.counts]
    return sum(a is not None and a == b for a, b in itertools.pairwise(sides))


def _anchor(leaves: list[Leaf]) -> int:
    """Index of the lowest leaf that is surely one; 0 where none is sure."""
    for i, leaf in enumerate(leaves):
        shown = leaf.tip.score if leaf.tip is not None else 0.0
        if leaf.counts and max(leaf.collar_score * (leaf.collar is not None), shown) >= SURE:
            return i
    return 0


def _ranks(leaves: list[Leaf], anchor: int, below: np.ndarray) -> list[int]:
    """Leaf numbers before the stage is known: upward from the anchor, and downward below it."""
    rungs = [
        Rung(PRIOR, PRIOR if leaf.counts else 1 - PRIOR, leaf.network_rank, leaf.turn)
        for leaf in leaves[anchor:]
    ]
    upward = list(number_leaves(rungs, below, RANK_SIGMA).filled)
    downward = [max(1, upward[0] - step) for step in range(anchor, 0, -1)] if upward else []
    return downward + upward


def _signs(
    parts: Parts, leaves: list[Leaf], anchor: int, base: Point | None, scale: Scale | None
) -> Signs:
    """What the lowest sure leaf tells of leaves lost below it."""
    if not leaves or not leaves[anchor].counts:
        return Signs(parts.lost_leaves, parts.first_leaf)
    lowest = leaves[anchor]
    above = leaves[anchor + 1] if anchor + 1 < len(leaves) else None
    rounded = None
    if lowest.tip is not None:
        # Weighed by how surely it is a tip.
        rounded = 0.5 + lowest.tip.score * (lowest.rounded - 0.5)
    blade = length_of(lowest.midline) if lowest.tip is not None else None
    next_blade = length_of(above.midline) if above is not None and above.tip else None
    mm_per_px = scale.mm_per_px_at(base.x, base.y) if scale is not None and base else None
    if mm_per_px is not None and not np.isfinite(mm_per_px):
        mm_per_px = None  # past the board's horizon
    standing = parts.laid < 0.5 and lowest.collar is not None
    return Signs(
        network=parts.lost_leaves,
        first_leaf=parts.first_leaf,
        rounded=rounded,
        rank=lowest.network_rank,
        collar_mm=lowest.along_px * mm_per_px if mm_per_px and standing else None,
        blade_mm=blade * mm_per_px if mm_per_px and blade else None,
        blade_ratio=blade / next_blade if blade and next_blade else None,
        weak=tuple(leaf.collar_score for leaf in leaves[:anchor] if leaf.collar is not None),
    )


# --------------------------------------------------------------------------- places


def _axis_base(axis: Axis | None, parts: Parts) -> Point | None:
    if axis is None:
        return None
    x, y = to_photo_px(parts, axis.line[:1])[0]
    return Point(float(x), float(y), 0.0)


def _without_axis(points: list[tuple[float, float]], parts: Parts) -> np.ndarray:
    """Height in px over the lowest of the points, for want of a stalk."""
    y = np.array([p[1] for p in points])
    bottom = parts.base.y if parts.base else (y.max() if len(y) else 0.0)
    return bottom - y


def _length(leaves: list[Leaf], base: Point | None, stalk: np.ndarray) -> float:
    points = [(leaf.tip.x, leaf.tip.y) for leaf in leaves if leaf.tip]
    points += [(leaf.collar.x, leaf.collar.y) for leaf in leaves if leaf.collar]
    points += [tuple(p) for p in stalk]
    if base is None or not points:
        return 0.0
    return float(np.hypot(*(np.array(points) - (base.x, base.y)).T).max())
