"""Closed: places where leaves close over the rows, past what can be told from above.

Nothing is counted on such a photo, and the corn there is the oldest of the field: somebody must
walk there, whatever the zones around say.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from collarvision.above.fields import is_closed
from collarvision.boundary import Boundary, metres_a_degree, within_180

if TYPE_CHECKING:
    from collarvision.above.values import FrameAbove

_NEAR_M: Final = 60.0  # photos that near stand for one place, as far as a photo tells of its field
_MOST_PLACES: Final = 6  # more than these nobody walks to beside the zones' stops
_WIDER: Final = 1.25


def closed_places(
    frames: Sequence[FrameAbove], boundary: Boundary | None
) -> tuple[np.ndarray, ...]:
    """Give places of photos with closed leaves, near ones together.

    Parameters
    ----------
    frames : sequence of FrameAbove
    boundary : Boundary or None
        Photos outside are left out.

    Returns
    -------
    tuple of (k, 2) ndarray
        Latitudes and longitudes of the photos of each place; the first is the one to walk to. Of
        much closed ground the places lie further apart, so that they stay few.
    """
    degrees = placed_inside([one for one in frames if is_closed(one)], boundary)
    if len(degrees) == 0:
        return ()
    metres = within_180(degrees - degrees[0]) * metres_a_degree(float(degrees[0, 0]))
    apart = np.linalg.norm(metres[:, None] - metres, axis=2)
    near = _NEAR_M
    while len(groups := _groups(apart <= near)) > _MOST_PLACES:
        near *= _WIDER
    return tuple(degrees[group] for group in groups)


def _groups(near: np.ndarray) -> list[np.ndarray]:
    """Indices in groups by (n, n) who is near whom, the one with the most neighbours first."""
    left = np.ones(len(near), bool)
    groups = []
    while left.any():
        first = int(np.where(left, (near & left).sum(axis=1), 0).argmax())
        others = np.flatnonzero(near[first] & left)
        groups.append(np.array([first, *others[others != first]]))
        left[others] = False
    return groups


def placed_inside(frames: Sequence[FrameAbove], boundary: Boundary | None) -> np.ndarray:
    """Latitudes and longitudes, (n, 2), of photos that have a place, those in the field alone."""
    places = [
        (one.georeference.lat, one.georeference.lon)
        for one in frames
        if one.georeference is not None
    ]
    degrees = np.array(places, float).reshape(-1, 2)
    if boundary is None or not places:
        return degrees
    return degrees[boundary.inside(np.column_stack(boundary.metres(*degrees.T)))]


def unwalked(
    places_m: Sequence[np.ndarray], stops_m: Sequence[np.ndarray], reach_m: float
) -> list[np.ndarray]:
    """Keep the places, (k, 2) each, none of whose photos has a stop within reach."""
    stops = np.array(stops_m).reshape(-1, 2)
    return [
        place
        for place in places_m
        if not (np.linalg.norm(place[:, None] - stops, axis=2) <= reach_m).any()
    ]
