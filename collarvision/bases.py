"""Bases: where stalks may meet the soil, of other plants and of one too small to be found.

The network's heat of bases is the one thing that a look at a whole photo shows of a seedling of a
few px: its leaves are thinner than a cell there.
"""

from __future__ import annotations

import numpy as np

from collarvision.closer import inverse
from collarvision.looks import (
    BASE,
    Box,
    Look,
    Square,
    better_box,
    cell,
    likeliest_base,
    peaks,
    sigmoid,
    xy,
)

OTHER_BASE = 0.15
OTHER_BASE_ALONE = 0.5
"""A second place where a stalk meets the soil is believed where both looks show it with the first
score, or the look at the whole photo with the second. On 249 own photos of one plant the first
happened never and the second once; on 18 of several plants 10 and 8 times."""

APART_CELLS = 4.0
"""Two plants' bases are so many cells of the first look apart at least: a twentieth of the photo's
long side."""

WORTH_A_LOOK = 0.03
"""Score of the likeliest base under which no plant is looked for there. Thirty-five readings of own
photos whose plant was found so began from 0.036 or more; of thirty of photos without maize
seventeen lie under this."""

NEAR_SHARE = 0.25
"""Side of the square about that base, as a share of the photo's long side: seedlings that no look
shows are 0.03 to 0.17 of it. Our own choice."""

ABOVE_BASE = 0.6
"""How much of that square lies above the base: a plant grows upwards, but leaves hang. Our own
choice."""

LEAST_OF_NEAR = 1 / 3
"""A plant found there is read in a box of at least this share of the square: of a seedling of a few
px only a part is seen. Our own choice."""

SEEN_BASE = 0.3
"""Score of a base from which a plant in that square is believed. Of own photos in which no plant
was found fourteen seedlings show 0.37 to 0.91 there, five photos without maize 0.10 to 0.20."""


def other_bases(first: Look, second: Look, at: tuple[float, float]) -> list[tuple[float, ...]]:
    """(x, y, score) in photo px where plants but the one at `at` meet the soil, best first."""
    around = float(first.photo_from_map[0, 0])
    least = APART_CELLS * around
    to_second = inverse(second.photo_from_map)
    cells = max(1, round(2.0 * around / float(second.photo_from_map[0, 0])))
    height, width = second.maps.shape[1:]
    found: list[tuple[float, ...]] = []
    for row, column, score in zip(*peaks(first.maps[BASE], None, OTHER_BASE, 3.0), strict=True):
        x, y = xy(first.photo_from_map, column, row)
        if np.hypot(x - at[0], y - at[1]) < least:
            continue
        at_x, at_y = xy(to_second, x, y)
        again = 0.0
        if 0 <= at_x < width and 0 <= at_y < height:
            r, c = cell(at_x, at_y, (height, width))
            part = second.maps[BASE][max(0, r - cells) : r + cells + 1]
            again = float(sigmoid(part[:, max(0, c - cells) : c + cells + 1]).max())
        if score >= OTHER_BASE_ALONE or again >= OTHER_BASE:
            found.append((x, y, float(score)))
    return found


def square_near(looks: tuple[Look, ...], photo_size: tuple[int, int]) -> Square | None:
    """Square, photo px, about the likeliest base that any of these looks shows.

    None where even that is too unlikely (`WORTH_A_LOOK`).
    """
    best = max(looks, key=lambda look: float(look.maps[BASE].max()))
    if float(sigmoid(best.maps[BASE].max())) < WORTH_A_LOOK:
        return None
    x, y = likeliest_base(best)
    side = max(32, round(NEAR_SHARE * max(photo_size)))
    return round(x - side / 2), round(y - ABOVE_BASE * side), side


def plant_near(near: Look, photo_size: tuple[int, int]) -> Box | None:
    """Box, photo px, of a plant in a look about a likely base; None where its base isn't seen.

    Larger than what is seen where that reaches out of the look, or is a small part of it.
    """
    if float(sigmoid(near.maps[BASE].max())) < SEEN_BASE:
        return None
    box = better_box(near, None, photo_size)
    if box is None:
        return None
    x0, y0, x1, y1 = box
    least = LEAST_OF_NEAR * float(near.photo_from_map[0, 0]) * near.maps.shape[2]
    across, up = (max(0.0, (least - length) / 2) for length in (x1 - x0, y1 - y0))
    return x0 - across, y0 - up, x1 + across, y1 + up
