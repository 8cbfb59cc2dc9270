"""Leaf tops: what the network tells of the place where a leaf is highest.

Three things that a height hangs on and that no outline shows: how far the place stands before the
stalk, towards the camera; whether the leaf arches there; and whether it is half out of the whorl.
They are told on every cell of the plant and trained at tops.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from collarvision.looks import sigmoid
from collarvision.network import BLADE, STALK

CHANNELS = slice(20, 24)
"""Of the network's maps: towards the camera, log of its spread, arches, half out."""

TOWARD_SCALE = 16.0
"""Map cells per unit of the network's distance towards the camera."""

LAPLACE_SD = math.sqrt(2.0)
"""The network tells the spread of a Laplace distribution; its sd is so much larger."""

STEP = 1 / 32
"""What is told is rounded to: half a map cell, far less than its error, and small to keep."""

REACH_CELLS = 2
"""A top is read on the plant's cells within so many of it: it may lie on the blade's edge."""


@dataclass(frozen=True)
class LeafTop:
    """One place on the plant, taken as the top of a leaf.

    Attributes
    ----------
    toward_px, toward_sd_px : float
        How far it stands before the stalk's foot, level and towards the camera, and the error of
        that, in photo px at the foot; times mm a pixel there it is mm.
    arches, half_out : float
        P(its tip hangs under it), P(the leaf is at least half out of the whorl).
    """

    toward_px: float
    toward_sd_px: float
    arches: float
    half_out: float


@dataclass(frozen=True)
class LeafTops:
    """All that the network tells of leaf tops in a photo.

    Attributes
    ----------
    values : ndarray, (4, h, w) float16
        `CHANNELS` on the cells of the plant, 0 elsewhere; cut to the plant.
    photo_from_map : ndarray, (2, 3) float
        Affine from cell centres (column, row) to photo px.
    """

    values: np.ndarray
    photo_from_map: np.ndarray

    def at(self, x: float, y: float) -> LeafTop | None:
        """What is told at photo px (x, y); None where no cell of the plant is near."""
        affine = self.photo_from_map
        column = (x - affine[0, 2]) / affine[0, 0]
        row = (y - affine[1, 2]) / affine[1, 1]
        near = (
            slice(max(0, round(row) - REACH_CELLS), max(0, round(row) + REACH_CELLS + 1)),
            slice(max(0, round(column) - REACH_CELLS), max(0, round(column) + REACH_CELLS + 1)),
        )
        values = self.values[:, *near].astype(float)
        rows, columns = np.nonzero(values.any(axis=0))
        if not len(rows):
            return None
        away = np.hypot(rows + near[0].start - row, columns + near[1].start - column)
        weight = np.exp(-0.5 * away**2)
        toward, log_spread, arches, half_out = values[:, rows, columns] @ weight / weight.sum()
        px = float(np.sqrt(affine[0, 0] * affine[1, 1])) * TOWARD_SCALE
        return LeafTop(
            toward_px=float(toward) * px,
            toward_sd_px=LAPLACE_SD * math.exp(float(log_spread)) * px,
            arches=float(sigmoid(arches)),
            half_out=float(sigmoid(half_out)),
        )


def leaf_tops(maps: np.ndarray, photo_from_map: np.ndarray) -> LeafTops:
    """Keep what the network's maps (25, h, w) tell of leaf tops, on the plant's own cells."""
    plant = np.isin(maps[:5].argmax(axis=0), (BLADE, STALK))
    rows, columns = np.nonzero(plant)
    if not len(rows):
        return LeafTops(np.zeros((4, 0, 0), np.float16), photo_from_map)
    top, left = int(rows.min()), int(columns.min())
    box = (slice(top, int(rows.max()) + 1), slice(left, int(columns.max()) + 1))
    told = np.where(plant[box], np.round(maps[CHANNELS][:, *box] / STEP) * STEP, 0)
    affine = photo_from_map.copy()
    affine[:, 2] += affine[:, :2] @ (left, top)
    return LeafTops(told.astype(np.float16), affine)
