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

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from collarvision.answer import MM_PER_INCH, TALLEST_IN
from collarvision.arch import RULES, SHARE_POWER, Candidate, Rule, governing, highest
from collarvision.calibration import load_calibration
from collarvision.card import Scale
from collarvision.parallax import (
    LAID_DEPTH_MM,
    LEAN_DEG,
    Facing,
    Stand,
    has_size,
    leaf_depth,
    on_board,
    stand,
)
from collarvision.parts import Parts, Point
from collarvision.plant import Plant

Basis = Literal["arch", "free-standing", "along-stalk"]
KEYPOINT_CELLS = 1.0
"""Error of the base and of the arch, map cells. Our own choice."""

TOWARD_EXCESS_MM = 10.0
"""By so much the network puts most arches too near to the camera: the median of our own validation
plants, whose few leaves that point at the camera are told too far by more. Fitted, as what `arch`
pools, with the first network that told of leaf tops (`training/EXPERIMENTS.md`, 48)."""

LAID_TOP_ERROR = 0.06
"""Error of a laid plant's height where no leaf arches, share of it: its topmost leaf may lie off
the stalk's line, or under another. So much lets intervals hold 0.90 of 262 own plants, and of
either half of them, instead of 0.70."""

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


def measure(
    parts: Parts,
    plant: Plant,
    scale: Scale,
    rule: Rule = "half-out",
    *,
    interval_factor: float | None = None,
) -> Height | None:
    """Measure a plant's height, or give None where it can't be.

    It has none where its foot wasn't found, where there is nothing to measure to, where either end
    lies near the board's horizon, and where no corn is so tall.

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
    if plant.base is None or parts.base is None or not plant.leaves:
        return None  # the stalk's end alone is no foot
    if not has_size(scale, plant.base.x, plant.base.y):
        return None
    laid = plant.laid >= 0.5
    standing = stand(parts, scale, plant.base, plant.stalk, laid=laid)
    base_px = np.array([[plant.base.x, plant.base.y]])
    foot = on_board(scale, base_px)[0]
    tallest = highest(parts, plant, scale, standing, foot)
    if tallest is None:
        return None
    place = _Place(parts, scale, plant.base, standing, foot, tallest, laid)
    leaves = [place.reckon(one) for one in governing(parts, plant, scale, standing, foot, rule)]
    best = _middle(leaves)
    basis: Basis = "along-stalk" if laid else "arch" if best.candidate.point else "free-standing"
    height, top = best.height_mm, best.candidate.point or tallest
    if not 0 < height <= TALLEST_IN * MM_PER_INCH or not has_size(scale, *top):
        return None
    sd = _error(place, best)
    if interval_factor is None:
        interval_factor = load_calibration().interval_factor
    low, high = _interval(height, sd, [(leaf.height_mm, leaf.candidate.share) for leaf in leaves])
    return Height(
        height_mm=height,
        interval_mm=(
            max(0.0, height - interval_factor * (height - low)),
            height + interval_factor * (high - height),
        ),
        basis=basis,
        rule=rule,
        arch=top,
        soil=(plant.base.x, plant.base.y),
        offset_mm=standing.offset_mm,
        uncorrected_mm=float((best.at[0] - foot) @ standing.up),
    )


@dataclass(frozen=True)
class _Depth:
    """How far before the stalk a leaf's top is: mean and sd, mm, and which way."""

    mean_mm: float
    sd_mm: float
    facing: Facing


@dataclass(frozen=True)
class _Reckoned:
    """What the height is if one leaf governs it: measured to `at` (1, 2), mm on the board."""

    candidate: Candidate
    at: np.ndarray
    depth: _Depth
    height_mm: float


@dataclass(frozen=True)
class _Place:
    """Where a plant stands in its photo: what every height of it is reckoned from."""

    parts: Parts
    scale: Scale
    base: Point
    standing: Stand
    foot: np.ndarray
    tallest: tuple[float, float]
    laid: bool

    def reckon(self, candidate: Candidate) -> _Reckoned:
        """Height of the plant if this leaf governs it."""
        at = on_board(self.scale, np.array([candidate.point or self.tallest]))
        depth = self._depth(candidate, at[0])
        height = self.standing.height_mm(self.foot, at, depth.mean_mm, depth.facing)[0]
        return _Reckoned(candidate, at, depth, float(height))

    def _depth(self, candidate: Candidate, at: np.ndarray) -> _Depth:
        """Depth of a leaf's top: what the network sees of it, else what leaves are mostly like."""
        if self.laid:
            return _Depth(*LAID_DEPTH_MM, "board")
        told = self.parts.leaf_top(*(candidate.point or self.tallest))
        offset = self.standing.offset_mm
        if told is not None:
            nearer = 1.0 - offset / -self.standing.camera[2]
            mm_per_px = self.scale.mm_per_px_at(self.base.x, self.base.y) * nearer
            mean = told.toward_px * mm_per_px - TOWARD_EXCESS_MM
            return _Depth(mean, told.toward_sd_px * mm_per_px + 0.5, "camera")
        up = self.standing.up
        away = abs(float((at - self.foot) @ np.array([-up[1], up[0]])))
        rise = None
        if candidate.collar is not None:
            collar = on_board(self.scale, np.array([candidate.collar]))
            rise = float((at - collar[0]) @ up)
        return _Depth(*leaf_depth(away, offset, rise), "board")


def _middle(leaves: list[_Reckoned]) -> _Reckoned:
    """That leaf's height which the belief has as much above as below.

    That is the likeliest one wherever it has half of the belief. Elsewhere the likeliest of leaves
    far apart is often a little likelier only, and the weighted median errs less in the worst tenth
    (on 452 own plants by 0.49 instead of 0.51 of the height, and as often within 0.05). The shares
    are taken as they were before they were flattened for the interval.
    """
    by_height = sorted(leaves, key=lambda leaf: leaf.height_mm)
    below = np.cumsum([leaf.candidate.share ** (1.0 / SHARE_POWER) for leaf in by_height])
    return by_height[int(np.searchsorted(below, 0.5 * below[-1]))]


# --------------------------------------------------------------------------- the interval


def _error(place: _Place, leaf: _Reckoned) -> float:
    """Sd of the height, mm: each source of error moved by one sd, root of the summed squares."""
    standing, scale, depth, height = place.standing, place.scale, leaf.depth, leaf.height_mm

    def moved(changed: Stand, deeper_mm: float = 0.0) -> float:
        depth_mm = depth.mean_mm + deeper_mm
        return float(changed.height_mm(place.foot, leaf.at, depth_mm, depth.facing)[0]) - height

    turn = standing.up_sd
    cos, sin = np.cos(turn), np.sin(turn)
    turned = np.array([[cos, -sin], [sin, cos]]) @ standing.up
    cell_mm = place.parts.px_per_map_px * scale.mm_per_px_at(place.base.x, place.base.y)
    sources = [
        height * scale.relative_error,
        # An assumed focal length puts the camera too near or too far, and the parallax with it.
        0.1 * (float((leaf.at[0] - place.foot) @ standing.up) - height)
        if scale.focal_assumed
        else 0.0,
        moved(replace(standing, offset_mm=standing.offset_mm + standing.offset_sd_mm)),
        moved(replace(standing, up=turned)),
        moved(standing, depth.sd_mm),
        KEYPOINT_CELLS * cell_mm,
        KEYPOINT_CELLS * cell_mm,
        LAID_TOP_ERROR * height if place.laid and leaf.candidate.point is None else 0.0,
    ]
    if standing.lean:
        sources.append(moved(replace(standing, lean=standing.lean + np.deg2rad(LEAN_DEG[1]))))
    return float(np.sqrt(np.square(sources).sum()))


def _interval(height: float, sd: float, others: list[tuple[float, float]]) -> tuple[float, float]:
    """5 % and 95 % points, mm, of the mixture over leaves that may govern; `height` lies within.

    A mixture reaches as far as the leaves do, and no farther: a plant whose lower arch is in doubt
    isn't said to be perhaps taller.
    """
    means, shares = (np.array(values, dtype=float) for values in zip(*others, strict=True))
    shares = shares / shares.sum()
    reach = 4.0 * sd + 1e-6
    grid = np.linspace(means.min() - reach, means.max() + reach, 801)
    below = (
        np.array(
            [[0.5 * math.erfc((m - x) / (sd * math.sqrt(2) + 1e-9)) for m in means] for x in grid]
        )
        @ shares
    )
    low, high = np.interp([0.05, 0.95], below, grid)
    least = Z_90 * sd
    return min(float(low), height - least), max(float(high), height + least)
