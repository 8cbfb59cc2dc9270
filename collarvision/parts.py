"""Parts: where the network sees collars, tips, blades, stalk and soil in one photo.

This room knows the network and nothing of plants: it says where things are, not what they mean.
A first look at the whole photo finds the plant; a second look at a crop of the original reads it.
Where that leaves doubt, `look_closer` takes one more at the stalk's upper part, where millimetres
decide.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from collarvision.bases import other_bases, plant_near, square_near
from collarvision.closer import (
    Collar,
    close_coarsest,
    close_px,
    close_square,
    join_collars,
    strip,
)
from collarvision.leaftops import LeafTop, LeafTops, leaf_tops
from collarvision.looks import (
    BASE,
    NMS_RADIUS,
    READ_PX,
    Box,
    Look,
    Square,
    better_box,
    cell,
    find_plant,
    look_at_square,
    look_at_whole,
    ordinal_distribution,
    peaks,
    refined,
    sigmoid,
    softmax,
    square_about,
    tip_rounded,
    xy,
)
from collarvision.network import USABILITY_NAMES, Network, load_network

if TYPE_CHECKING:
    from collarvision.photo import Photo

CLOSE_LEAST = 0.5
"""The closer look is taken from pixels of which at least this many lie along each of the network's,
more than in training. Finer ones may cost another decoding of the photo."""

PEAK_FLOOR = 0.15
"""Peaks under this score aren't handed on; later rooms weigh the rest by their scores."""


@dataclass(frozen=True)
class CollarPeak:
    """One collar as the network sees it; `x`, `y` in photo px.

    `rank` is the network's own guess of the leaf number (from leaf 1, lost leaves counted).
    """

    x: float
    y: float
    score: float
    rank: float


@dataclass(frozen=True)
class TipPeak:
    """One leaf tip as the network sees it; all positions in photo px.

    `rounded` is P(tip is rounded), nearer to a half the more the tip looks torn; `collared` is
    P(this leaf's collar shows); `collar_x`, `collar_y` is where the link vector from the tip points
    (its collar, or where an uncollared blade leaves the whorl); `rank` is the
    network's own guess of the leaf number.
    """

    x: float
    y: float
    score: float
    rounded: float
    collared: float
    collar_x: float
    collar_y: float
    rank: float


@dataclass(frozen=True)
class Point:
    """A single keypoint in photo px with the network's score in 0..1."""

    x: float
    y: float
    score: float


@dataclass(frozen=True)
class Parts:
    """Everything the network saw in one photo.

    Attributes
    ----------
    classes : ndarray, (h, w) uint8
        Class map of the read crop at 1/4 resolution: 0 background or board, 1 blade,
        2 sheath or stalk, 3 soil, 4 card.
    photo_from_map : ndarray, (2, 3) float
        Affine from map cell centres (column, row) to photo px.
    collars, tips : tuple
        Peaks, best score first.
    base, arch : Point or None
        Where the stalk meets the soil; the highest point of the governing leaf's arch.
    collar_counts : ndarray, (13,) float
        P(0 .. 12 collars on the plant, seen or behind a blade; lost leaves aside) from the
        ordinal head alone; sums to 1.
    usability : dict of str to float
        P of each name in `USABILITY_NAMES`; sums to 1.
    laid : float
        P(the plant lies on the board).
    first_leaf : float
        P(leaf 1 is present): the mean logit of two answers of the network, one from the whole plant
        and one from its foot alone.
    lost_leaves : ndarray, (4,) float
        P(0, 1, 2, 3 or more lower leaves lost), of two answers likewise.
    px_per_map_px : float
        Photo px per map cell.
    hidden_collars : tuple of CollarPeak
        Where the network believes that a collar lies behind a blade.
    other_arches : tuple of Point
        Lesser candidates for the arch, best first.
    other_bases : tuple of Point
        Where other plants meet the soil, best first.
    tops : LeafTops or None
        What is told of the places where leaves are highest.
    plant_box_px : (x0, y0, x1, y1) or None
        The plant's box in the photo; None when no look found one.
    model : str
        The network's version.
    """

    classes: np.ndarray
    photo_from_map: np.ndarray
    collars: tuple[CollarPeak, ...]
    tips: tuple[TipPeak, ...]
    base: Point | None
    arch: Point | None
    collar_counts: np.ndarray
    usability: dict[str, float]
    laid: float
    first_leaf: float
    lost_leaves: np.ndarray
    px_per_map_px: float
    hidden_collars: tuple[CollarPeak, ...] = ()
    other_arches: tuple[Point, ...] = ()
    other_bases: tuple[Point, ...] = ()
    tops: LeafTops | None = None
    plant_box_px: tuple[float, float, float, float] | None = None
    model: str = ""

    def leaf_top(self, x: float, y: float) -> LeafTop | None:
        """What is told of photo px (x, y) as the top of a leaf; None where nothing is."""
        return None if self.tops is None else self.tops.at(x, y)


@dataclass(frozen=True)
class Looks:
    """The network's answers for one photo, from which `gather` makes parts.

    `close` is a look at the upper part of the stalk alone; None where none was taken. `box` is the
    plant's in the photo, None where no look found one. `near` is the look about a likely base that
    found it where the one at the whole photo didn't; None elsewhere.
    """

    first: Look
    second: Look
    box: Box | None
    version: str
    close: Look | None = None
    near: Look | None = None


def read_parts(photo: Photo, *, model: str | Path | None = None, careful: bool = False) -> Parts:
    """Find the plant in a photo and read its parts.

    Parameters
    ----------
    photo : Photo
    model : str or Path, optional
        Another model file than the one that came with the package.
    careful : bool
        Look closer as well, which costs half of the network's time again.

    Raises
    ------
    collarvision.network.ModelError
        When the model file is missing or broken.
    """
    looks = take_looks(photo, model=model)
    return gather(look_closer(photo, looks, model=model) if careful else looks)


def take_looks(
    photo: Photo,
    *,
    model: str | Path | None = None,
    tell: Callable[[Look], object] | None = None,
    closer_next: bool = False,
) -> Looks:
    """Look at the whole photo, then at the plant; arguments and errors as of `read_parts`.

    Where no plant is found, it is looked for once more about the likeliest base.
    `tell` is called with the first look as soon as it is there. Where a closer look is to follow,
    the pixels that it will need are decoded beside the second one.
    """
    network = load_network(model)
    rgb, step = photo.pixels()
    first = look_at_whole(rgb, network, step=step, small=photo.small)
    if tell is not None:
        tell(first)
    box = find_plant(first)
    if closer_next and box is not None:
        photo.begin(close_coarsest(square_about(box, photo.size)[2], CLOSE_LEAST))
    second = _second_look(photo, box, network)
    better = better_box(second, box, photo.size)
    near = None
    if box is None and better is None:
        where = square_near((first, second), photo.size)
        near = None if where is None else _look_at(photo, where, network)
        better = None if near is None else plant_near(near, photo.size)
    if better is None:
        return Looks(first, second, box, network.version)
    second = _second_look(photo, better, network)
    if near is not None:
        grown = better_box(second, better, photo.size)
        if grown is not None and _side(grown) > _side(better):  # it reaches out of that as well
            better, second = grown, _second_look(photo, grown, network)
    return Looks(first, second, better, network.version, near=near)


def look_closer(photo: Photo, looks: Looks, *, model: str | Path | None = None) -> Looks:
    """Look closely at the upper part of the stalk as well."""
    square = close_square(looks.second)
    if square is None:
        return looks
    wide = close_px(square, looks.second)
    rgb, step = photo.pixels(square[2] / (CLOSE_LEAST * wide))
    part = strip(square, looks.second)
    close = look_at_square(rgb, square, load_network(model), step=step, wide=wide, strip=part)
    return replace(looks, close=close)


def _second_look(photo: Photo, box: Box | None, network: Network) -> Look:
    return _look_at(photo, square_about(box, photo.size), network)


def _side(box: Box) -> float:
    return max(box[2] - box[0], box[3] - box[1])


def _look_at(photo: Photo, square: Square, network: Network) -> Look:
    rgb, step = photo.pixels(square[2] / READ_PX)
    return look_at_square(rgb, square, network, step=step)


def combine_usability(
    first: np.ndarray, second: np.ndarray, near: np.ndarray | None = None
) -> dict[str, float]:
    """Combine what the looks say of the photo's use; logits (7,) each.

    Whether there are several plants shows only in the whole photo; sharpness shows best in the
    crop, whose pixels are finer; the rest is the mean of both. In all but "several" the look that
    found the plant, `near`, speaks for the whole photo where that look saw none.
    """
    whole, crop = softmax(first.astype(float)), softmax(second.astype(float))
    if near is not None:
        several = np.array(USABILITY_NAMES) == "several"
        whole = np.where(several, whole, softmax(near.astype(float)))
    of_whole = np.full(len(USABILITY_NAMES), 0.5)
    of_whole[USABILITY_NAMES.index("several")] = 1.0
    of_whole[USABILITY_NAMES.index("blurred")] = 0.25
    p = of_whole * whole + (1 - of_whole) * crop
    p[0] = np.sqrt(whole[0] * crop[0])
    p /= p.sum()
    return {name: float(value) for name, value in zip(USABILITY_NAMES, p, strict=True)}


def gather(looks: Looks, before: Parts | None = None) -> Parts:
    """Turn the looks at one photo into parts.

    Of `before`, gathered before the closer look was taken, only the collars are seen anew.
    """
    if before is not None:
        return replace(before, collars=_collars(looks))
    first, second = looks.first, looks.second
    maps, affine, sizes = second.maps, second.photo_from_map, second.maps.shape[1:]

    def points(heat: np.ndarray) -> list[Point]:
        rows, columns, scores = peaks(heat, None, PEAK_FLOOR, 3.0)
        # No offset channels here: the shape of the peak gives the sub-cell position.
        fine = [refined(heat, int(r), int(c)) for r, c in zip(rows, columns, strict=True)]
        return [Point(*xy(affine, x, y), float(s)) for (x, y), s in zip(fine, scores, strict=True)]

    tips = []
    for y, x, score in zip(*peaks(maps[6], maps[12:14], PEAK_FLOOR, NMS_RADIUS), strict=True):
        at = cell(x, y, sizes)
        end = xy(affine, x + 16.0 * maps[16][at], y + 16.0 * maps[17][at])
        tips.append(
            TipPeak(
                *xy(affine, x, y),
                float(score),
                tip_rounded(maps, at),
                float(sigmoid(maps[15][at])),
                *end,
                float(4.0 * maps[19][at]),
            )
        )
    bases, arches = points(maps[BASE]), points(maps[8])
    summary = second.summary.astype(float)
    # What the whole plant looks like and what is seen at its foot alone speak with one voice each:
    # an unfamiliar plant misleads the first, a dirty foot the second.
    told = (summary[20:25] + summary[26:31]) / 2
    said = [look.summary[12:19] for look in (first, second, looks.near) if look is not None]
    return Parts(
        classes=maps[:5].argmax(axis=0).astype(np.uint8),
        photo_from_map=affine,
        collars=_collars(looks),
        tips=tuple(tips),
        base=bases[0] if bases else None,
        arch=arches[0] if arches else None,
        collar_counts=ordinal_distribution(summary[:12]),
        usability=combine_usability(*said),
        laid=float(sigmoid(summary[19])),
        first_leaf=float(sigmoid(told[0])),
        lost_leaves=softmax(told[1:]),
        px_per_map_px=float(np.sqrt(affine[0, 0] * affine[1, 1])),
        hidden_collars=tuple(CollarPeak(*one) for one in _ranked(second, maps[9], None)),
        other_arches=tuple(arches[1:4]),
        other_bases=tuple(
            Point(*one)
            for base in bases[:1]
            for one in other_bases(first, second, (base.x, base.y))
        ),
        tops=leaf_tops(maps, affine),
        plant_box_px=looks.box,
        model=looks.version,
    )


def _collars(looks: Looks) -> tuple[CollarPeak, ...]:
    second = looks.second
    found = _ranked(second, second.maps[5], second.maps[10:12])
    if looks.close is not None:
        found = join_collars(found, second, looks.close, PEAK_FLOOR)
    return tuple(CollarPeak(*one) for one in found)


def _ranked(look: Look, heat: np.ndarray, offsets: np.ndarray | None) -> list[Collar]:
    """Peaks of collars with their leaf numbers."""
    numbers = look.maps[18]
    return [
        (*xy(look.photo_from_map, x, y), float(s), float(4.0 * numbers[cell(x, y, heat.shape)]))
        for y, x, s in zip(*peaks(heat, offsets, PEAK_FLOOR, NMS_RADIUS), strict=True)
    ]
