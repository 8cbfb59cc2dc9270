"""Rowless ground: what of the ground shown has no rows, such as a drowned hollow or missed rows.

Plants to a length of row times rows to a width is the stand of the ground that has rows. Where much
of what was looked at has none, that isn't the field's stand.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from typing import Final

import cv2
import numpy as np

from collarvision.above.coverage import Coverage
from collarvision.above.values import Row

_FAR: Final = 1.15
"""Row spacings from every row, from which ground has none, wherever it lies: beyond a photo's edge
the next row may stand just unseen, so that up to one spacing tells nothing."""

_BETWEEN: Final = 0.8
_OFF_EDGE: Final = 0.55
"""As near as this is enough, so far off the edge: there the row beyond would be seen."""

_OWN: Final = 0.5
"""Half the way to the next row is a row's own ground."""

_CELLS_A_SPACING: Final = 8
_TILE: Final = 1024
"""Side of the squares that are looked at one after another, cells: a mosaic has a great many."""

_SPOTS: Final = 400
"""Places of a square that are looked up for leaves."""

_LEAST_SHARE, _MOST_SHARE = 0.03, 0.1
"""Share from which it is believed and said, by the size of what is shown: corners that a row only
cuts have none to be found, and they are much of a small photo."""


def rowless_share(
    rows: Sequence[Row],
    coverage: Coverage,
    spacing_m: float,
    leafy: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None,
) -> float:
    """Share of the ground looked at that has no rows; 0 where it is too little to be sure.

    Parameters
    ----------
    rows : sequence of Row
    coverage : Coverage
    spacing_m : float
        Between rows.
    leafy : callable, optional
        Whether corn leaves cover local metres: plants that stand there unseen are no bare ground.
    """
    cell = spacing_m / _CELLS_A_SPACING
    ends = np.array([(*row.start_m, *row.end_m) for row in rows], np.float64).reshape(-1, 4)
    shown = 0
    bare: list[float] = []
    spots: list[np.ndarray] = []
    for left, top, wide, tall in _tiles(coverage, cell):
        margin = math.ceil((_FAR + 0.5) * _CELLS_A_SPACING)
        x = left + (np.arange(-margin, wide + margin) + 0.5) * cell
        y = top - (np.arange(-margin, tall + margin) + 0.5) * cell
        x, y = (one.ravel() for one in np.meshgrid(x, y))
        shape = (tall + 2 * margin, wide + 2 * margin)
        seen = coverage.holds(x, y).reshape(shape)
        inner = np.s_[margin : margin + tall, margin : margin + wide]
        shown += int(seen[inner].sum())
        if not seen.any():
            continue
        corner = (left - margin * cell, top + margin * cell)
        away = _from_rows(ends, corner, shape, cell)
        off_edge = cv2.distanceTransform(
            np.pad(seen, 1).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE
        )[1:-1, 1:-1]
        unit = float(_CELLS_A_SPACING)
        sure = (away > _FAR * unit) | ((away > _BETWEEN * unit) & (off_edge > _OFF_EDGE * unit))
        sure &= seen
        if not sure.any():
            continue
        near = cv2.distanceTransform((~sure).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
        found = seen & (away > _OWN * unit) & (near <= (_BETWEEN - _OWN + 0.05) * unit)
        own = np.zeros(shape, bool)
        own[inner] = found[inner]
        at = np.flatnonzero(own)
        if len(at) == 0:
            continue
        # Some of them speak for all: leaves are looked up slowly, and a mosaic has millions.
        some = at[:: math.ceil(len(at) / _SPOTS)]
        spots.append(np.column_stack([x[some], y[some], np.full(len(some), len(at) / len(some))]))
        bare.append(len(at))
    if not bare:
        return 0.0
    share = sum(bare) / shown
    if leafy is not None:
        x, y, weight = np.concatenate(spots).T
        share -= float(weight[leafy(x, y)].sum()) / shown
    across = spacing_m / math.sqrt(max(shown * cell**2, 1e-9))
    return share if share >= min(_LEAST_SHARE + 0.4 * across, _MOST_SHARE) else 0.0


def _tiles(coverage: Coverage, cell: float) -> Iterator[tuple[float, float, int, int]]:
    """Left, top, and width and height in cells of the squares that cover the ground."""
    height, width = coverage.mask.shape
    columns = math.ceil(width * coverage.cell_m / cell)
    rows = math.ceil(height * coverage.cell_m / cell)
    for row in range(0, rows, _TILE):
        for column in range(0, columns, _TILE):
            yield (
                coverage.left_m + column * cell,
                coverage.top_m - row * cell,
                min(_TILE, columns - column),
                min(_TILE, rows - row),
            )


def _from_rows(
    ends: np.ndarray, corner: tuple[float, float], shape: tuple[int, int], cell: float
) -> np.ndarray:
    """Distance of each cell's middle from the nearest row, cells."""
    free = np.ones(shape, np.uint8)
    x = (ends[:, [0, 2]] - corner[0]) / cell - 0.5
    y = (corner[1] - ends[:, [1, 3]]) / cell - 0.5
    here = (x.max(1) >= 0) & (x.min(1) < shape[1]) & (y.max(1) >= 0) & (y.min(1) < shape[0])
    lines = np.round(16 * np.stack([x[here], y[here]], -1)).astype(np.int64)
    # OpenCV keeps places as 32 bits; a mosaic's rows are metres long, so they fit.
    for line in lines:
        start, end = (tuple(int(v) for v in one) for one in line)
        cv2.line(free, start, end, 0, 1, cv2.LINE_8, 4)
    if not (free == 0).any():
        return np.full(shape, np.inf, np.float32)
    return np.asarray(cv2.distanceTransform(free, cv2.DIST_L2, cv2.DIST_MASK_PRECISE))
