"""Height: from the soil to the top of the arch, with an interval.

Two published definitions, which can pick different leaves, so the reading says which was used:

half-out
    Soil to the arch of the uppermost leaf that is at least half out of the whorl
    (A. Hager, University of Illinois, 2012 and 2021).
tip-down
    Soil to the highest arch point of the uppermost leaf whose tip points down, not the highest
    tip (Manitoba Agriculture).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from collarvision.calibration import load_calibration
from collarvision.card import Scale
from collarvision.parallax import LAID_DEPTH_MM, LEAN_DEG, Stand, leaf_depth, on_board, stand
from collarvision.parts import BLADE, STALK, Parts, Point
from collarvision.plant import Leaf, Plant

Rule = Literal["half-out", "tip-down"]
Basis = Literal["arch", "free-standing", "along-stalk"]
RULES: tuple[Rule, ...] = ("half-out", "tip-down")

ARCH_SCORE = 0.35
"""Least score of the network's arch to be believed against the leaves' own shape."""

LEAST_DROP = 0.05
"""A leaf arches when its tip hangs this share of its length under its top."""

LEAST_DROP_MM = 4.0

LENGTH_STEP = 1.3
"""A blade is about this much longer than the one below it, up to leaf 8 or so: the published
lengths 27.7, 36.1, 45.7 cm of ranks 4-6 (Fournier & Andrieu 1998) step by 1.3."""

KEYPOINT_CELLS = 1.0
"""Error of the base and of the arch, map cells. Our own choice."""

Z_90 = 1.645
"""Half width of a 90 % interval in sds (normal distribution)."""


@dataclass(frozen=True)
class Height:
    """A plant's height.

    Attributes
    ----------
    height_mm : float
    interval_mm : (float, float)
        Holds the true height in about 90 of 100 photos.
    basis : 'arch', 'free-standing' or 'along-stalk'
        What was measured: an arch; the highest point, as no leaf arches yet; or a laid plant.
    rule : 'half-out' or 'tip-down'
    arch, soil : (x, y)
        The two ends of the measurement, photo px.
    offset_mm : float
        Distance of the stalk's foot from the board that was corrected for.
    uncorrected_mm : float
        What the board's scale alone would say.
    """

    height_mm: float
    interval_mm: tuple[float, float]
    basis: Basis
    rule: Rule
    arch: tuple[float, float]
    soil: tuple[float, float]
    offset_mm: float
    uncorrected_mm: float


@dataclass(frozen=True)
class _Arched:
    """A leaf's shape as the height rules see it: heights in mm over the soil."""

    leaf: Leaf
    top_mm: float
    top_px: tuple[float, float]
    arches: bool
    tip_down: bool
    out: float


def measure(
    parts: Parts,
    plant: Plant,
    scale: Scale,
    rule: Rule = "half-out",
    *,
    interval_factor: float | None = None,
) -> Height | None:
    """Measure a plant's height, or give None where it has no base or nothing to measure to.

    Parameters
    ----------
    parts, plant, scale
        What the earlier rooms found in the photo.
    rule : str
        ``half-out`` or ``tip-down``.
    interval_factor : float, optional
        Widens or narrows the interval; by default the calibration's, which gives it its coverage.
    """
    if rule not in RULES:
        raise ValueError(f"Height rule {rule!r} is unknown; use one of {', '.join(RULES)}.")
    if plant.base is None or not plant.leaves:
        return None
    laid = plant.laid >= 0.5
    standing = stand(parts, scale, plant.base, plant.stalk, laid=laid)
    base_px = np.array([[plant.base.x, plant.base.y]])
    foot = on_board(scale, base_px)[0]
    shapes = [shape for shape in _shapes(parts, plant, scale, standing, foot) if shape is not None]
    top, others = _governing(plant, shapes, rule)
    basis: Basis = "along-stalk" if laid else "arch"
    if top is None:
        top = _highest(plant, scale, standing, foot)
        others = []
        basis = basis if laid else "free-standing"
    if top is None:
        return None
    at = on_board(scale, np.array([top]))
    away = abs(float((at[0] - foot) @ np.array([-standing.up[1], standing.up[0]])))
    depth = LAID_DEPTH_MM if laid else leaf_depth(away, standing.offset_mm)
    height = float(standing.height_mm(foot, at, depth[0])[0])
    if height <= 0:
        return None
    sd = _error(parts, scale, plant.base, standing, foot, at, depth)
    doubt = _doubt(scale, standing, foot, height, others)
    if interval_factor is None:
        interval_factor = load_calibration().interval_factor
    half = interval_factor * Z_90 * float(np.hypot(sd, doubt))
    return Height(
        height_mm=height,
        interval_mm=(max(0.0, height - half), height + half),
        basis=basis,
        rule=rule,
        arch=top,
        soil=(plant.base.x, plant.base.y),
        offset_mm=standing.offset_mm,
        uncorrected_mm=float((at[0] - foot) @ standing.up),
    )


# --------------------------------------------------------------------------- which leaf governs


def _shapes(
    parts: Parts, plant: Plant, scale: Scale, standing: Stand, foot: np.ndarray
) -> list[_Arched | None]:
    shapes: list[_Arched | None] = []
    below = 0.0
    for leaf in plant.leaves:
        if len(leaf.midline) < 3:
            shapes.append(None)
            continue
        board = on_board(scale, leaf.midline)
        length = float(np.hypot(*np.diff(board, axis=0).T).sum())
        heights = standing.height_mm(foot, board)
        at = int(heights.argmax())
        drop = float(heights[at] - heights[-1])
        last = max(1, len(heights) // 7)
        expected = LENGTH_STEP * below
        out = 1.0 if leaf.counts or expected <= 0 else min(1.0, length / expected)
        shapes.append(
            _Arched(
                leaf=leaf,
                top_mm=float(heights[at]),
                top_px=_upper_edge(parts, leaf.midline, at),
                arches=drop >= max(LEAST_DROP_MM, LEAST_DROP * length),
                tip_down=bool(heights[-1] < heights[-1 - last] - 0.02 * length) and drop > 0,
                out=out,
            )
        )
        below = length if leaf.counts or out >= 1.0 else max(below, length)
    return shapes


def _upper_edge(parts: Parts, midline: np.ndarray, at: int) -> tuple[float, float]:
    """Move from a midline's top to the blade's upper edge: square to the midline, away from it."""
    before, after = midline[max(0, at - 2)], midline[min(len(midline) - 1, at + 2)]
    along = after - before
    length = float(np.hypot(*along))
    here = midline[at]
    if length < 1e-6:
        return float(here[0]), float(here[1])
    square = np.array([-along[1], along[0]]) / length
    ends = (midline[0] + midline[-1]) / 2
    if (here - ends) @ square < 0:
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


def _governing(
    plant: Plant, shapes: list[_Arched], rule: Rule
) -> tuple[tuple[float, float] | None, list[tuple[tuple[float, float], float]]]:
    """Point to measure to (None: no leaf arches), and rivals with their share of the belief."""
    if rule == "tip-down":
        down = [shape for shape in shapes if shape.tip_down and shape.arches]
        if not down:
            return None, []
        chosen = max(down, key=lambda shape: (shape.leaf.rank, shape.top_mm))
        return _network_arch_on(plant, chosen) or chosen.top_px, []
    arch = plant.arch
    if arch is not None and arch.score >= ARCH_SCORE:
        rivals = [
            ((other.x, other.y), other.score / (other.score + arch.score))
            for other in plant.other_arches
            if other.score > 0.4 * arch.score
        ]
        return (arch.x, arch.y), rivals
    half_out = [shape for shape in shapes if shape.arches and shape.out >= 0.5]
    # The network is trained on this definition: where it sees no arch at all, a leaf must
    # hang clearly to overrule it.
    if not half_out or (arch is None and not _hangs(half_out[-1])):
        return None, []
    chosen = max(half_out, key=lambda shape: (shape.leaf.rank, shape.top_mm))
    rivals = [
        (shape.top_px, 0.35)
        for shape in shapes
        if shape.arches
        and shape is not chosen
        and shape.out >= 0.35
        and shape.leaf.rank >= chosen.leaf.rank - 1
    ]
    return chosen.top_px, rivals


def _hangs(shape: _Arched) -> bool:
    line = shape.leaf.midline
    length = float(np.hypot(*np.diff(line, axis=0).T).sum())
    return float(line[-1, 1] - line[:, 1].min()) > 0.15 * length


def _network_arch_on(plant: Plant, shape: _Arched) -> tuple[float, float] | None:
    """The network's own arch where it lies on this leaf: it is finer than a traced midline."""
    line = shape.leaf.midline
    length = float(np.hypot(*np.diff(line, axis=0).T).sum())
    for arch in (plant.arch, *plant.other_arches):
        if arch is None:
            continue
        near = float(np.hypot(*(line - (arch.x, arch.y)).T).min())
        if (
            near < 0.05 * length
            and np.hypot(arch.x - shape.top_px[0], arch.y - shape.top_px[1]) < 0.2 * length
        ):
            return arch.x, arch.y
    return None


def _highest(
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


# --------------------------------------------------------------------------- the interval


def _error(
    parts: Parts,
    scale: Scale,
    base: Point,
    standing: Stand,
    foot: np.ndarray,
    at: np.ndarray,
    depth: tuple[float, float],
) -> float:
    """Sd of the height, mm: each source of error moved by one sd, root of the summed squares."""
    height = float(standing.height_mm(foot, at, depth[0])[0])

    def moved(changed: Stand, depth_mm: float = depth[0]) -> float:
        return float(changed.height_mm(foot, at, depth_mm)[0]) - height

    turn = standing.up_sd
    cos, sin = np.cos(turn), np.sin(turn)
    turned = np.array([[cos, -sin], [sin, cos]]) @ standing.up
    cell_mm = parts.px_per_map_px * scale.mm_per_px_at(base.x, base.y)
    sources = [
        height * scale.relative_error,
        # An assumed focal length puts the camera too near or too far, and the parallax with it.
        0.1 * (float((at[0] - foot) @ standing.up) - height) if scale.focal_assumed else 0.0,
        moved(replace(standing, offset_mm=standing.offset_mm + standing.offset_sd_mm)),
        moved(replace(standing, up=turned)),
        moved(standing, depth_mm=depth[0] + depth[1]),
        KEYPOINT_CELLS * cell_mm,
        KEYPOINT_CELLS * cell_mm,
    ]
    if standing.lean:
        sources.append(moved(replace(standing, lean=standing.lean + np.deg2rad(LEAN_DEG[1]))))
    return float(np.sqrt(np.square(sources).sum()))


def _doubt(
    scale: Scale,
    standing: Stand,
    foot: np.ndarray,
    height: float,
    rivals: list[tuple[tuple[float, float], float]],
) -> float:
    """Sd, mm, that comes from not being sure which leaf governs."""
    if not rivals:
        return 0.0
    points = on_board(scale, np.array([point for point, _ in rivals]))
    share = np.array([share for _, share in rivals])
    apart = standing.height_mm(foot, points) - height
    return float(np.sqrt((share * (1 - share) * apart**2).max()))
