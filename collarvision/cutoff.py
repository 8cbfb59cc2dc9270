"""Cut off: where a plant runs out of the photo."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from collarvision.frame import to_photo_px

if TYPE_CHECKING:
    from collarvision.parts import Parts
    from collarvision.photo import Photo


@dataclass(frozen=True)
class Cut:
    """Where the frame cuts the plant off.

    Attributes
    ----------
    sides : tuple of str
        Of 'bottom', 'top', 'left' and 'right'.
    highest_px : float
        y of the highest blade or stalk at these sides, photo px.
    """

    sides: tuple[str, ...]
    highest_px: float


def box_of(parts: Parts, plant: np.ndarray) -> tuple[float, float, float, float]:
    """Plant's box x0, y0, x1, y1 in photo px, from the outer edges of its cells."""
    rows, columns = np.nonzero(plant)
    corners = np.array(
        [[columns.min() - 0.5, rows.min() - 0.5], [columns.max() + 0.5, rows.max() + 0.5]]
    )
    (x0, y0), (x1, y1) = to_photo_px(parts, corners)
    return float(x0), float(y0), float(x1), float(y1)


def cut_off(photo: Photo, parts: Parts, cells: np.ndarray) -> Cut | None:
    """Where cells (h, w) bool reach the photo's sides; None where they don't."""
    if not cells.any():
        return None
    width, height = photo.size
    x0, y0, x1, y1 = box_of(parts, cells)
    reach = max(1.5 * parts.px_per_map_px, 0.004 * max(height, width))
    sides = {
        "bottom": y1 > height - reach,
        "top": y0 < reach,
        "left": x0 < reach,
        "right": x1 > width - reach,
    }
    touched = tuple(name for name, touches in sides.items() if touches)
    if not touched:
        return None
    rows, columns = np.nonzero(cells)
    x, y = to_photo_px(parts, np.column_stack([columns, rows])).T
    cell = parts.px_per_map_px
    at = {"bottom": y > y.max() - cell, "top": y < y.min() + cell}
    # Of leaves that each pass within a hair of the left or right any may rise further outside.
    # Half a cell more: these are the cells' middles, the sides are told by their edges.
    near = reach + 0.5 * cell
    at |= {"left": x < near, "right": x > width - near}
    return Cut(touched, float(min(y[at[side]].min() for side in touched)))
