"""Surface: growth drawn smoothly through places that were each seen with an error.

Plants of one photo are misread alike (its light, blur and tilt are theirs together), so that a
photo, however many plants it shows, is one place with an error of its own. A field's growth is a
kernel mean over places (Nadaraya 1964; Watson 1964, from memory). How wide the kernel is comes from
the field itself: the width with which places tell each other best when each is left out in turn
(Stone 1974, J. R. Stat. Soc. B 36:111-147, from memory). Where photos err more than the field
varies, that is wide, and an even field stays even.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collarvision.walk.flight import Flight

_HALF_WEIGHT: Final = 20.0  # plants from which on a place counts for half of what it can
_WIDTHS: Final = (0.4, 0.6, 0.9, 1.3, 2.0, 3.0, 5.0, 10.0)  # of the usual distance of places
_FAR: Final = 1e-8  # beyond every kernel the nearest place still tells
_MOST_PLACES: Final = 1500


@dataclass(frozen=True, eq=False)
class Surface:
    """Growth at any point of a field.

    Attributes
    ----------
    points_m : (p, 2) ndarray
        Middles of places.
    weight : (p,) ndarray
    values : (p, f) ndarray
        What was seen at each.
    width_m : (f,) ndarray
        Standard deviation of each value's kernel.
    error : (f,) ndarray
        Root mean square by which a place differs from what the others tell of it.
    """

    points_m: np.ndarray
    weight: np.ndarray
    values: np.ndarray
    width_m: np.ndarray
    error: np.ndarray

    def at(self, points_m: np.ndarray) -> np.ndarray:
        """Values at (n, 2) points, (n, f)."""
        gap2 = _gap2(points_m, self.points_m)
        found = np.empty((len(points_m), self.values.shape[1]))
        for width in np.unique(self.width_m):
            same = self.width_m == width
            found[:, same] = _mean(_pull(gap2, width, self.weight), self.values[:, same])
        return found


def places_of(flight: Flight, block_m: float) -> np.ndarray:
    """Number of the place that each plant is seen in, (n,).

    A photo is one place; one that is wider than a block and a half, such as an orthomosaic, is one
    a block.
    """
    column = (flight.x_m // block_m).astype(np.int64)
    row = (flight.y_m // block_m).astype(np.int64)
    for frame in np.unique(flight.frame):
        own = flight.frame == frame
        if max(np.ptp(flight.x_m[own]), np.ptp(flight.y_m[own])) <= 1.5 * block_m:
            column[own], row[own] = column[own].min(), row[own].min()
    both = np.stack([flight.frame.astype(np.int64), column, row], axis=1)
    return np.asarray(np.unique(both, axis=0, return_inverse=True)[1]).reshape(-1)


def draw_surface(
    points_m: np.ndarray, plants: np.ndarray, values: np.ndarray, like: np.ndarray
) -> Surface:
    """Draw a surface through places.

    Parameters
    ----------
    points_m : (p, 2) ndarray
    plants : (p,) ndarray
        Seen at each place.
    values : (p, f) ndarray
    like : (f,) ndarray of int
        For each value the one whose width it takes; its own index where it has one itself.
    """
    if len(points_m) > _MOST_PLACES:
        some = np.linspace(0, len(points_m) - 1, _MOST_PLACES).round().astype(int)
        points_m, plants, values = points_m[some], plants[some], values[some]
    weight = plants / (plants + _HALF_WEIGHT)
    gap2 = _gap2(points_m, points_m)
    np.fill_diagonal(gap2, np.inf)
    usual = max(float(np.sqrt(np.median(gap2.min(axis=1)))), 1.0)
    np.fill_diagonal(gap2, 0.0)
    misses = []
    for width in _WIDTHS:
        pull = _pull(gap2, width * usual, weight)
        np.fill_diagonal(pull, 0.0)
        off = values - _mean(pull, values)
        misses.append(np.average(off**2, axis=0, weights=weight))
    missed = np.array(misses)[:, like]
    best = missed.argmin(axis=0)
    error = np.sqrt(np.array(misses)[best, np.arange(values.shape[1])])
    return Surface(points_m, weight, values, np.array(_WIDTHS)[best] * usual, error)


def _gap2(points_m: np.ndarray, places_m: np.ndarray) -> np.ndarray:
    return np.asarray(((points_m[:, None] - places_m) ** 2).sum(axis=2))


def _pull(gap2: np.ndarray, width_m: float, weight: np.ndarray) -> np.ndarray:
    return np.asarray(weight * (np.exp(-0.5 * gap2 / width_m**2) + _FAR / (1 + gap2)))


def _mean(pull: np.ndarray, values: np.ndarray) -> np.ndarray:
    return np.asarray(pull @ values / pull.sum(axis=1, keepdims=True))
