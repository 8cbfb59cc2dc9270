"""Parts: where the network sees collars, tips, blades, stalk and soil in one photo.

This room knows the network and nothing of plants: it says where things are, not what they mean.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

STAGE_COUNT = 13
"""Stages VE, V1 ... V12: the length of every stage distribution in the package."""

USABILITY_NAMES = ("ok", "no_plant", "several", "cut_off", "blurred", "dark", "not_maize")
"""Order of the network's usability outputs."""

BACKGROUND, BLADE, STALK, SOIL, CARD = range(5)
"""Ids in `Parts.classes`."""


@dataclass(frozen=True)
class CollarPeak:
    """One collar as the network sees it; `x`, `y` in photo px.

    `rank` is the network's own guess of the leaf number (from leaf 1, lost leaves counted).
    """

    x: float
    y: float
    score: float
    rank: float


@dataclass(frozen=True)
class TipPeak:
    """One leaf tip as the network sees it; all positions in photo px.

    `rounded` is P(tip is rounded); `collared` is P(this leaf's collar shows); `collar_x`,
    `collar_y` is where the link vector from the tip points (its collar, or where an uncollared
    blade leaves the whorl); `rank` is the network's own guess of the leaf number.
    """

    x: float
    y: float
    score: float
    rounded: float
    collared: float
    collar_x: float
    collar_y: float
    rank: float


@dataclass(frozen=True)
class Point:
    """A single keypoint in photo px with the network's score in 0..1."""

    x: float
    y: float
    score: float


@dataclass(frozen=True)
class Parts:
    """Everything the network saw in one photo.

    Attributes
    ----------
    classes : ndarray, (h, w) uint8
        Class map of the read crop at 1/4 resolution: 0 background or board, 1 blade,
        2 sheath or stalk, 3 soil, 4 card.
    photo_from_map : ndarray, (2, 3) float
        Affine from map cell centres (column, row) to photo px.
    collars, tips : tuple
        Peaks, best score first.
    base, arch : Point or None
        Where the stalk meets the soil; the highest point of the governing leaf's arch.
    stage_probabilities : ndarray, (13,) float
        V0 .. V12 from the ordinal head alone; sums to 1.
    usability : dict of str to float
        P of each name in `USABILITY_NAMES`; sums to 1.
    laid : float
        P(the plant lies on the board).
    first_leaf : float
        P(leaf 1 is present).
    lost_leaves : ndarray, (4,) float
        P(0, 1, 2, 3 or more lower leaves lost).
    px_per_map_px : float
        Photo px per map cell.
    """

    classes: np.ndarray
    photo_from_map: np.ndarray
    collars: tuple[CollarPeak, ...]
    tips: tuple[TipPeak, ...]
    base: Point | None
    arch: Point | None
    stage_probabilities: np.ndarray
    usability: dict[str, float]
    laid: float
    first_leaf: float
    lost_leaves: np.ndarray
    px_per_map_px: float
