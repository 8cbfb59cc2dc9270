"""Overlap: how many photos of different places a flight's photos are worth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from collarvision.above.values import FrameAbove
from collarvision.boundary import metres_a_degree, within_180

_LEAST: Final = 1e-3


def apart_share(frames: Sequence[FrameAbove]) -> float:
    """Share of the photos that as many would be which show different places, 0..1.

    A photo counts for one over all that lies on it, itself included, each by the share of the
    ground in common. Photos are taken as squares of their area about their middles; what has no
    place counts for one.
    """
    placed = [one for one in frames if one.georeference is not None and one.area_m2]
    if len(placed) < 2:
        return 1.0
    from scipy.spatial import cKDTree  # not at the top: it would slow every command's start

    places = [(one.georeference.lat, one.georeference.lon) for one in placed if one.georeference]
    degrees = np.array(places)
    metres = within_180(degrees - degrees[0]) * metres_a_degree(float(degrees[0, 0]))
    side = np.sqrt(np.array([one.area_m2 or 0.0 for one in placed]))
    on = np.ones(len(placed))
    pairs = cKDTree(metres).query_pairs(math.sqrt(2) * float(side.max()), output_type="ndarray")
    if len(pairs):
        first, second = pairs.T
        reach = (side[first] + side[second])[:, None] / 2
        common = np.clip(reach - np.abs(metres[first] - metres[second]), 0.0, None)
        smaller = np.minimum(side[first], side[second])
        shared = np.minimum(common, smaller[:, None]).prod(1)
        np.add.at(on, first, shared / side[first] ** 2)
        np.add.at(on, second, shared / side[second] ** 2)
    own = float((1 / on).sum()) + len(frames) - len(placed)
    return max(own / len(frames), _LEAST)
