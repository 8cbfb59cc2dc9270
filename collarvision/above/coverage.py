"""Coverage: which ground photos from above have shown, so that a gap isn't a place nobody saw."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np


@dataclass(frozen=True, eq=False)
class Coverage:
    """What of the ground was looked at: a grid of squares in local metres.

    Attributes
    ----------
    mask : ndarray, (h, w) bool
        Row 0 is the northmost (largest y).
    left_m, top_m : float
        The grid's corner.
    cell_m : float
    """

    mask: np.ndarray
    left_m: float
    top_m: float
    cell_m: float

    def holds(self, x_m: np.ndarray, y_m: np.ndarray) -> np.ndarray:
        """Whether each point lies on ground that was looked at."""
        found = np.zeros(np.shape(x_m), bool)
        inside, row, column = self._cells(x_m, y_m)
        found[inside] = self.mask[row, column]
        return found

    def edge_distance_m(self, x_m: np.ndarray, y_m: np.ndarray) -> np.ndarray:
        """Distance of each point to ground that wasn't looked at; 0 outside."""
        padded = np.pad(self.mask, 1).astype(np.uint8)
        away = cv2.distanceTransform(padded, cv2.DIST_L2, 5)[1:-1, 1:-1] * self.cell_m
        found = np.zeros(np.shape(x_m), np.float64)
        inside, row, column = self._cells(x_m, y_m)
        found[inside] = away[row, column]
        return found

    @property
    def area_m2(self) -> float:
        """Ground looked at."""
        return float(self.mask.sum()) * self.cell_m**2

    def _cells(self, x_m: np.ndarray, y_m: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Which points lie in the grid, and those points' rows and columns."""
        height, width = self.mask.shape
        column = np.floor((np.asarray(x_m) - self.left_m) / self.cell_m).astype(np.int64)
        row = np.floor((self.top_m - np.asarray(y_m)) / self.cell_m).astype(np.int64)
        inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
        return inside, row[inside], column[inside]
