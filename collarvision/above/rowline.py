"""Row line: one row in one patch of a field, and where it goes on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

OFF_ROW_M: Final = 0.10
"""Farthest that a plant stands off its row's line: planters keep it within centimetres (common
practice); the rest is for curves and a rough photo."""


@dataclass(frozen=True, eq=False)
class Line:
    """One row in one patch.

    Attributes
    ----------
    members : ndarray, (n,) int
        Plants on it, in order along it; none where a row was skipped all through a patch.
    along_m : ndarray, (n,)
        Their places along it.
    origin, direction : ndarray, (2,)
        Place 0 and the unit vector along.
    start_m, end_m : float
        Where the line enters and leaves the patch.
    whole_along_m : ndarray, (k,)
        Places along it of all its plants, those of neighbouring patches too.
    goes_on : int
        Which line the row goes on in, in the next patch; -1 for none.
    """

    members: np.ndarray
    along_m: np.ndarray
    origin: np.ndarray
    direction: np.ndarray
    start_m: float
    end_m: float
    whole_along_m: np.ndarray
    goes_on: int = -1

    def at(self, place_m: float) -> np.ndarray:
        """Local metres (2,) of a place along it."""
        return np.asarray(self.origin + place_m * self.direction)
