"""Field look: whether a photo plainly shows a field from above, by its picture alone.

Asked only of photos whose files don't say that they were flown. All of these must hold, and any
that doesn't leaves the photo a side view:

- no smooth, flat area: a board, a sky, a wall, a table;
- the ground's texture and brightness are alike at the top and at the bottom: no horizon;
- green is spread over the frame in several pieces, of which none is nearly all of it: no single
  plant that a person stood before.

The bounds were set on rendered photos of plants from the side and of fields from above.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

_LONG_SIDE_PX: Final = 320
_BLOCK_PX: Final = 16

_SMOOTH: Final = 0.025
"""Fine contrast over brightness under which a block is flat."""
_MOST_SMOOTH: Final = 0.02
"""Share of the picture that one flat area may take."""
_LEAST_TEXTURE: Final = 0.03
_DARK: Final = 25.0
_ALIKE_TEXTURE, _ALIKE_LIGHT = 2.5, 1.8
"""Ratios that the upper and lower third may differ by."""
_LEAST_GREEN: Final = 0.015
_PIECE_PX: Final = 40


def field_sizes(width: int, height: int) -> list[tuple[int, int]]:
    """Widths and heights, px, by which a picture is brought to the size that is looked at."""
    sizes = []
    while max(width, height) >= 4 * _LONG_SIDE_PX and min(width, height) > 1:
        # Halving is far cheaper than one long step.
        width, height = width // 2, height // 2
        sizes.append((width, height))
    shrink = _LONG_SIDE_PX / max(width, height)
    return [*sizes, (max(1, round(width * shrink)), max(1, round(height * shrink)))]


def field_picture(rgb: np.ndarray) -> np.ndarray:
    """Bring a picture (H, W, 3) uint8 to the size that is looked at; one of that size stays so."""
    for size in field_sizes(rgb.shape[1], rgb.shape[0]):
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    return rgb


def shows_field(rgb: np.ndarray) -> bool:
    """Say whether a picture plainly is of a field from above.

    Parameters
    ----------
    rgb : ndarray, (H, W, 3) uint8
        A photo, or a smaller version of it.
    """
    small = field_picture(rgb)
    if min(small.shape[:2]) < 3 * _BLOCK_PX:
        return False
    grey = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY).astype(np.float32)
    if grey.mean() < _DARK:
        return False
    fine = (grey - cv2.GaussianBlur(grey, (0, 0), 2.0)) ** 2
    texture = np.sqrt(_by_blocks(fine)) / (_by_blocks(grey) + 10.0)
    if np.median(texture) < _LEAST_TEXTURE or _largest(texture < _SMOOTH) > _MOST_SMOOTH:
        return False
    third = len(texture) // 3
    fines = [float(np.median(part)) for part in (texture[:third], texture[-third:])]
    lights = [
        float(part.mean()) + 10.0 for part in (grey[: len(grey) // 3], grey[-len(grey) // 3 :])
    ]
    if max(fines) > _ALIKE_TEXTURE * min(fines) or max(lights) > _ALIKE_LIGHT * min(lights):
        return False
    return _green_all_over(green_mask(small))


def green_mask(rgb: np.ndarray) -> np.ndarray:
    """Where a picture is green: more green than red and blue, by more than its own noise.

    Excess green on chromatic coordinates, 2g - r - b (Woebbecke et al. 1995, Trans. ASAE
    38:259-269, from memory), cut where Otsu's method parts it, but no lower than a faint green.
    """
    pixels = rgb.astype(np.float32)
    total = pixels.sum(2) + 1.0
    excess = (3.0 * pixels[..., 1] - total) / total
    if excess.size == 0:
        return np.zeros(rgb.shape[:2], bool)
    levels = np.clip((excess + 0.3) * 250, 0, 255).astype(np.uint8)
    level, _ = cv2.threshold(levels, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    cut = min(max(level / 250 - 0.3, 0.06), 0.25)
    found: np.ndarray = (excess > cut) & (total > 60.0)
    return found


def _green_all_over(green: np.ndarray) -> bool:
    """Whether green lies over the frame in pieces, of which none is nearly all."""
    if green.mean() < _LEAST_GREEN:
        return False
    height, width = green.shape
    held = [
        green[i * height // 4 : (i + 1) * height // 4, j * width // 4 : (j + 1) * width // 4].mean()
        for i in range(4)
        for j in range(4)
    ]
    cells = sum(share > 0.004 for share in held)
    joined = cv2.dilate(green.astype(np.uint8), np.ones((3, 3), np.uint8))
    _, _, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    areas = stats[1:, cv2.CC_STAT_AREA]
    areas = areas[areas > _PIECE_PX]
    if len(areas) == 0:
        return False
    largest = float(areas.max() / areas.sum())
    everywhere = cells >= 14 and len(areas) >= 4 and largest < 0.93
    scattered = cells >= 8 and len(areas) >= 8 and largest <= 0.5
    return bool(everywhere or scattered)


def _by_blocks(values: np.ndarray) -> np.ndarray:
    """Means over blocks; what is left over at the right and the bottom is left out."""
    rows, columns = (length // _BLOCK_PX for length in values.shape)
    part = values[: rows * _BLOCK_PX, : columns * _BLOCK_PX]
    means: np.ndarray = part.reshape(rows, _BLOCK_PX, columns, _BLOCK_PX).mean((1, 3))
    return means


def _largest(flat: np.ndarray) -> float:
    """Share of all blocks in the largest joined area of flat ones."""
    count, _, stats, _ = cv2.connectedComponentsWithStats(flat.astype(np.uint8), connectivity=4)
    return float(stats[1:, cv2.CC_STAT_AREA].max() / flat.size) if count > 1 else 0.0
