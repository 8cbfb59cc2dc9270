"""Shrinking: pictures brought to the size of the network's input, and to that of the field look."""

from __future__ import annotations

import cv2
import numpy as np

from collarvision.fieldlook import field_sizes

Size = tuple[int, int]
"""Width and height, px."""


def resized(rgb: np.ndarray, size: Size) -> np.ndarray:
    """Bring a picture (H, W, 3) uint8 to another size."""
    for to in _sizes(rgb.shape[1], rgb.shape[0], size):
        how = cv2.INTER_AREA if to[0] < rgb.shape[1] else cv2.INTER_LINEAR
        rgb = cv2.resize(rgb, to, interpolation=how)
    return rgb


def field_picture_is(rgb: np.ndarray, size: Size) -> bool:
    """Say whether `field_picture` makes of a picture what `resized` does, px for px.

    It does where both halve it as often and then shrink it: in most cameras' photos.
    """
    height, width = rgb.shape[:2]
    return size[0] < width and _sizes(width, height, size) == field_sizes(width, height)


def _sizes(width: int, height: int, size: Size) -> list[Size]:
    """Sizes by which a picture is brought to `size`, that one last."""
    sizes = []
    # Halving is far cheaper than one long step, and a mean of means is the same mean. An odd row
    # or column has no partner.
    while width >= 4 * size[0] and height >= 4 * size[1] and width % 2 == height % 2 == 0:
        width, height = width // 2, height // 2
        sizes.append((width, height))
    return [*sizes, size]
