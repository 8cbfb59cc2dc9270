"""Closer: a further look at the upper part of the stalk, and its collars joined with the others.

A square about the whole plant gives a tall one's collars a few px each; those of a leaf that has
just cleared stand millimetres apart. This look costs up to half of the network's time again, so it
is taken only where the first ones may lead to a stage.
"""

from __future__ import annotations

import numpy as np

from collarvision.looks import (
    NMS_RADIUS,
    READ_PX,
    Look,
    Square,
    Strip,
    cell,
    likeliest_base,
    peaks,
    sigmoid,
    to_photo,
    xy,
)

SUSPECTED = 0.3
"""Score from which a collar is suspected, and a closer look goes there."""

CLOSE_SIDES = (0.24, 0.29)
"""Least and greatest side of the closer look against the second one's."""

CLOSER = 3.4
"""Magnification of the closer look against the second one; training shows 2 to 4. Two collars that
melt into one peak at 2 stand apart at 3.4: of own top collars that had just cleared 0.67 instead of
0.60 are read right, and a third as many are sure and wrong (72 of 431 photos)."""

CLOSE_MARGIN = 1.5
"""Side of the closer look against the span of the suspected collars. Our own choice."""

RIM = 0.06
"""Share of the closer look's longer side along each edge where the second look alone counts."""

CLOSE_REACH = 1.6
"""Map cells of the second look within which a peak of the closer one is the same collar."""

UPRIGHT = 0.27
"""A stalk that leans by no more than this (15 degrees) stays within half of the closer look's
width: the other half isn't looked at, which halves what the look costs and loses nothing
(`training/EXPERIMENTS.md`, 36)."""

Collar = tuple[float, float, float, float]
"""Photo x, y, score and leaf number."""


def close_square(second: Look) -> Square | None:
    """Square (left, top, side), photo px, about the collars; about the upper ones of a tall stalk.

    None where no collar is suspected.
    """
    stalk = _stalk(second)
    if stalk is None:
        return None
    at, foot, top = stalk
    whole = _whole(second)
    side = float(np.clip(CLOSE_MARGIN * np.ptp(at, axis=0).max(), *(whole * np.array(CLOSE_SIDES))))
    centre = (at.min(axis=0) + at.max(axis=0)) / 2
    if np.abs(top - centre).max() > 0.35 * side:
        # Too tall for one square: the collars that may just have cleared stand at the top.
        centre = top + (foot - top) / max(float(np.hypot(*(foot - top))), 1.0) * 0.25 * side
    left, upper = np.round(centre - side / 2).astype(int)
    return int(left), int(upper), max(32, round(side))


def close_px(square: Square, second: Look) -> int:
    """Side to which the square is brought for the network: as many px as `CLOSER` needs."""
    side = square[2] * CLOSER * READ_PX / _whole(second)
    return int(np.clip(32 * round(side / 32), 32, READ_PX))


def close_coarsest(whole: int, least: float) -> float:
    """Photo px per px that a closer look will ask for, once the second one looks at `whole` px.

    `least` of the picture's pixels are wanted along each of the network's.
    """
    return whole / (least * CLOSER * READ_PX)


def strip(square: Square, second: Look) -> Strip:
    """Part of the closer look's square that the stalk keeps to; all of it where it leans.

    All of it also where a suspected collar would be left out: the foot may be mistaken.
    """
    stalk = _stalk(second)
    if stalk is None:
        return "whole"
    at, foot, top = stalk
    along = np.abs(top - foot)
    off = np.abs((at - square[:2]) / square[2] - 0.5)
    off = off[(off < 0.5).all(axis=1)].max(axis=0, initial=0.0)
    parts: tuple[Strip, Strip] = ("upright", "level")
    for across, part in enumerate(parts):
        if along[across] <= UPRIGHT * along[1 - across] and off[across] < 0.25 - RIM:
            return part
    return "whole"


def _stalk(second: Look) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Photo px of the suspected collars (n, 2), of the likeliest foot, of the topmost collar.

    None where no collar is suspected.
    """
    maps, affine = second.maps, second.photo_from_map
    rows, columns, _ = peaks(maps[5], maps[10:12], SUSPECTED, NMS_RADIUS)
    if not len(rows):
        return None
    at = to_photo(affine, columns, rows).T
    foot = np.array(likeliest_base(second))
    return at, foot, at[np.hypot(*(at - foot).T).argmax()]


def _whole(look: Look) -> float:
    """Side of a look's square, photo px."""
    return float(look.photo_from_map[0, 0]) * look.maps.shape[2]


def join_collars(collars: list[Collar], second: Look, close: Look, floor: float) -> list[Collar]:
    """Collars of the second look, joined with those of the closer one.

    Both have a say on each: the score is that of the mean log odds. The place is the closer look's
    where it has one; the leaf number is always the second look's, since it takes the whole plant.
    """
    height, width = close.maps.shape[1:]
    rim = RIM * max(height, width)

    def inside(x: float, y: float) -> bool:
        return rim < x < width - rim and rim < y < height - rim

    to_close = inverse(close.photo_from_map)
    to_second = inverse(second.photo_from_map)
    reach = CLOSE_REACH * second.photo_from_map[0, 0]
    rows, columns, _ = peaks(close.maps[5], close.maps[10:12], floor, NMS_RADIUS)
    # At the rim a collar is the second look's alone, and so its peak there isn't another one.
    free = [
        xy(close.photo_from_map, x, y) for x, y in zip(columns, rows, strict=True) if inside(x, y)
    ]
    joined: list[Collar] = []
    for collar in collars:
        x, y = xy(to_close, collar[0], collar[1])
        if not inside(x, y):
            joined.append(collar)
            continue
        here = (collar[0], collar[1])
        near = [p for p in free if np.hypot(p[0] - here[0], p[1] - here[1]) <= reach]
        if near:
            here = min(near, key=lambda p: np.hypot(p[0] - collar[0], p[1] - collar[1]))
            free.remove(here)
        joined.append(_both(here, collar[3], second, to_second, close, to_close))
    for x, y in free:
        at = cell(*xy(to_second, x, y), second.maps.shape[1:])
        joined.append(_both((x, y), 4.0 * second.maps[18][at], second, to_second, close, to_close))
    kept = [collar for collar in joined if collar[2] >= floor]
    return sorted(kept, key=lambda collar: -collar[2])


def _both(
    here: tuple[float, float],
    rank: float,
    second: Look,
    to_second: np.ndarray,
    close: Look,
    to_close: np.ndarray,
) -> Collar:
    """A collar at photo px `here`, scored by both looks: each one's hottest cell about it."""
    heats = []
    finer = round(0.6 * second.photo_from_map[0, 0] / close.photo_from_map[0, 0])
    for look, to_map, about in ((second, to_second, 1), (close, to_close, max(1, finer))):
        row, column = cell(*xy(to_map, *here), look.maps.shape[1:])
        part = look.maps[5][max(0, row - about) : row + about + 1]
        heats.append(float(part[:, max(0, column - about) : column + about + 1].max()))
    return (*here, float(sigmoid(np.array(np.mean(heats)))), float(rank))


def inverse(affine: np.ndarray) -> np.ndarray:
    """Invert a (2, 3) affine."""
    matrix = np.linalg.inv(affine[:, :2])
    return np.concatenate([matrix, -matrix @ affine[:, 2:]], axis=1)
